"""Firing points of a visit where some of its readings came by a confirmed cut of a log.

The figures of such a point are those of the cut: taken from where each quantity had settled, with
their uncertainty. Other readings are grouped as they always are. Passes are counted over both.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from ingest.store.cuts import KeptConfirmation
from parsers import FiringPoint, Phase, Reading, firing_points
from parsers.cut_points import Floats, points_of_cut
from parsers.segments import Segment
from parsers.table import bounded

MOST_READINGS = 300
"""Readings that a point of a log keeps at most: they show what drifted. Its figures rest on all."""
MOST_OF_A_LOG = 10_000
"""Readings of all points of one log together: every look at the visit reads them."""
FEWEST = 30
_ENOUGH = 3
"""Readings that a point keeps at least, settled or not: fewer show no drift."""


def points_of_log(
    segments: Sequence[Segment],
    phases: Mapping[float, Phase],
    readings: Sequence[Reading],
    *,
    times: Floats,
    columns: Mapping[str, Floats],
    started: datetime,
    fuel: str,
    burner: str,
) -> list[FiringPoint]:
    """Return the points of a cut log, each with some of the log's readings from where it settled.

    The figures are those of the cut, made of every sample. Of its readings a point keeps
    ``MOST_READINGS`` at most, fewer where a log has very many points, evenly over the stay, the
    highest and lowest of each quantity and the first beyond a range among them. Plateaus without
    a rate that may be judged, or without a phase, make no point.

    Parameters
    ----------
    readings, times, columns
        As :func:`parsers.cut_points.log_of_readings` gives them, all in order of time.
    """
    made = points_of_cut(segments, fuel=fuel, burner=burner, started=started, phases=phases)
    beyond = np.array(bounded(readings), dtype=np.int64)
    most = min(MOST_READINGS, max(FEWEST, MOST_OF_A_LOG // max(len(made), 1)))
    begun = 0  # a sample on the boundary of two stays belongs to the first
    out = []
    for point in made:
        key = point.key
        stays = [s for s in segments if s.kind == "plateau" and _within(s, point, started)]
        rows: dict[int, None] = {}
        for s in stays:
            low, end = _rows(times, max(s.start, 0.0), s.end)
            low = max(low, begun)
            late = max(low, _rows(times, max(s.settled_from.values(), default=s.start), s.end)[0])
            begun = max(begun, end)
            if end > low:
                rows |= dict.fromkeys(range(late if end - late >= _ENOUGH else low, end))
        kept = thinned(np.fromiter(rows, np.int64, len(rows)), columns, beyond, most)
        mine = [
            replace(
                readings[n],
                phase=key.phase,
                fuel=key.fuel,
                burner=key.burner,
                firing_rate=key.firing_rate,
            )
            for n in kept.tolist()
        ]
        out.append(_with_readings(point, mine))
    return out


def _rows(times: Floats, start: float, end: float) -> tuple[int, int]:
    """Return the first row of a span and the one after its last, to half a microsecond."""
    low = int(np.searchsorted(times, start - 5e-7, side="left"))
    return low, int(np.searchsorted(times, end + 5e-7, side="right"))


def _within(segment: Segment, point: FiringPoint, started: datetime) -> bool:
    begin, end = (started + timedelta(seconds=at) for at in (segment.start, segment.end))
    return (
        point.started is not None
        and point.ended is not None
        and point.started <= begin
        and end <= point.ended
    )


def thinned(
    rows: NDArray[np.int64],
    columns: Mapping[str, Floats],
    beyond: NDArray[np.int64],
    most: int = MOST_READINGS,
) -> NDArray[np.int64]:
    """Return which rows of a stay a point keeps, in order: all of them where they are few.

    Parameters
    ----------
    rows : array
        Rows of the stay in ``columns``, rising.
    beyond : array
        Rows with a value beyond the instrument's range; the first of them in the stay is kept.
    most : int
        How many are kept at most.
    """
    if len(rows) <= most:
        return rows
    extremes = []
    for column in columns.values():
        here = column[rows]
        if np.isfinite(here).any():
            extremes += [rows[int(np.nanargmin(here))], rows[int(np.nanargmax(here))]]
    extremes += np.intersect1d(rows, beyond)[:1].tolist()
    even = max(most - len(set(extremes)), 2)
    at = np.linspace(0, len(rows) - 1, even).round().astype(np.int64)
    return np.unique([*rows[at], *extremes])


def points_in_force(
    confirmation: KeptConfirmation, readings: Sequence[Reading]
) -> list[FiringPoint]:
    """Return the points of a confirmed cut with the readings that the book keeps for them."""
    if not readings:
        return []
    made = points_of_cut(
        confirmation.segments,
        fuel=readings[0].fuel or "natural_gas",
        burner=readings[0].burner or "1",
        started=confirmation.started,
        phases=confirmation.phases,
        readings=readings,
    )
    return [
        _with_readings(
            p,
            [
                r
                for r in p.readings
                if r.phase == p.key.phase and r.firing_rate == p.key.firing_rate
            ],
        )
        for p in made
    ]


def _with_readings(point: FiringPoint, readings: Sequence[Reading]) -> FiringPoint:
    """Return a point with its readings, and what they say beside numbers: bounds and reasons."""
    if not readings:
        return replace(point, readings=(), lines=())
    plain = firing_points(readings)[0]
    return replace(
        point,
        readings=tuple(readings),
        lines=plain.lines,
        bounds=plain.bounds,
        missing={k: why for k, why in plain.missing.items() if k not in point.values},
        references=plain.references,
    )


def counted(points: Sequence[FiringPoint]) -> list[FiringPoint]:
    """Return points of several sources in order of time, with their passes counted anew."""
    ordered = list(points)
    timed = [(p.started, p) for p in points if p.started is not None]
    if len(timed) == len(ordered) and len({t.tzinfo is None for t, _ in timed}) == 1:
        ordered = [p for _, p in sorted(timed, key=lambda pair: pair[0])]
    passes: dict[tuple[str, str, str, float], int] = {}
    out = []
    for point in ordered:
        k = point.key
        same = (k.burner, k.fuel, k.phase, k.firing_rate)
        number = passes[same] = passes.get(same, 0) + 1
        out.append(replace(point, key=replace(k, pass_number=number)))
    return out
