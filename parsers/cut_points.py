"""From a cut log to firing points: what rules judge, with the basis of each rate.

A plateau whose rate is unknown or only proposed makes no point. Two plateaus of one rate with
nothing but fresh air in the probe between them are one point; a return after another rate is a new
pass. As found and as left are told apart by an adjustment that the log shows, otherwise not at all.
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from typing import TypeGuard

import numpy as np
from numpy.typing import NDArray

from parsers.alike import fits, wall_clock
from parsers.clock_change import offsets_of
from parsers.model import Phase, Reading, ReadWarning
from parsers.points import FiringPoint, PointKey, Settled
from parsers.segments import NO_SAMPLE, Segment
from parsers.table import Placed, TabledReadings

Floats = NDArray[np.float64]
JUDGED_BASES = ("file", "two_signals", "confirmed")
_SAME_RATE = 1.0
_ADJUSTED_O2 = 0.3
"""A change of O2 [% dry] at one rate that is an adjustment and no scatter. Common practice."""


def log_of_readings(
    readings: Sequence[Reading],
) -> tuple[datetime | None, Floats, dict[str, Floats], Sequence[Reading]]:
    """Return (start, seconds since, columns, readings in that order) of readings that have a time.

    Readings without a time are left out, for they have no place on a chart. Those of a long log
    stay columns: none of them is made here.
    """
    if isinstance(readings, TabledReadings) and _by_column(readings):
        found = _log_of_columns(readings)
        if found is not None:
            return found
    # Two clocks of one zone are compared by their hands: over a clock change only UTC is right.
    placed = [(_instant(r.time), r) for r in _told_twice(list(readings)) if r.time is not None]
    if not placed:
        return None, np.zeros(0), {}, []
    placed.sort(key=lambda pair: pair[0])
    begun, first = placed[0][0], _begin(placed[0][1].time, placed[-1][1].time)
    times = np.array([(t - begun).total_seconds() for t, _ in placed])
    timed = [r for _, r in placed]
    keys = dict.fromkeys(k for r in timed for k in r.values)
    columns = {k: np.array([r.values.get(k, math.nan) for r in timed]) for k in keys}
    if "firing_rate" not in columns and any(r.firing_rate is not None for r in timed):
        columns["firing_rate"] = np.array(
            [math.nan if r.firing_rate is None else r.firing_rate for r in timed]
        )
    return first, times, columns, timed


def _instant(time: datetime) -> datetime:
    return time if time.tzinfo is None else time.astimezone(UTC)


def _begin(first: datetime | None, last: datetime | None) -> datetime | None:
    """Return the start of a log; over a clock change with the offset that it began with."""
    if first is None or last is None or (first.utcoffset() == last.utcoffset() and not first.fold):
        return first
    return first.replace(tzinfo=timezone(first.utcoffset() or timedelta(0)), fold=0)


def _moves(zone: tzinfo | None) -> TypeGuard[tzinfo]:
    """Return whether a zone's clock may be put forward or back: a fixed offset's never is."""
    return zone is not None and not isinstance(zone, timezone)


def _told_twice(readings: Sequence[Reading]) -> Sequence[Reading]:
    """Return readings with the second of two hours marked, where one zone's clock was put back."""
    known = [n for n, r in enumerate(readings) if r.time is not None]
    zones = {r.time.tzinfo for r in readings if r.time is not None}
    zone = zones.pop() if len(zones) == 1 else None
    if not _moves(zone):
        return readings
    walls = np.array([wall_clock(readings[n].time) for n in known], dtype=np.int64)
    found = offsets_of(walls, zone)
    if found is None or not found[1].any():
        return readings
    out = list(readings)
    for n in np.array(known)[found[1]].tolist():
        time = out[n].time
        if time is not None:
            out[n] = replace(out[n], time=time.replace(fold=1))
    return out


def why_no_log(warnings: Sequence[ReadWarning]) -> tuple[str, bool]:
    """Return why readings without times have none, and whether stating a start would help."""
    codes = {w.code for w in warnings}
    if "elapsed_without_start" in codes:
        return "its times count from a start that it does not state", True
    if "time_without_date" in codes:
        return "its times of day have no date", True
    return "its readings carry no times of day", False


