"""Stack temperature: against its limit, the vent, the water, and this boiler's earlier visits."""

from __future__ import annotations

from itertools import pairwise
from math import hypot

from ingest.rules.history import earlier_approaches, median
from ingest.rules.model import Rule
from ingest.rules.view import Point, View, probability_above

STACK_HIGH = Rule(
    key="stack_temperature_high",
    family="stack temperature",
    title="Stack temperature above its limit",
    meaning="More heat leaves with the flue gas than this boiler's limit allows.",
    formula="stack temperature against the stated limit, interpolated over firing rate",
    default="none: only where a limit is stated",
    source="stated for the boiler, its model or the company",
    status="stated",
    causes="Soot or scale on the heat exchanger, over-firing, baffles missing, water flow too low.",
    next_step="Check the input at the meter, then inspect and clean the heat exchanger.",
    silent="When no limit is stated or the stack temperature was not read.",
    needs="stack_temperature as left, and a stated limit",
    limits=("stack_temperature_max", "stack_temperature_by_rate"),
)
STACK_APPROACH = Rule(
    key="stack_approach_high",
    family="stack temperature",
    title="Stack further above the water than in earlier visits",
    meaning="The approach of the flue gas to the water has grown: a sign of fouling.",
    formula="stack less return water (or supply water), less the median of the same at the same "
    "rate over earlier as-left visits",
    default="12 K, condensing 7 K, over at least two earlier visits",
    source="stack over water against earlier visits",
    status="common practice",
    causes="Soot on the gas side, scale on the water side, a baffle out of place, over-firing, a "
    "low water flow.",
    next_step="Check input and water flow; then open, inspect and clean the heat exchanger.",
    silent="With fewer than two earlier as-left visits near this rate, or without water readings.",
    needs="stack and water temperature as left, now and in at least two earlier visits",
    limits=("approach_rise_max",),
)


def stack_limit(view: View, rate: float) -> tuple[float, str] | None:
    """Return the stated limit at a rate [degC] and the limit's key, None where none is stated."""
    by_rate = view.limit("stack_temperature_by_rate")
    if by_rate is not None:
        rows = sorted((r.firing_rate, r.stack_temperature_max) for r in by_rate.value)
        return _linear(rows, rate), "stack_temperature_by_rate"
    flat = view.limit("stack_temperature_max")
    return None if flat is None else (float(flat.value), "stack_temperature_max")


def _linear(rows: list[tuple[float, float]], rate: float) -> float:
    if rate <= rows[0][0]:
        return rows[0][1]
    for (r0, t0), (r1, t1) in pairwise(rows):
        if rate <= r1:
            return t1 if r1 == r0 else t0 + (t1 - t0) * (rate - r0) / (r1 - r0)
    return rows[-1][1]


def judge(view: View) -> None:
    """Judge the stack temperature at every deciding point."""
    read = [p for p in view.deciding if p.stack is not None]
    if not read:
        view.not_judged(STACK_HIGH, "no deciding point has a stack temperature")
        view.not_judged(STACK_APPROACH, "no deciding point has a stack temperature")
        return
    for point in read:
        _against_limit(view, point)
    _against_history(view, read)


def _against_limit(view: View, point: Point) -> None:
    limit = stack_limit(view, point.rate)
    if limit is None or point.stack is None:
        view.not_judged(STACK_HIGH, "no stack temperature limit is stated")
        return
    high, key = limit
    u = point.u("stack_temperature")
    p = probability_above(point.stack, u, high)
    answer = view.answer(p)
    if answer is None:
        return
    beside = "above" if answer == "beyond" else "too close to tell from"
    stated = view.limits.limits[key]
    view.flag(
        STACK_HIGH,
        "fix" if answer == "beyond" else "info",
        f"Stack temperature is {point.stack:.0f} degC {point.at()}, {beside} its limit of "
        f"{high:.0f} degC.",
        points=(point,),
        quantity="stack_temperature",
        unit="degC",
        value=point.stack,
        u=u,
        high=high,
        answer=answer,
        probability=p,
        source=stated.source,
    )


def approach(point: Point) -> tuple[float, str] | None:
    """Return stack less water [K] and which water, None where either is missing."""
    if point.stack is None:
        return None
    for water in ("return_water_temperature", "supply_water_temperature"):
        value = point.mean(water)
        if value is not None:
            return point.stack - value, water
    return None


def _against_history(view: View, points: list[Point]) -> None:
    limit = view.limits.limits["approach_rise_max"]
    judged = False
    for point in points:
        now = approach(point)
        if now is None:
            continue
        earlier = earlier_approaches(view, point, now[1])
        if len(earlier) < 2:
            continue
        judged = True
        usual = median(earlier)
        rise = now[0] - usual
        u = hypot(point.u("stack_temperature"), point.u(now[1]))
        p = probability_above(rise, u, limit.value)
        answer = view.answer(p)
        if answer is None:
            continue
        beside = "more than" if answer == "beyond" else "too close to tell from"
        view.flag(
            STACK_APPROACH,
            "check" if answer == "beyond" else "info",
            f"Stack stands {now[0]:.0f} K above the water {point.at()}, {rise:.0f} K more than the "
            f"median of {len(earlier)} earlier visits, {beside} the {limit.value:g} K allowed.",
            points=(point,),
            quantity="stack_approach",
            unit="K",
            value=now[0],
            u=u,
            high=usual + limit.value,
            answer=answer,
            probability=p,
            source=limit.source,
        )
    if not judged:
        view.not_judged(
            STACK_APPROACH, "fewer than two earlier as-left visits have stack and water near a rate"
        )


RULES = (STACK_HIGH, STACK_APPROACH)
