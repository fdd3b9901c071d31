"""The traces of a log's chart: what is drawn of many samples, and over which scale."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from api.chart_scale import round_steps

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Level:
    """A settled mean, drawn from where the quantity had settled; ``role`` as on curve sheets.

    ``spread`` is its expanded uncertainty, ``row`` the id of what the page's table says of it.
    """

    since: float
    end: float
    value: float
    role: str
    spread: float = 0.0
    row: str = ""


@dataclass(frozen=True, slots=True)
class Trace:
    """One quantity over time in the unit shown."""

    key: str
    label: str
    unit: str
    decimals: int
    values: Floats
    levels: Sequence[Level] = ()


def thinned(times: Floats, values: Floats, columns: int) -> list[list[tuple[float, float]]]:
    """Return a trace as runs of points, lowest and highest of each pixel column kept.

    >>> thinned(np.array([0.0, 1.0, 2.0]), np.array([1.0, np.nan, 3.0]), 100)
    [[(0.0, 1.0)], [(2.0, 3.0)]]
    """
    span = max(float(times[-1] - times[0]), 1e-9)
    runs: list[list[tuple[float, float]]] = []
    if len(times) <= 2 * columns:
        picked = np.arange(len(times))
    else:
        column = np.minimum(((times - times[0]) / span * columns).astype(int), columns - 1)
        edges = np.flatnonzero(np.diff(column)) + 1
        chosen: list[int] = []
        for first, last in zip([0, *edges], [*edges, len(times)], strict=True):
            part = values[first:last]
            good = np.flatnonzero(np.isfinite(part))
            if not len(good):
                chosen.append(int(first))  # a gap stays a gap
                continue
            ends = {int(good[np.argmin(part[good])]), int(good[np.argmax(part[good])])}
            chosen += sorted(int(first) + n for n in ends)
        picked = np.array(chosen)
    run: list[tuple[float, float]] = []
    for n in picked:
        if math.isfinite(values[n]):
            run.append((float(times[n]), float(values[n])))
        elif run:
            runs.append(run)
            run = []
    return [*runs, run] if run else runs


def scale_steps(trace: Trace, times: Floats, stays: Sequence[tuple[float, float]]) -> list[float]:
    """Return the steps of a pane's scale: what the firing points need, not the O2 of fresh air.

    ``stays`` are the firing points' spans, for a quantity without settled means.
    """
    inside = np.zeros(len(times), dtype=bool)
    for begin, end in [(v.since, v.end) for v in trace.levels] or stays:
        low, high = np.searchsorted(times, begin), np.searchsorted(times, end, side="right")
        inside[low:high] = True
    finite = np.isfinite(trace.values)
    values = trace.values[inside & finite]
    if len(values) < 10:
        values = trace.values[finite]
    if not len(values):
        return [0.0, 1.0]
    least, most = (float(v) for v in np.percentile(values, (2.0, 98.0)))
    pad = 0.25 * (most - least)
    least, most = least - pad, most + pad
    if trace.key.startswith("co_"):
        least = 0.0
        most = max(most, 20.0)
    return round_steps(max(least, 0.0) if trace.key != "stack_draft" else least, most, 3)