def burners_of(readings: Sequence[Reading]) -> list[str]:
    """Return the burners that readings name, in the order of their names."""
    if isinstance(readings, (TabledReadings, Placed)):
        return sorted(readings.burners())
    return sorted({r.burner for r in readings if r.burner})


def _by_column(readings: TabledReadings) -> bool:
    """Return whether the columns hold all that the readings say of numbers and times.

    One zone, so that its wall clock orders them, and no reading held whole that says more.
    """
    table = readings.table
    return table.times is not None and all(
        fits(r.time, table.zone)
        and r.values.keys() <= table.values.keys()
        and (r.firing_rate is None or "firing_rate" in table.values)
        for r in readings.odd.values()
    )


def _log_of_columns(
    readings: TabledReadings,
) -> tuple[datetime | None, Floats, dict[str, Floats], Sequence[Reading]] | None:
    """Return a log by its columns, None where its clock was put back and each row is looked at."""
    walls = readings.table.times
    if walls is None:
        return None, np.zeros(0), {}, []
    rows = np.flatnonzero(~np.isnat(walls))
    micro = walls[rows].astype(np.int64)
    zone = readings.table.zone
    changed = offsets_of(micro, zone) if _moves(zone) else None
    if changed is not None:
        if changed[1].any():
            return None
        micro = micro - changed[0]
    if np.any(np.diff(micro) < 0):
        order = np.argsort(micro, kind="stable")
        rows, micro = rows[order], micro[order]
    if not len(rows):
        return None, np.zeros(0), {}, []
    timed = Placed(readings, rows)
    whole = len(rows) == len(walls) and bool(np.all(np.diff(rows) == 1))
    found = {k: v if whole else v[rows] for k, v in readings.table.values.items()}
    held = {k: np.isfinite(v) for k, v in found.items()}
    first_seen = {k: int(np.argmax(here)) for k, here in held.items() if here.any()}
    columns = {k: found[k] for k in sorted(first_seen, key=lambda k: first_seen[k])}
    return _begin(timed[0].time, timed[-1].time), (micro - micro[0]) / 1e6, columns, timed


def undecided(segments: Sequence[Segment]) -> list[Segment]:
    """Return the plateaus that wait for a person to name or confirm their firing rate."""
    return [s for s in segments if s.kind == "plateau" and s.rate_basis not in JUDGED_BASES]


def proposed_phases(segments: Sequence[Segment]) -> dict[float, Phase]:
    """Return the phase of each plateau by its start, empty where the log does not show it.

    An adjustment shows as one rate with another O2: directly after itself, or on return. Plateaus
    before the first are as found, those after the last as left, those surely between are trial; a
    plateau that may lie on either side has no phase, and has to be asked for.
    """
    plateaus = [s for s in segments if s.kind == "plateau" and s.firing_rate is not None]
    changes: list[tuple[float, float]] = []
    for n, later in enumerate(plateaus):
        for earlier in reversed(plateaus[:n]):
            if abs((earlier.firing_rate or 0) - (later.firing_rate or 0)) > _SAME_RATE:
                continue
            before, after = earlier.values.get("o2_dry"), later.values.get("o2_dry")
            if before is None or after is None:
                break
            unsure = 3 * math.hypot(before.u_mean or 0.0, after.u_mean or 0.0)
            if abs(before.mean - after.mean) > max(_ADJUSTED_O2, unsure):
                changes.append((earlier.end, later.start))
            break
    if not changes:
        return {}
    # Each pair brackets an adjustment. The first one lies before the earliest right end, the last
    # one after the latest left end; what the brackets leave open stays without a phase.
    earliest, latest = min(b for _, b in changes), max(a for a, _ in changes)
    before_first = max(a for a, _ in changes if a <= earliest)
    after_last = min(b for _, b in changes if b >= latest)
    out: dict[float, Phase] = {}
    for s in plateaus:
        if s.end <= before_first:
            out[s.start] = "as_found"
        elif s.start >= after_last:
            out[s.start] = "as_left"
        elif s.start >= earliest and s.end <= latest:
            out[s.start] = "trial"
    return out


