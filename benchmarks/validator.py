"""Judging many visits of 12 points with 5 earlier visits each, from memory.

Aims: 0.3 ms a visit in a batch that shares resolved limits, 1 ms for one visit alone. They are
printed, not held: absolute times belong to a machine. The fastest of many rounds counts, on the
processor's clock; the ratio to a floor of the same run is held.
"""

from __future__ import annotations

import json
import random
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial
from time import process_time
from typing import TypeVar

from ingest.earlier import EarlierVisit
from ingest.judgement import Case
from ingest.limits import resolve_limits
from ingest.models import Boiler, Visit
from ingest.validator import judge
from parsers.points import FiringPoint, PointKey, Settled

T = TypeVar("T")
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


def _all(case: Case) -> list[FiringPoint]:
    return [*case.points, *(p for e in case.history for p in e.points)]


def _new(case: Case) -> Case:
    """Return the case with earlier visits that nobody has worked anything out of yet."""
    return replace(case, history=[EarlierVisit(e.visit, e.points) for e in case.history])


def _unseen(case: Case) -> Case:
    """Return the case new, and with a boiler whose limits nobody has resolved yet."""
    limits = case.boiler.limits.model_copy()
    return replace(_new(case), boiler=case.boiler.model_copy(update={"limits": limits}))


def _best(work: Callable[[T], object], rounds: int, things: Callable[[], Sequence[T]]) -> float:
    """Return the milliseconds a thing of the fastest round: a busy neighbour only ever adds."""
    best = float("inf")
    for _ in range(rounds):
        made = things()
        started = process_time()
        for thing in made:
            work(thing)
        best = min(best, (process_time() - started) / len(made))
    return best * 1e3


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
    shown = [[{k: s.mean for k, s in p.values.items()} for p in _all(c)] for c in cases]
    by = partial(judge, limits=limits)
    batch = _best(by, 50, lambda: [_new(case) for case in cases])
    again = _best(by, 50, lambda: cases)
    floor = _best(json.dumps, 50, lambda: shown)
    single = _best(judge, 10, lambda: [_unseen(case) for case in cases])
    return [
        ("judging over writing the same points as JSON", batch / floor, 2.0, "times"),
        ("judging a visit of 12 points with 5 earlier ones, in a batch", batch, None, "ms"),
        ("the same, its earlier ones looked at before", again, None, "ms"),
        ("judging one such visit alone, its limits resolved too", single, None, "ms"),
    ]
