"""A person's corrections of a cut: moved boundaries, named rates, dropped stretches.

Corrections are data: they are recorded beside the log with who made them, and applied again to the
proposal whenever the cut is needed. The log itself is never touched.
"""

from __future__ import annotations

from collections.abc import Mapping, MutableMapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from parsers.plateaus import lags_of_cut, least_to_settle, with_figures
from parsers.segments import CutOptions, Segment

Floats = NDArray[np.float64]
Action = Literal["move", "rate", "drop", "split", "keep", "join"]


@dataclass(frozen=True, slots=True)
class Correction:
    """One correction; ``at`` [s] is a time inside the segment meant, or a boundary for ``move``.

    - ``move``: the boundary nearest ``at`` goes to ``to``;
    - ``split``: the segment around ``at`` becomes two there; ``join``: the boundary nearest goes;
    - ``rate``: the plateau around ``at`` was fired at ``rate`` percent (its basis: confirmed);
    - ``drop``: the plateau around ``at`` is no firing point; ``keep``: the stretch there is one.
    """

    action: Action
    at: float
    to: float | None = None
    rate: float | None = None
    by: str = ""
    why: str = ""


FiguresBySpan = MutableMapping[tuple[float, float], Segment]
"""Figures of stretches by their ends [s]; what else the segment says is of no account."""


class CorrectionError(ValueError):
    """A correction that does not fit the cut; the message says what would."""


def apply_corrections(
    segments: Sequence[Segment],
    corrections: Sequence[Correction],
    times: Floats,
    columns: Mapping[str, Floats],
    *,
    options: CutOptions | None = None,
    shown: tuple[Mapping[str, float], float] | None = None,
    figures: FiguresBySpan | None = None,
) -> list[Segment]:
    """Return the cut with corrections applied in order, and figures taken anew where ends moved.

    The lags, and the response time where the options state none, are those that the proposal's
    plateaus show: ``shown`` as :func:`parsers.plateaus.lags_of_cut` returns them, None to look.
    ``figures`` holds what was taken before of this log's stretches under the same options, and gets
    what is taken now.

    Raises
    ------
    CorrectionError
        If a time lies outside the log, a boundary would pass its neighbour, or a rate is missing.
    """
    out = list(segments)
    for c in corrections:
        out = _applied(out, c)
    arrays = {k: np.asarray(v, dtype=np.float64) for k, v in columns.items()}
    same = {(s.start, s.end) for s in segments if s.kind == "plateau"}
    if all((s.start, s.end) in same for s in out if s.kind == "plateau"):
        return out
    seconds, seen = lags_of_cut(segments, times, arrays) if shown is None else shown
    response = (options or CutOptions()).response_time or seen
    interval = float(np.median(np.diff(times))) if len(times) > 1 else 1.0
    least = least_to_settle(response, arrays)
    taken: FiguresBySpan = {} if figures is None else figures
    for n, s in enumerate(out):
        span = (s.start, s.end)
        if s.kind != "plateau" or span in same:
            continue
        found = taken.get(span)
        if found is None:
            found = taken[span] = with_figures(s, times, arrays, seconds, response, interval, least)
        out[n] = replace(
            s, values=found.values, settled_from=found.settled_from, spikes=found.spikes
        )
    return out


def _applied(segments: list[Segment], c: Correction) -> list[Segment]:
    out = list(segments)
    if c.action in ("move", "join"):
        n = _boundary(out, c.at)
        a, b = out[n], out[n + 1]
        if c.action == "join":
            keep = a if a.kind == "plateau" else b
            out[n : n + 2] = [replace(keep, start=a.start, end=b.end, why=_said(c))]
            return out
        if c.to is None or not a.start < c.to < b.end:
            raise CorrectionError(
                f"the boundary at {a.end:.0f} s can move between {a.start:.0f} and {b.end:.0f} s"
            )
        out[n], out[n + 1] = replace(a, end=c.to), replace(b, start=c.to)
        return out
    n = _around(out, c.at)
    here = out[n]
    if c.action == "rate":
        if c.rate is None or not 0.0 <= c.rate <= 110.0:
            raise CorrectionError("a firing rate from 0 to 110 percent is needed")
        if here.kind != "plateau":
            raise CorrectionError(f"at {c.at:.0f} s there is no plateau to name, but {here.kind}")
        out[n] = replace(here, firing_rate=c.rate, rate_basis="confirmed")
    elif c.action == "drop":
        out[n] = Segment("ramp", here.start, here.end, why=_said(c))
    elif c.action == "keep":
        out[n] = replace(here, kind="plateau", why=_said(c))
    else:
        if not here.start < c.at < here.end:
            raise CorrectionError("a stretch is split inside, not at its end")
        out[n : n + 1] = [replace(here, end=c.at), replace(here, start=c.at)]
    return out


def _said(c: Correction) -> str:
    return " ".join(("corrected", f"by {c.by}" if c.by else "by a person", c.why)).strip()


def _around(segments: Sequence[Segment], at: float) -> int:
    for n, s in enumerate(segments):
        if s.start <= at <= s.end:
            return n
    raise CorrectionError(f"{at:.0f} s lies outside the log")


def _boundary(segments: Sequence[Segment], at: float) -> int:
    if len(segments) < 2:
        raise CorrectionError("there is no boundary in this cut")
    return min(range(len(segments) - 1), key=lambda n: abs(segments[n].end - at))
