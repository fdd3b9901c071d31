"""Readings that cannot be: temperatures mixed up, probes swapped, values no instrument shows."""

from __future__ import annotations

from math import hypot

from combustion.quantities import QUANTITIES
from ingest.rules.history import median
from ingest.rules.model import Rule
from ingest.rules.point import Point
from ingest.rules.stack import stack_limit
from ingest.rules.view import View, probability_above

_FAMILY = "impossible readings"
PROBES_SWAPPED = Rule(
    key="probes_swapped",
    family=_FAMILY,
    title="Probes swapped",
    meaning="Two temperature readings stand in each other's place.",
    formula="stack below air while air is as hot as the water or above 50 degC; or return water "
    "above supply water",
    default="2 K beyond the uncertainty of the difference",
    source="heat flows from flame to water to room",
    status="common practice",
    causes="Flue and air probe in each other's socket, columns mixed up when typing.",
    next_step="Look where each probe sits, correct the record, or repeat the points.",
    silent="When one of the two temperatures was not read.",
    needs="stack and combustion air temperature, or both water temperatures",
)
UNIT_MIXED = Rule(
    key="temperature_unit_mixed",
    family=_FAMILY,
    title="°C and °F mixed up",
    meaning="A temperature makes no sense as stated and makes sense in the other unit.",
    formula="the number read as the other unit fits the water, the limit or earlier visits, and "
    "the stated one does not",
    default="hot water above 115 or below 25 degC (condensing 8), air above 50 degC, stack near or "
    "below the water, 40 K above its limit, or far from every earlier visit",
    source="plain physics of a boiler",
    status="common practice",
    causes="A number typed from a display set to the other unit.",
    next_step="Look at the unit on the instrument, correct the record, or repeat the points.",
    silent="When the stated value makes sense.",
    needs="stack, air or water temperature",
)
STACK_BELOW_WATER = Rule(
    key="stack_below_water",
    family=_FAMILY,
    title="Stack below return water",
    meaning="Flue gas cannot leave colder than the water that cools it.",
    formula="stack less return water below 0 at p >= 0.95",
    default="0 K",
    source="heat flows from flame to water",
    status="common practice",
    causes="Probe not in the core of the flue gas or pulled out, air leaking in, burner off, water "
    "temperature noted at another time, degC and degF mixed up.",
    next_step="Put the probe into the core of the flue gas, read the water again, repeat.",
    silent="When stack or return water was not read.",
    needs="stack_temperature and return_water_temperature",
)
STACK_BELOW_AIR = Rule(
    key="stack_below_air",
    family=_FAMILY,
    title="Stack below combustion air",
    meaning="Flue gas of a firing burner cannot be colder than the air it drew.",
    formula="stack less combustion air below 0 at p >= 0.95",
    default="0 K",
    source="heat flows from flame to water to room",
    status="common practice",
    causes="Probe out of the flue, burner off, probes swapped.",
    next_step="Put the probe into the core of the flue gas and repeat.",
    silent="When stack or air temperature was not read.",
    needs="stack_temperature and combustion_air_temperature",
)
SAMPLE_DILUTED = Rule(
    key="sample_diluted",
    family=_FAMILY,
    title="Sample is mostly air",
    meaning="So much oxygen means that the probe drew air, or the burner was not firing.",
    formula="O2 dry at or above 15 %",
    default="15 %",
    source="no burner holds a flame near it",
    status="common practice",
    causes="Leaking hose or filter, probe out of the flue, burner off or in pre-purge.",
    next_step="Do the leak check, seat the probe, wait for steady firing, repeat.",
    silent="When O2 was not read.",
    needs="o2_dry",
)
IMPLAUSIBLE = Rule(
    key="value_implausible",
    family=_FAMILY,
    title="Value outside what can be",
    meaning="A reading lies outside the plausible range of its quantity.",
    formula="the glossary's plausible range of each measured quantity, widened by 3 standard "
    "uncertainties",
    default="the glossary's ranges",
    source="the glossary of quantities",
    status="common practice",
    causes="A typing slip, a wrong column, a wrong unit, a dead cell.",
    next_step="Compare with the instrument's memory or printout; correct the record or repeat.",
    silent="Never, where there is a reading.",
    needs="any reading",
)

