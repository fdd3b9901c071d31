"""Wall clocks of a site's zone on the night of a clock change: which instants they mean.

A log without offsets shows an hour twice in autumn and none of one in spring. Its rows come in
order: where the clock goes back by itself within that hour, the second one has begun.
"""

from __future__ import annotations

from datetime import datetime, timedelta, tzinfo

import numpy as np
from numpy.typing import NDArray

from parsers.table import EPOCH

_BIN = 1_800_000_000
_MICROSECOND = timedelta(microseconds=1)
_BACK = 1_200_000_000
"""Microseconds that a clock goes back at least where it is put back, and no sample is late."""

Micro = NDArray[np.int64]


def offsets_of(walls: Micro, zone: tzinfo) -> tuple[Micro, NDArray[np.bool_]] | None:
    """Return (offsets from UTC, second time of an hour) of rows, None where all have one offset.

    Parameters
    ----------
    walls : array of int64
        Microseconds since ``EPOCH`` by the wall clock, in the order of the log.
    zone : tzinfo
        Where the clock hangs.
    """
    bins, which = np.unique(walls // _BIN, return_inverse=True)
    if len(bins) > 48 * 40:
        return None  # no log of one visit
    times = [(EPOCH + timedelta(microseconds=int(b) * _BIN)).replace(tzinfo=zone) for b in bins]
    early, late = (
        np.array([_offset(t.replace(fold=fold)) for t in times], dtype=np.int64) for fold in (0, 1)
    )
    if len(np.unique(early)) == 1 and bool((early == late).all()):
        return None
    twice = (early > late)[which.reshape(-1)]
    second = np.zeros(len(walls), dtype=bool)
    if twice.any():
        # A log may run from the newest to the oldest.
        order = slice(None, None, -1 if walls[0] > walls[-1] and not _turned(walls).any() else 1)
        turned = np.cumsum(_turned(walls[order])) > 0
        ahead, mine = walls[order], twice[order]
        if not turned.any():  # it began within the hour: what goes on after it was the second
            turned[:] = not (ahead < ahead[mine].min()).any() and bool(
                (ahead > ahead[mine].max()).any()
            )
        second[order] = turned & mine
    return np.where(second, late[which.reshape(-1)], early[which.reshape(-1)]), second


def told_twice(time: datetime) -> bool:
    """Return whether a wall clock shows this hour twice, because it is put back in it."""
    first, second = (time.replace(fold=fold).utcoffset() for fold in (0, 1))
    return first is not None and second is not None and first > second and not time.fold


def _turned(walls: Micro) -> NDArray[np.bool_]:
    return np.concatenate([[False], np.diff(walls) < -_BACK])


def _offset(time: datetime) -> int:
    return (time.utcoffset() or timedelta(0)) // _MICROSECOND
