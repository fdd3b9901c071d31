"""Condensation: where it must not be, and where it should be seen."""

from __future__ import annotations

from combustion.water import dew_point_kernel
from ingest.fuel_facts import FuelFacts, facts
from ingest.rules.against import below
from ingest.rules.model import Rule
from ingest.rules.point import Point
from ingest.rules.view import HIGHEST_AIR_PRESSURE, View, probability_above

_FAMILY = "condensation"
BELOW_DEW_POINT = Rule(
    key="stack_below_dew_point",
    family=_FAMILY,
    title="Flue gas below its dew point in a unit that must not condense",
    meaning="Water condenses in a heat exchanger or vent that acid condensate destroys.",
    formula="stack temperature below the water dew point of the fuel's flue gas at the read O2 and "
    "the local pressure, combustion air taken dry",
    default="computed from the fuel",
    source="water balance of the fuel; saturation line held to IAPWS",
    status="common practice",
    causes="Return water too cold, firing below the lowest rate, low load, a wrong boiler.",
    next_step="Raise the return water temperature or the lowest firing rate by the boiler's "
    "instructions; look for corrosion in boiler and vent.",
    silent="For condensing boilers, and when stack, O2 or the fuel is not known.",
    needs="stack_temperature, o2_dry and a known fuel, for a boiler that must not condense",
)
RETURN_COLD = Rule(
    key="return_water_low",
    family=_FAMILY,
    title="Return water below its minimum",
    meaning="Return water this cold makes flue gas condense on the heat exchanger.",
    formula="return water against the minimum of a boiler that must not condense",
    default="54.4 degC (130 degF) for gas, 48.9 degC (120 degF) for oil; at the default a check",
    source="natural-gas flue gas condenses below roughly 130 degF of return water",
    status="quoted",
    causes="No or a stuck mixing valve, oversized pump, cold start, low-temperature circuits.",
    next_step="Wait for warm water and repeat; if it stays cold, look at return mixing.",
    silent="For condensing and steam boilers, and when return water was not read.",
    needs="return_water_temperature, for a hot-water boiler that must not condense",
    limits=("return_water_min",),
)
CONDENSATE_ABSENT = Rule(
    key="condensate_absent",
    family=_FAMILY,
    title="No condensate although the flue is below its dew point",
    meaning="Condensate forms and does not come out: it stands in the boiler or leaks elsewhere.",
    formula="stack temperature below the water dew point by more than 3 K at p >= 0.95, and "
    "it is stated that none was seen",
    default="3 K",
    source="a steady stream is expected below about 140 degF of flue gas",
    status="common practice",
    causes="Blocked trap or drain, a leaking heat exchanger or vent joint, probe drawing cold air.",
    next_step="Open and clean trap and drain, watch condensate run, then repeat low fire.",
    silent="When nobody stated whether it was seen, or the flue is not below its dew point.",
    needs="whether condensate was seen, stack_temperature and o2_dry, for a condensing boiler",
)


HOTTEST_DEW_POINT = float(dew_point_kernel(HIGHEST_AIR_PRESSURE))
"""Boiling water [degC] under the highest pressure of the air: no flue gas is all water."""


def _known(point: Point) -> FuelFacts | None:
    """Return the facts of the fuel where the point has a dew point."""
    diluted = point.o2 is None or not 0.0 <= point.o2 < 18.0
    return None if diluted else facts(point.fuel)


def _dew_point(view: View, point: Point, known: FuelFacts) -> float:
    """Return the water dew point of the flue gas [degC], combustion air taken dry."""
    share = known.water_share(point.o2 or 0.0)
    return float(dew_point_kernel(share * view.pressure(point)))


def judge(view: View) -> None:
    """Judge condensation at every deciding point."""
    condensing = view.boiler.condensing
    if condensing:
        for rule in (BELOW_DEW_POINT, RETURN_COLD):
            view.not_judged(rule, "the boiler is a condensing one")
    else:
        view.not_judged(CONDENSATE_ABSENT, "the boiler is not a condensing one")
    seen_dew = seen_return = False
    driest: tuple[float, Point, float] | None = None
    for point in view.deciding:
        if not condensing:
            seen_return |= _return(view, point)
        if point.stack is None:
            continue
        known = _known(point)
        if known is None:
            continue
        seen_dew = True
        if not condensing and point.stack > HOTTEST_DEW_POINT:
            continue
        dew = _dew_point(view, point, known)
        if not condensing:
            _below_dew(view, point, point.stack, dew)
        elif driest is None or dew - point.stack > driest[0]:
            driest = (dew - point.stack, point, dew)
    if condensing:
        _absent(view, driest)
        return
    if not seen_dew:
        view.not_judged(BELOW_DEW_POINT, "no deciding point has stack, O2 and a known fuel")
    if view.boiler.medium == "steam":
        view.not_judged(RETURN_COLD, "the boiler makes steam")
    elif not seen_return:
        view.not_judged(RETURN_COLD, "return water was not read")


def _return(view: View, point: Point) -> bool:
    value = point.number("return_water_temperature")
    if value is None or view.boiler.medium == "steam":
        return False
    limit = view.limits.limits["return_water_min"]
    below(
        view,
        RETURN_COLD,
        (point,),
        what="Return water",
        value=value,
        u=point.u("return_water_temperature"),
        limit=limit.value,
        source=limit.source,
        quantity="return_water_temperature",
        unit="degC",
        severity="check" if limit.source.level == "default" else "fix",
    )
    return True


def _below_dew(view: View, point: Point, stack: float, dew: float) -> None:
    u = point.u("stack_temperature")
    p = probability_above(-stack, u, -dew)
    if p < view.beyond_at:
        return
    view.flag(
        BELOW_DEW_POINT,
        "fix",
        f"Flue gas is {stack:.0f} degC {point.at()}, below its dew point of {dew:.0f} degC, in a "
        "boiler that must not condense.",
        points=(point,),
        quantity="stack_temperature",
        unit="degC",
        value=stack,
        u=u,
        low=dew,
        answer="beyond",
        probability=p,
    )


def _absent(view: View, driest: tuple[float, Point, float] | None) -> None:
    seen = view.visit.condensate_seen
    if seen is None:
        view.not_judged(CONDENSATE_ABSENT, "whether condensate was seen is not stated")
        return
    if driest is None:
        view.not_judged(CONDENSATE_ABSENT, "no deciding point has stack, O2 and a known fuel")
        return
    margin, point, dew = driest
    u = point.u("stack_temperature")
    p = probability_above(margin, u, 3.0)
    if seen or p < view.beyond_at or point.stack is None:
        return
    view.flag(
        CONDENSATE_ABSENT,
        "fix",
        f"No condensate was seen although the flue gas is {point.stack:.0f} degC {point.at()}, "
        f"{margin:.0f} K below its dew point of {dew:.0f} degC.",
        points=(point,),
        quantity="stack_temperature",
        unit="degC",
        value=point.stack,
        u=u,
        low=dew,
        answer="beyond",
        probability=p,
    )


RULES = (BELOW_DEW_POINT, RETURN_COLD, CONDENSATE_ABSENT)