_RANGES = {key: q.plausible for key, q in QUANTITIES.items()}


def judge(view: View) -> None:
    """Judge every deciding point for what cannot be."""
    seen_water = seen_air = seen_o2 = False
    for point in view.deciding:
        _implausible(view, point)
        if point.o2 is not None:
            seen_o2 = True
            if point.o2 >= 15.0:
                _diluted(view, point, point.o2)
        stack, air = point.stack, point.number("combustion_air_temperature")
        ret = point.number("return_water_temperature")
        sup = point.number("supply_water_temperature")
        seen_water |= stack is not None and ret is not None
        seen_air |= stack is not None and air is not None
        if stack is None and air is None and ret is None and sup is None:
            continue
        if not _swapped(view, point, stack, air, ret, sup) and not _unit(
            view, point, stack, air, ret, sup
        ):
            _too_cold(view, point, stack, air, ret)
    if not seen_o2:
        view.not_judged(SAMPLE_DILUTED, "no deciding point has O2")
    if not seen_water:
        view.not_judged(STACK_BELOW_WATER, "no deciding point has both temperatures")
    if not seen_air:
        view.not_judged(STACK_BELOW_AIR, "no deciding point has both temperatures")
    if not (seen_air or seen_water):
        view.not_judged(PROBES_SWAPPED, "no deciding point has two temperatures to compare")
        view.not_judged(UNIT_MIXED, "no deciding point has two temperatures to compare")
    if not view.deciding:
        view.not_judged(IMPLAUSIBLE, "there is no deciding point")


def _implausible(view: View, point: Point) -> None:
    for key, settled in point.values.items():
        plausible = _RANGES.get(key)
        value = settled.mean
        if plausible is None or plausible[0] <= value <= plausible[1]:
            continue
        slack = 3.0 * view.accuracies.calibration(key, 0.0)
        if plausible[0] - slack <= value <= plausible[1] + slack:
            continue
        quantity = QUANTITIES[key]
        unit = "" if quantity.unit == "1" else f" {quantity.unit}"
        view.flag(
            IMPLAUSIBLE,
            "check",
            f"{quantity.label} reads {value:g}{unit} {point.at()}, outside the plausible "
            f"{plausible[0]:g} to {plausible[1]:g}{unit}.",
            points=(point,),
            quantity=key,
            unit=quantity.unit,
            value=value,
            low=plausible[0],
            high=plausible[1],
            answer="beyond",
            tag=key,
        )


def _diluted(view: View, point: Point, o2: float) -> None:
    view.flag(
        SAMPLE_DILUTED,
        "check",
        f"O2 is {o2:.1f} % {point.at()}, at or above 15 %: the sample is mostly air.",
        points=(point,),
        quantity="o2_dry",
        unit="%",
        value=o2,
        u=point.u_o2,
        high=15.0,
        answer="beyond",
    )


def _say(view: View, rule: Rule, point: Point, quantity: str, value: float, message: str) -> bool:
    view.flag(
        rule,
        "check",
        message,
        points=(point,),
        quantity=quantity,
        unit="degC",
        value=value,
        u=point.u(quantity),
        answer="beyond",
        tag=quantity,
    )
    return True


_Maybe = float | None


def _swapped(
    view: View, point: Point, stack: _Maybe, air: _Maybe, ret: _Maybe, sup: _Maybe
) -> bool:
    if (
        stack is not None
        and air is not None
        and -40.0 <= stack <= min(50.0, air - 5.0)
        and (air >= 50.0 if ret is None else air >= max(35.0, ret - 3.0))
    ):
        return _say(
            view,
            PROBES_SWAPPED,
            point,
            "stack_temperature",
            stack,
            f"Stack reads {stack:.0f} degC and combustion air {air:.0f} degC {point.at()}: "
            "flue and air probe stand in each other's place.",
        )
    if ret is not None and sup is not None and ret > sup:
        u = hypot(point.u("return_water_temperature"), point.u("supply_water_temperature"))
        if ret - sup > 2.0 + 2.0 * u:
            return _say(
                view,
                PROBES_SWAPPED,
                point,
                "return_water_temperature",
                ret,
                f"Return water reads {ret:.0f} degC and supply water {sup:.0f} degC {point.at()}: "
                "return above supply while firing cannot be.",
            )
    return False


