"""Stack temperature: against its limit, the vent, the water, and this boiler's earlier visits."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from math import hypot, sqrt

from ingest.earlier import ValueOf
from ingest.judgement import Source
from ingest.limits import Limit
from ingest.rules.against import above
from ingest.rules.history import Usual
from ingest.rules.model import Rule
from ingest.rules.point import Point
from ingest.rules.view import View, probability_above
from parsers.points import FiringPoint

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
VENT_HOT = Rule(
    key="vent_overheated",
    family="stack temperature",
    title="Flue gas too hot for the vent",
    meaning="The flue gas is hotter than the vent's material may carry.",
    formula="measured stack temperature against the vent system's limit; above it on plastic: stop",
    default="PVC 65 degC, CPVC 90 degC, polypropylene 110 degC; metal none",
    source="usual ratings of plastic vent materials; the vent's own listing decides",
    status="memory",
    causes="A fouled heat exchanger, return water too hot, over-firing, wrong vent material.",
    next_step="Shut the burner down; have the vent looked at for deformed joints and the cause put "
    "right, before anyone licensed for it restarts the boiler.",
    silent="When the vent's material is not stated and no limit is stated for it.",
    needs="stack_temperature as left, and the vent's material or limit",
    limits=("vent_temperature_max",),
    safety=True,
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


def stack_limit(view: View, rate: float) -> tuple[float, Source] | None:
    """Return the stated limit at a rate [degC] and its source, None where none is stated."""
    by_rate = view.limit("stack_temperature_by_rate")
    if by_rate is not None:
        rows = sorted((r.firing_rate, r.stack_temperature_max) for r in by_rate.value)
        return _linear(rows, rate), by_rate.source
    flat = view.limit("stack_temperature_max")
    return None if flat is None else (float(flat.value), flat.source)


def _linear(rows: list[tuple[float, float]], rate: float) -> float:
    if rate <= rows[0][0]:
        return rows[0][1]
    for (r0, t0), (r1, t1) in pairwise(rows):
        if rate <= r1:
            return t1 if r1 == r0 else t0 + (t1 - t0) * (rate - r0) / (r1 - r0)
    return rows[-1][1]


def judge(view: View) -> None:
    """Judge the stack temperature at every deciding point."""
    read = [(p, p.stack) for p in view.deciding if p.stack is not None]
    if not read:
        for rule in RULES:
            view.not_judged(rule, "no deciding point has a stack temperature")
        return
    vent = view.limit("vent_temperature_max")
    if vent is None:
        view.not_judged(VENT_HOT, f"the vent is {view.boiler.vent} and no limit is stated for it")
    stated = False
    for point, stack in read:
        if vent is not None:
            _against_vent(view, point, stack, vent)
        limit = stack_limit(view, point.rate)
        if limit is not None:
            stated = True
            above(
                view, STACK_HIGH, (point,), what="Stack temperature", value=stack,
                u=point.u("stack_temperature"), limit=limit[0], source=limit[1],
                quantity="stack_temperature", unit="degC",
            )  # fmt: skip
    if not stated:
        view.not_judged(STACK_HIGH, "no stack temperature limit is stated")
    _against_history(view, read)


def _against_vent(view: View, point: Point, stack: float, vent: Limit) -> None:
    u = point.u("stack_temperature")
    if stack >= vent.value and view.boiler.vent != "metal":
        view.flag(
            VENT_HOT,
            "stop",
            f"Flue gas is {stack:.0f} degC {point.at()}, at or above the "
            f"{vent.value:.0f} degC that the vent may carry.",
            points=(point,),
            quantity="stack_temperature",
            unit="degC",
            value=stack,
            u=u,
            high=vent.value,
            answer="beyond",
            probability=probability_above(stack, u, vent.value),
            source=vent.source,
        )
        return
    above(
        view, VENT_HOT, (point,), what="Flue gas in the vent", value=stack, u=u,
        limit=vent.value, source=vent.source, quantity="stack_temperature", unit="degC",
    )  # fmt: skip


_FLAME = 1800.0
"""Rough flame temperature [degC]: only the small correction for water and air rests on it."""


def _flame_over(water: float, air: float | None) -> float:
    """Return how far the flame is above the water [K]: it follows the air degree for degree."""
    return _FLAME + (20.0 if air is None else air) - water


def _share_over(water: str) -> ValueOf:
    """Return the stack over the water as a share of the flame over the water.

    That share belongs to a surface and a rate. Times today's flame over the water it is what the
    approach of an earlier visit would be today: about 0.05 K for one K of water or air.
    """

    def share(point: FiringPoint) -> float | None:
        values = point.values
        stack, ref = values.get("stack_temperature"), values.get(water)
        if stack is None or ref is None:
            return None
        air = values.get("combustion_air_temperature")
        drive = _flame_over(ref.mean, None if air is None else air.mean)
        return (stack.mean - ref.mean) / drive if drive > 0.0 else None

    return share


_SHARES = tuple(
    (water, _share_over(water))
    for water in ("return_water_temperature", "supply_water_temperature")
)


def _against_history(view: View, read: Sequence[tuple[Point, float]]) -> None:
    limit = view.limits.limits["approach_rise_max"]
    judged = False
    for point, stack in read:
        for water, share in _SHARES:
            ref = point.mean(water)
            usual = None if ref is None else view.past(point).usual(share)
            if ref is not None and usual is not None:
                judged = True
                today = _flame_over(ref, point.mean("combustion_air_temperature"))
                _risen(view, point, stack - ref, water, usual, today, limit)
                break
    if not judged:
        view.not_judged(
            STACK_APPROACH,
            f"{len(view.case.history)} earlier visits at hand; two with as-left stack and water "
            "temperature near a rate are wanted",
        )


def _risen(
    view: View, point: Point, now: float, water: str, earlier: Usual, today: float, limit: Limit
) -> None:
    usual = earlier.median * today
    rise = now - usual
    # The median of n visits is 1.25 times as uncertain as their mean.
    u_usual = 1.2533 * earlier.spread * abs(today) / sqrt(earlier.visits)
    u = hypot(point.u("stack_temperature"), point.u(water), u_usual)
    if limit.value - rise > view.clear * u:
        return
    p = probability_above(rise, u, limit.value)
    answer = view.answer(p)
    if answer is None:
        return
    beside = "more than" if answer == "beyond" else "too close to tell from"
    view.flag(
        STACK_APPROACH,
        "check" if answer == "beyond" else "info",
        f"Stack stands {now:.0f} K above the water {point.at()}, {rise:.0f} K more than the "
        f"median of {earlier.visits} earlier visits, {beside} the {limit.value:g} K allowed.",
        points=(point,),
        quantity="stack_approach",
        unit="K",
        value=now,
        u=u,
        high=usual + limit.value,
        answer=answer,
        probability=p,
        source=limit.source,
    )


RULES = (STACK_HIGH, VENT_HOT, STACK_APPROACH)
