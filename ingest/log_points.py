"""Firing points of a visit where some of its readings came by a confirmed cut of a log.

The figures of such a point are those of the cut: taken from where each quantity had settled, with
their uncertainty. Other readings are grouped as they always are. Passes are counted over both.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime, timedelta

from ingest.store.cuts import KeptConfirmation
from parsers import FiringPoint, Phase, Reading, firing_points
from parsers.cut_points import points_of_cut
from parsers.segments import Segment

_ENOUGH = 3
"""Readings that a point keeps at least, settled or not: fewer show no drift."""


def points_of_log(
    segments: Sequence[Segment],
    phases: Mapping[float, Phase],
    readings: Sequence[Reading],
    *,
    started: datetime,
    fuel: str,
    burner: str,
) -> list[FiringPoint]:
    """Return the points of a cut log, each with the settled ones of the log's readings.

    Plateaus without a rate that may be judged, or without a phase, make none.
    """
    made = points_of_cut(
        segments, fuel=fuel, burner=burner, started=started, phases=phases, readings=readings
    )
    begun: set[int] = set()  # a sample on the boundary of two stays belongs to the first
    out = []
    for point in made:
        key = point.key
        mine = [
            replace(
                r, phase=key.phase, fuel=key.fuel, burner=key.burner, firing_rate=key.firing_rate
            )
            for r in _settled(point, segments, started)
            if id(r) not in begun
        ]
        begun.update(id(r) for r in point.readings)
        out.append(_with_readings(point, mine))
    return out


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


def _settled(
    point: FiringPoint, segments: Sequence[Segment], started: datetime
) -> Sequence[Reading]:
    """Return a point's readings from where its last quantity settled, stay by stay."""
    kept: list[Reading] = []
    for s in segments:
        if s.kind != "plateau":
            continue
        begin, end = started + timedelta(seconds=s.start), started + timedelta(seconds=s.end)
        inside = [r for r in point.readings if r.time is not None and begin <= r.time <= end]
        if not inside:
            continue
        since = started + timedelta(seconds=max(s.settled_from.values(), default=s.start))
        late = [r for r in inside if r.time is not None and r.time >= since]
        kept += late if len(late) >= _ENOUGH else inside
    return kept


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