def _unit(view: View, point: Point, stack: _Maybe, air: _Maybe, ret: _Maybe, sup: _Maybe) -> bool:
    boiler = view.boiler
    if boiler.medium == "hot_water":
        for key, water in (("return_water_temperature", ret), ("supply_water_temperature", sup)):
            if water is not None and water > 115.0 and 20.0 <= _as_f(water) <= 110.0:
                return _mixed(view, point, key, water, _as_f(water), _AS_C)
            coldest = 8.0 if boiler.condensing else 25.0
            if water is not None and water < coldest and 35.0 <= _as_c(water) <= 95.0:
                return _mixed(view, point, key, water, _as_c(water), _AS_F)
    if air is not None and air > 50.0 and -20.0 <= _as_f(air) <= 45.0:
        return _mixed(view, point, "combustion_air_temperature", air, _as_f(air), _AS_C)
    if stack is None:
        return False
    low, high = _as_c(stack), _as_f(stack)
    earlier = view.past(point).means("stack_temperature")
    if len(earlier) >= 2:
        usual = median(earlier)
        if abs(low - usual) < 20.0 and usual - stack > 25.0:
            return _mixed(view, point, "stack_temperature", stack, low, _AS_F)
        if abs(high - usual) < 20.0 and stack - usual > 40.0:
            return _mixed(view, point, "stack_temperature", stack, high, _AS_C)
        return False
    floor = 30.0 if ret is None else ret
    nearest = floor - 3.0 if boiler.condensing else floor + 12.0
    if stack < nearest and _fits(low, floor, boiler.condensing):
        return _mixed(view, point, "stack_temperature", stack, low, _AS_F)
    limit = stack_limit(view, point.rate)
    hottest = 110.0 if boiler.condensing else 330.0
    if limit is not None:
        hottest = min(hottest, limit[0] + 40.0)
    if stack > hottest and nearest <= high <= hottest - 20.0:
        return _mixed(view, point, "stack_temperature", stack, high, _AS_C)
    return False


_AS_C, _AS_F = "degF typed as degC", "degC typed as degF"


def _fits(stack: float, ret: float, condensing: bool) -> bool:
    """Return whether a stack temperature is a usual one over this return water."""
    if condensing:
        return ret - 3.0 <= stack <= ret + 45.0
    return ret + 15.0 <= stack <= 350.0


def _as_f(value: float) -> float:
    """Return degC of a number that was degF all along."""
    return (value - 32.0) / 1.8


def _as_c(value: float) -> float:
    """Return degC of a number that was degC all along and was converted from degF."""
    return value * 1.8 + 32.0


def _mixed(view: View, point: Point, quantity: str, value: float, other: float, how: str) -> bool:
    label = QUANTITIES[quantity].label
    return _say(
        view,
        UNIT_MIXED,
        point,
        quantity,
        value,
        f"{label} temperature reads {value:.0f} degC {point.at()}, which cannot be, and would be "
        f"{other:.0f} degC in the other unit: {how}.",
    )


def _too_cold(view: View, point: Point, stack: _Maybe, air: _Maybe, ret: _Maybe) -> None:
    if stack is None:
        return
    if ret is not None and stack < ret:
        key, name = "return_water_temperature", "return water"
        _colder(view, point, STACK_BELOW_WATER, stack, key, ret, name)
    if air is not None and stack < air:
        key, name = "combustion_air_temperature", "combustion air"
        _colder(view, point, STACK_BELOW_AIR, stack, key, air, name)


def _colder(
    view: View, point: Point, rule: Rule, stack: float, key: str, other: float, name: str
) -> None:
    u = hypot(point.u("stack_temperature"), point.u(key))
    if probability_above(other - stack, u, 0.0) >= view.beyond_at:
        _say(
            view,
            rule,
            point,
            "stack_temperature",
            stack,
            f"Stack reads {stack:.0f} degC {point.at()}, below the {name} at {other:.0f} degC, "
            "which cannot be.",
        )


RULES = (
    PROBES_SWAPPED,
    UNIT_MIXED,
    STACK_BELOW_WATER,
    STACK_BELOW_AIR,
    SAMPLE_DILUTED,
    IMPLAUSIBLE,
)
