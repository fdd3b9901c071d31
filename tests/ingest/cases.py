"""Small cases for the rules' tests: a boiler in order, changed one number at a time."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from ingest.earlier import EarlierVisit
from ingest.judgement import Case, Flag, Judgement
from ingest.models import Boiler, Visit
from ingest.validator import judge
from parsers.model import Bound, Phase, Reading
from parsers.points import FiringPoint, PointKey, Settled

RATES = (20.0, 60.0, 100.0)
HEALTHY: dict[str, float] = {
    "o2_dry": 4.5,
    "co2_dry": 9.3,
    "co_dry": 15.0,
    "stack_temperature": 150.0,
    "combustion_air_temperature": 22.0,
    "return_water_temperature": 65.0,
    "supply_water_temperature": 78.0,
    "flame_signal": 4.0,
}
UNITS = {"temperature": "degC", "pressure": "Pa", "power": "kW", "current": "uA", "length": "m"}
TARGETS = [
    {"firing_rate": 20, "o2_dry": {"low": 3.5, "aim": 4.5, "high": 5.5}},
    {"firing_rate": 100, "o2_dry": {"low": 3.5, "aim": 4.5, "high": 5.5}},
]


def point(
    rate: float = 100.0,
    phase: Phase = "as_left",
    *,
    pass_number: int = 1,
    fuel: str = "natural_gas",
    bounds: dict[str, Bound] | None = None,
    readings: Sequence[dict[str, float]] = (),
    **values: float | None,
) -> FiringPoint:
    """Return a healthy point with some values changed; None takes a value away."""
    # Two rates never read alike to the last digit: that has a rule of its own.
    own = {"co2_dry": 9.3 + 1e-5 * rate, "stack_temperature": 150.0 + 1e-4 * rate}
    whole: dict[str, float] = {
        k: v for k, v in {**HEALTHY, **own, **values}.items() if v is not None
    }
    return FiringPoint(
        PointKey("1", fuel, phase, rate, pass_number),
        {k: Settled(v, count=max(1, len(readings))) for k, v in whole.items()},
        max(1, len(readings)),
        bounds=bounds or {},
        readings=tuple(Reading(values=r) for r in readings),
    )


def points(phase: Phase = "as_left", **values: float | None) -> list[FiringPoint]:
    """Return a healthy pass over all rates; the values hold at every rate."""
    return [point(r, phase, **values) for r in RATES]


def boiler(*, limits: dict[str, Any] | None = None, **keys: Any) -> Boiler:
    """Return a natural-gas boiler with a target curve."""
    stated = {"targets": TARGETS, **(limits or {})}
    return Boiler.model_validate({"units": UNITS, "limits": stated, **keys})


def visit(**keys: Any) -> Visit:
    """Return a visit by its document."""
    return Visit.model_validate({"units": UNITS, **keys})


def judged(
    at: Sequence[FiringPoint] | None = None,
    *,
    of: Boiler | None = None,
    during: Visit | None = None,
    before: Sequence[Sequence[FiringPoint]] = (),
) -> Judgement:
    """Return the judgement of a small case."""
    return judge(
        Case(
            boiler=of or boiler(),
            visit=during or visit(),
            points=points() if at is None else at,
            history=[EarlierVisit(visit(external_id=f"e{i}"), p) for i, p in enumerate(before)],
        )
    )


def flag(judgement: Judgement, rule: str) -> Flag | None:
    """Return the finding of a rule, None where it stands on none."""
    return next((f for f in judgement.flags if f.rule == rule), None)


def severity(judgement: Judgement, rule: str) -> str | None:
    """Return the severity of the finding that names the rule, itself or among its effects."""
    for found in judgement.flags:
        if rule == found.rule or any(e.startswith(rule + ":") for e in found.effects):
            return found.severity
    return None


def not_judged(judgement: Judgement) -> set[str]:
    """Return the rules that lacked their input."""
    return {n.rule for n in judgement.not_judged}
