"""Which columns of a long log tell its times, and how a whole chunk of them is understood.

Settled from the head by the rules that read a short file row by row (``parsers.clock``); a chunk
that does not keep to it goes that way.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

import numpy as np
from numpy.typing import NDArray

from parsers.clock import day_of_clocks, elapsed_factor, elapsed_start
from parsers.columns import Ask
from parsers.fixed import after, counts_of, durations_of, times_of
from parsers.shapes import Block
from parsers.table import EPOCH
from parsers.times import FIRST_DAY, LAST_DAY, DateOrder, epoch_time, serial_time, stamp
from parsers.vocabulary import Meaning

_HALF_A_DAY = 12 * 3600 * 1_000_000


@dataclass(frozen=True, slots=True)
class LongClock:
    """How the times of a long log are read.

    Attributes
    ----------
    columns : list of int
        The columns whose cells tell the time, a date first.
    ignored : list of int
        Columns of times that are not needed beside them.
    kept : bool
        False where the cells must be times, but no reading gets one: nothing tells their day.
    carried : bool
        True where clock times without a date go on over midnight.
    times : callable
        From the cells of the columns to wall clocks, None where they are not plain.
    """

    columns: list[int]
    ignored: list[int]
    kept: bool
    carried: bool
    times: Callable[[Sequence[Any]], NDArray[np.datetime64] | None]


def long_clock(
    block: Block, meanings: Sequence[Meaning], order: DateOrder, ask: Ask
) -> LongClock | None:
    """Return how a log's times are read by column, None where each row has to be looked at."""
    at = [i for i, m in enumerate(meanings) if m.role in ("date", "time")]
    elapsed = [i for i, m in enumerate(meanings) if m.role == "elapsed"]
    if not elapsed:
        # "Time [s]" counts; so does the careful code understand it.
        elapsed = [i for i in at if meanings[i].role == "time" and meanings[i].unit is not None]
        at = [i for i in at if i not in elapsed]
    if len(at) > 2 or len(elapsed) > 1 or any(m.role in ("zone", "am_pm") for m in meanings):
        return None
    if not at:
        return _counted(block, meanings, elapsed, order, ask)
    at.sort(key=lambda i: meanings[i].role)
    cells = next((s.cells for s in block.samples if all(s.cells[i].strip() for i in at)), None)
    if cells is None:
        return None
    sample = " ".join(cells[i].strip() for i in at)
    found = stamp(sample)
    if found is None and len(at) == 1:
        if epoch_time(sample) is not None:
            return LongClock(at, elapsed, True, False, _since_1970)
        if serial_time(sample) is not None:
            return LongClock(at, elapsed, True, False, _of_a_sheet)
    if found is None or found.numbers is not None:
        day = None
    elif len(at) > 1:
        return None  # a column of dates without one
    else:
        day = day_of_clocks(block, order, ask)
    first, undated = order.verdict, found is not None and found.numbers is None

    def times(cells: Sequence[Any]) -> Any:
        return times_of(cells, sample, first, day or (date(1970, 1, 1) if undated else None))

    return LongClock(at, elapsed, not undated or day is not None, undated, times)


def _counted(
    block: Block, meanings: Sequence[Meaning], at: list[int], order: DateOrder, ask: Ask
) -> LongClock | None:
    if not at:
        return LongClock([], [], False, False, lambda _: None)
    factor, start = elapsed_factor(block, meanings, at[0]), elapsed_start(block, order, ask)
    by_colon = any(":" in s.cells[at[0]] for s in block.samples)
    if factor is None and not by_colon:
        return None
    begin = EPOCH if start is None else start[0]

    def times(cells: Sequence[Any]) -> Any:
        found = durations_of(cells[0]) if by_colon else counts_of(cells[0])
        return None if found is None else after(begin, found * (1.0 if by_colon else factor or 1.0))

    return LongClock(at, [], start is not None, False, times)


def _since_1970(cells: Sequence[Any]) -> Any:
    counts = counts_of(cells[0])
    if counts is None:
        return None
    for scale in (1.0, 1e3, 1e6, 1e9):
        if counts.min() / scale >= 9.4e8 and counts.max() / scale < 4.2e9:
            return after(EPOCH, counts / scale)
    return None


def _of_a_sheet(cells: Sequence[Any]) -> Any:
    counts = counts_of(cells[0])
    if counts is None or counts.min() < FIRST_DAY or counts.max() >= LAST_DAY:
        return None
    return after(datetime(1899, 12, 30), np.rint(np.round(counts * 86400, 3)))  # noqa: DTZ001


def past_midnight(times: NDArray[np.datetime64]) -> NDArray[np.int64]:
    """Return how many days to add to clock times that start again at midnight.

    ``times`` all of one day, or of one for each part; NaT where a row has none.
    """
    known = np.flatnonzero(~np.isnat(times))
    micro = times[known].astype(np.int64)
    turns = np.zeros(len(times), dtype=np.int64)
    turns[known[1:][np.diff(micro) < -_HALF_A_DAY]] = 1
    days: NDArray[np.int64] = np.cumsum(turns)
    return days


def added(time: datetime, days: int) -> datetime:
    """Return a time some days later, by the wall clock."""
    return time + timedelta(days=days)
