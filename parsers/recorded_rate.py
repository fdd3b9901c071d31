"""A stay at a recorded firing rate begins where the rate is reached and ends where it is left."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from parsers.segments import Segment

Floats = NDArray[np.float64]

_AT_RATE = 0.75
"""A recorded rate this near [%] to that of the stay is the stay's: half a step of a whole percent,
and some play of the actuator. Common practice."""
_ON_THE_WAY = 0.25
"""Share of all moves of a recorded rate that several samples in turn must show [1].

On 80 simulated logs (seeds 31000 to 31079) percents show 0.29 and more, set points none.
"""
_BURNING = ("plateau", "ramp")
_FARTHEST = 45.0
"""No end of a stay is moved farther than a servo takes over most of its range [s]."""


def at_recorded_rates(segments: Sequence[Segment], times: Floats, rate: Floats) -> list[Segment]:
    """Return the segments with the ends of plateaus where their recorded rate begins and ends.

    What is cut off a plateau goes to a neighbour that is a ramp, and else becomes a ramp; a
    plateau grows only into ramps. A plateau whose recorded rate scatters keeps its ends.
    """
    out: list[Segment] = []
    read = np.isfinite(rate)
    t, y = times[read], rate[read]
    close = 3.0 * float(np.median(np.diff(times)))
    spans = {n: _span(s, t, y) for n, s in enumerate(segments) if s.kind == "plateau"}
    for n, s in enumerate(segments):
        start, end = s.start, s.end
        before = segments[n - 1] if n else None
        after = segments[n + 1] if n + 1 < len(segments) else None
        if n in spans:
            start, end = spans[n]
            if before is None or before.kind != "ramp":
                start = max(start, s.start)
            if after is None or after.kind != "ramp":
                end = min(end, s.end)
            if (before is None or before.kind not in _BURNING) and start - s.start <= close:
                start = s.start
            if (after is None or after.kind not in _BURNING) and s.end - end <= close:
                end = s.end
        if s.kind == "ramp":  # its ends are those of the stays about it
            start = spans[n - 1][1] if n - 1 in spans else start
            end = spans[n + 1][0] if n + 1 in spans else end
            if end <= start:
                continue
        gap_from = out[-1].end if out else segments[0].start
        if start > gap_from:
            out.append(Segment("ramp", gap_from, start, why="the recorded firing rate moves"))
        out.append(replace(s, start=max(start, gap_from), end=end))
    if out and out[-1].end < segments[-1].end:
        out.append(Segment("ramp", out[-1].end, segments[-1].end, why="the recorded rate moves"))
    return _without_empty(out)


def shows_the_way(rate: Floats) -> bool:
    """Return whether a recorded rate [%] shows the servo on its way between two rates.

    One that goes from rate to rate within a sample, as marks and set points do, tells what was
    wanted and not when the burner was there; one that stays tells neither.

    >>> shows_the_way(np.array([30.0, 30.0, 40.0, 50.0, 60.0, 60.0]))
    True
    >>> shows_the_way(np.array([30.0, 30.0, 60.0, 60.0, 60.0, 30.0]))
    False
    """
    moved = np.abs(np.diff(rate[np.isfinite(rate)]))
    moves = moved > _AT_RATE
    beside = np.zeros(len(moves), dtype=bool)
    beside[1:] |= moves[:-1]
    beside[:-1] |= moves[1:]
    return bool(moved[moves & beside].sum() > _ON_THE_WAY * moved[moves].sum())


def _span(s: Segment, times: Floats, rate: Floats) -> tuple[float, float]:
    """Return from when to when the rate of a plateau was recorded, its own ends where unsure."""
    low, high = np.searchsorted(times, (s.start, s.end))
    inside = rate[low:high]
    if len(inside) < 3:
        return s.start, s.end
    own = float(np.median(inside[len(inside) // 3 :]))
    near = np.abs(rate - own) <= _AT_RATE
    if near[low:high].mean() < 0.5 or not near[(low + high) // 2]:
        return s.start, s.end
    first, last = int((low + high) // 2), int((low + high) // 2)
    # Single wild samples of the rate are stepped over.
    while first > 0 and (near[first - 1] or (first > 1 and near[first - 2])):
        first -= 1
    while last + 1 < len(near) and (near[last + 1] or (last + 2 < len(near) and near[last + 2])):
        last += 1
    start, end = float(times[first]), float(times[last])
    return (
        start if abs(start - s.start) <= _FARTHEST else s.start,
        end if abs(end - s.end) <= _FARTHEST else s.end,
    )


def _without_empty(segments: Sequence[Segment]) -> list[Segment]:
    """Return the segments that last, ramps beside ramps as one."""
    out: list[Segment] = []
    for s in segments:
        if s.end <= s.start:
            continue
        if out and s.kind == "ramp" and out[-1].kind == "ramp":
            out[-1] = replace(out[-1], end=s.end)
        else:
            out.append(s)
    return out
