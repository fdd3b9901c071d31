"""Judging many visits of 12 points with 5 earlier visits each, from memory.

Aims: 0.3 ms a visit in a batch that shares resolved limits, 1 ms for one visit alone. They are
printed, not held: absolute times belong to a machine. Time on the processor is counted, so that a
busy neighbour does not enter.
"""

from __future__ import annotations

import random
from time import process_time

from ingest.judgement import Case, EarlierVisit
from ingest.limits import resolve_limits
from ingest.models import Boiler, Visit
from ingest.validator import judge
from parsers.points import FiringPoint, PointKey, Settled

RATES = (20.0, 40.0, 55.0, 70.0, 85.0, 100.0)


def _point(rng: random.Random, phase: str, rate: float) -> FiringPoint:
    values = {
        "o2_dry": 4.5 + rng.uniform(-0.2, 0.2),
        "co2_dry": 9.3 + rng.uniform(-0.1, 0.1),
        "co_dry": rng.uniform(5, 30),
        "stack_temperature": 120 + 0.6 * rate + rng.uniform(-1, 1),
        "combustion_air_temperature": 20.0 + rng.uniform(-1, 1),
        "return_water_temperature": 65.0 + rng.uniform(-1, 1),
        "supply_water_temperature": 78.0 + rng.uniform(-1, 1),
        "flame_signal": 4.0 + rng.uniform(-0.5, 0.5),
        "nox_dry": 40.0 + rng.uniform(-3, 3),
    }
    return FiringPoint(
        PointKey("1", "natural_gas", phase, rate),  # type: ignore[arg-type]
        {k: Settled(v) for k, v in values.items()},
        1,
    )


def _case(rng: random.Random, boiler: Boiler) -> Case:
    def points() -> list[FiringPoint]:
        return [_point(rng, p, r) for p in ("as_found", "as_left") for r in RATES]

    return Case(boiler, Visit(), points(), [EarlierVisit(Visit(), points()) for _ in range(5)])


def run() -> list[tuple[str, float, float | None, str]]:
    """Return milliseconds a visit, in a batch and one at a time."""
    rng = random.Random(4)
    targets = [
        {"firing_rate": r, "o2_dry": {"low": 3.3, "aim": 4.5, "high": 5.7}} for r in (20.0, 100.0)
    ]
    boiler = Boiler.model_validate(
        {
            "units": {"temperature": "degC"},
            "limits": {"targets": targets, "stack_temperature_max": 220},
        }
    )
    cases = [_case(rng, boiler) for _ in range(200)]
    limits = resolve_limits(boiler)
    judge(cases[0], limits=limits)
    started = process_time()
    rounds = 50
    for _ in range(rounds):
        for case in cases:
            judge(case, limits=limits)
    batch = (process_time() - started) / (rounds * len(cases)) * 1e3
    started = process_time()
    for case in cases:
        judge(case)
    single = (process_time() - started) / len(cases) * 1e3
    return [
        ("judging 10,000 visits of 12 points, 5 earlier ones, a visit", batch, None, "ms"),
        ("judging one visit, its limits resolved too", single, None, "ms"),
    ]