def points_of_cut(
    segments: Sequence[Segment],
    *,
    fuel: str,
    burner: str = "1",
    started: datetime | None = None,
    phase: Phase | None = None,
    phases: Mapping[float, Phase] | None = None,
    readings: Sequence[Reading] = (),
) -> list[FiringPoint]:
    """Return firing points of the plateaus whose rate may be judged.

    Parameters
    ----------
    segments : sequence of Segment
        A cut log, corrected where a person did.
    started : datetime, optional
        Time of the log's second 0.
    phase, phases
        One phase for all plateaus without their own in ``phases`` (by the plateau's start). A
        plateau with neither makes no point: whether it is as found or as left has to be asked.
    readings : sequence of Reading
        The log's readings, to be kept with their points; those of a plateau's span.
    """
    groups: list[list[Segment]] = []
    passes: dict[tuple[Phase, float], int] = {}
    keys: list[PointKey] = []
    last_plateau: Segment | None = None
    for s in segments:
        if s.kind != "plateau":
            if s.kind not in ("air", "ramp") or s.why == NO_SAMPLE:
                last_plateau = None
            continue
        told = (phases or {}).get(s.start, phase)
        if s.firing_rate is None or s.rate_basis not in JUDGED_BASES or told is None:
            last_plateau = None
            continue
        rate = _listed(s.firing_rate, [k.firing_rate for k in keys])
        same = last_plateau is not None and keys and keys[-1].firing_rate == rate
        if same and keys[-1].phase == told:
            groups[-1].append(s)
        else:
            number = passes[told, rate] = passes.get((told, rate), 0) + 1
            keys.append(PointKey(burner, fuel, told, rate, number))
            groups.append([s])
        last_plateau = s
    timed = sorted(((r.time, r) for r in readings if r.time is not None), key=lambda pair: pair[0])
    return [_point(k, g, started, timed) for k, g in zip(keys, groups, strict=True)]


def _listed(rate: float, known: Sequence[float]) -> float:
    """Return the rate as first seen, so that 49.8 and 50 percent are one rate."""
    near = [k for k in known if abs(k - rate) <= _SAME_RATE]
    return min(near, key=lambda k: abs(k - rate)) if near else rate


def _point(
    key: PointKey,
    group: Sequence[Segment],
    started: datetime | None,
    timed: Sequence[tuple[datetime, Reading]],
) -> FiringPoint:
    start, end = group[0].start, group[-1].end
    quantities = dict.fromkeys(q for s in group for q in s.values)
    inside: tuple[Reading, ...] = ()
    begin = finish = None
    if started is not None:
        begin, finish = started + timedelta(seconds=start), started + timedelta(seconds=end)
        places: dict[int, None] = {}  # two stays may share the sample on their boundary
        for s in group:
            since, until = (started + timedelta(seconds=at) for at in (s.start, s.end))
            low = bisect_left(timed, since, key=lambda pair: pair[0])
            places |= dict.fromkeys(
                range(low, bisect_right(timed, until, low, key=lambda pair: pair[0]))
            )
        inside = tuple(timed[n][1] for n in places)
    values = {q: _pooled([s.values[q] for s in group if q in s.values]) for q in quantities}
    return FiringPoint(
        key=key,
        values=values,
        count=max((v.count for v in values.values()), default=0),
        started=begin,
        ended=finish,
        lines=tuple(sorted({n for r in inside for n in r.lines})),
        readings=inside,
        rate_basis=group[0].rate_basis or "stated",
    )


def _pooled(figures: Sequence[Settled]) -> Settled:
    """Return one figure of several of one point: settled ones alone, weighted by their count."""
    taken = [f for f in figures if f.settled] or list(figures)
    if len(taken) == 1:
        return taken[0]
    total = sum(f.count for f in taken)
    mean = sum(f.mean * f.count for f in taken) / total
    within = sum(f.spread**2 * (f.count - 1) + f.count * (f.mean - mean) ** 2 for f in taken)
    u_mean = math.sqrt(sum(((f.u_mean or 0.0) * f.count / total) ** 2 for f in taken))
    spread = math.sqrt(within / max(total - 1, 1))
    drift = max((f.drift or 0.0 for f in taken), key=abs)
    return Settled(mean, spread, total, drift, u_mean, all(f.settled for f in taken))
