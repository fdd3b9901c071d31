"""Phases and firing rates: no as left, rates missing, swapped, written twice."""

from __future__ import annotations

from collections.abc import Collection
from itertools import combinations, pairwise

from ingest.rules.model import Rule
from ingest.rules.oxygen import expected_o2
from ingest.rules.point import Point
from ingest.rules.settling import series
from ingest.rules.view import View

_FAMILY = "firing points"
NO_AS_LEFT = Rule(
    key="no_as_left",
    family=_FAMILY,
    title="No as-left points",
    meaning="Nothing shows how the boiler was left: only as-left readings decide a visit.",
    formula="no as-left point, and neither is as found declared to stand nor adjusting denied",
    default="none",
    source="what the record is for",
    status="common practice",
    causes="The last pass was not saved, or saved under another phase.",
    next_step="Take the as-left points, or declare that as found stands as as left.",
    silent="When there is an as-left point or as found is declared to stand.",
    needs="points",
)
RATES_MISSING = Rule(
    key="rates_missing",
    family=_FAMILY,
    title="Firing rates missing",
    meaning="The as-left pass leaves out rates that it should prove.",
    formula="required rates, else the boiler's rates, else the rates read as found, else the ends "
    "of the target curve, else low and high fire; a rate counts when read within 5 %, an end of "
    "the curve within 15 %",
    default="low and high fire",
    source="a burner is proven from low to high fire",
    status="common practice",
    causes="Forgotten, not reached for lack of load, or saved under a wrong rate.",
    next_step="Read the missing rates as left.",
    silent="When all are there.",
    needs="points",
    limits=("required_rates",),
)
RATES_SWAPPED = Rule(
    key="rates_swapped",
    family=_FAMILY,
    title="Firing rates swapped",
    meaning="The points stand under each other's rate.",
    formula="input, fan speed, gas flow or manifold pressure fall while the rate rises; or the "
    "stack is more than 12 K hotter at low than at high fire and O2 does not speak against it; or "
    "more than 3 K and O2 comes 1 % nearer to its curve when swapped",
    default="12 K, or 3 K with 1 % O2",
    source="more fire means more input and a hotter stack",
    status="common practice",
    causes="Rates put to the saved readings in the wrong order.",
    next_step="Look at the order in which the readings were saved and correct the rates.",
    silent="With one rate only, or without a signal that rises with the rate.",
    needs="two rates with stack temperature, input, fan speed, gas flow or manifold pressure",
)
RATE_REPEATED = Rule(
    key="rate_repeated",
    family=_FAMILY,
    title="One rate stands for two",
    meaning="Two points carry one rate and differ as two rates do while another rate is missing; "
    "or one point stands under two rates.",
    formula="two passes, or two groups of readings, at a rate differ by more than 1 % O2 or 12 K "
    "stack while a wanted rate is missing; or two rates carry the same four figures or more",
    default="1 % O2, 12 K",
    source="one rate gives one point",
    status="common practice",
    causes="The same rate written twice.",
    next_step="Look at the saved readings and correct the rate.",
    silent="With one point only; a true return to a rate is correct work.",
    needs="two points",
)


def judge(view: View) -> None:
    """Judge phases and rates."""
    _phases(view)
    _missing(view)
    _swapped(view)
    _repeated(view)


def _phases(view: View) -> None:
    if view.left or not view.all_points:
        if not view.all_points:
            view.flag(NO_AS_LEFT, "check", "There is no firing point in this visit.")
        return
    said = (
        "the as-found points are judged as they stand"
        if view.found
        else "trial points never decide"
    )
    view.flag(NO_AS_LEFT, "check", f"There is no as-left point: {said}.")


def _wanted(view: View) -> tuple[list[float], str]:
    required = view.limit("required_rates")
    if required is not None and required.value:
        return sorted(required.value), "required"
    if view.boiler.rates:
        return sorted(view.boiler.rates), "the boiler's"
    found = sorted({p.rate for p in view.found_last})
    if len(found) >= 2:
        return found, "read as found"
    ends = [t.firing_rate for t in view.limits.targets]
    # A target curve may start below the lowest rate that the load allows: only its ends count.
    return ([ends[0], ends[-1]] if len(ends) > 1 else []), "ends of the target curve"


def _lacking(wanted: list[float], rates: Collection[float], near: float) -> list[float]:
    return [w for w in wanted if w not in rates and not any(abs(w - r) <= near for r in rates)]


def _missing(view: View) -> None:
    if not view.left:
        view.not_judged(RATES_MISSING, "there is no as-left point")
        return
    rates = sorted({p.rate for p in view.left})
    wanted, whose = _wanted(view)
    missing = _lacking(wanted, rates, 15.0 if whose.startswith("ends") else 5.0)
    if missing:
        listed = ", ".join(f"{m:g}" for m in missing)
        view.flag(
            RATES_MISSING,
            "check",
            f"{len(missing)} of {len(wanted)} firing rates ({whose}) not read as left: {listed} %.",
        )
    elif not wanted and rates[-1] - rates[0] < 20.0:
        view.flag(
            RATES_MISSING,
            "check",
            f"As left was read at {', '.join(f'{r:g}' for r in rates)} % only; low and high fire "
            "are both wanted.",
            points=view.left,
        )


_RISING = ("fuel_input", "gas_flow", "fan_speed", "manifold_pressure", "valve_position")


def _swapped(view: View) -> None:
    judged = False
    rising = [key for key in _RISING if key in view.read]
    for points in view.curves.values():
        if len(points) < 2:
            continue
        for key in rising:
            rows = [(p, v) for p in points if (v := p.mean(key)) is not None and v > 0.0]
            if len(rows) < 2:
                continue
            judged = True
            wrong = [(a, b) for (a, x), (b, y) in pairwise(rows) if y < 0.93 * x]
            if wrong:
                low, high = wrong[0]
                view.flag(
                    RATES_SWAPPED,
                    "check",
                    f"{key.replace('_', ' ').capitalize()} is {low.mean(key):.4g} at {low.rate:g} "
                    f"% and {high.mean(key):.4g} at {high.rate:g} %: the rates are swapped.",
                    points=(low, high),
                    quantity=key,
                    value=high.mean(key),
                    low=low.mean(key),
                    answer="beyond",
                )
                break
        else:
            judged |= _swapped_by_stack(view, points)
    if not judged:
        view.not_judged(RATES_SWAPPED, "nothing that rises with the rate was read at two rates")


def _swapped_by_stack(view: View, points: list[Point]) -> bool:
    rows = [p for p in points if p.stack is not None]
    if len(rows) < 2:
        return False
    worst: tuple[float, Point, Point] | None = None
    for i, low in enumerate(rows):
        for high in rows[i + 1 :]:
            drop = (low.stack or 0.0) - (high.stack or 0.0)
            if drop <= 3.0 or (worst is not None and drop <= worst[0]):
                continue
            gain = _gain_swapped(view, low, high)
            if (drop > 12.0 and (gain is None or gain > 0.0)) or (gain is not None and gain > 1.0):
                worst = (drop, low, high)
    if worst is not None:
        drop, low, high = worst
        view.flag(
            RATES_SWAPPED,
            "check",
            f"Stack is {low.stack:.0f} degC at {low.rate:g} % and {high.stack:.0f} degC at "
            f"{high.rate:g} %, {drop:.0f} K the wrong way: the rates look swapped.",
            points=(low, high),
            quantity="stack_temperature",
            unit="K",
            value=drop,
            high=12.0 if drop > 12.0 else 3.0,
            answer="beyond",
        )
    return True


def _gain_swapped(view: View, low: Point, high: Point) -> float | None:
    """Return how much nearer to target or history O2 comes [%] with the two rates exchanged.

    None where the curve is too flat to tell, or O2 or the curve is not known.
    """
    if low.o2 is None or high.o2 is None:
        return None
    at_low, at_high = expected_o2(view, low), expected_o2(view, high)
    if at_low is None or at_high is None or abs(at_low - at_high) < 0.4:
        return None
    straight = abs(low.o2 - at_low) + abs(high.o2 - at_high)
    return straight - abs(low.o2 - at_high) - abs(high.o2 - at_low)


def _same_figures(view: View) -> bool:
    """Flag two rates of one curve that carry the same figures; return whether any could."""
    looked = False
    for points in view.curves.values():
        looked |= len(points) > 1
        o2 = {p.o2 for p in points}
        if len(o2) == len(points) and None not in o2:
            continue
        for one, other in combinations(points, 2):
            keys = one.values.keys() & other.values.keys() & _FIGURES
            if len(keys) < 4:
                continue
            if any(one.values[k].mean != other.values[k].mean for k in keys):
                continue
            view.flag(
                RATE_REPEATED,
                "check",
                f"The points at {one.rate:g} and {other.rate:g} % carry the same {len(keys)} "
                "figures to the last digit.",
                points=(one, other),
            )
    return looked


_FIGURES = frozenset(
    {"o2_dry", "co2_dry", "co_dry", "no_dry", "nox_dry", "stack_temperature", "stack_draft"}
)


def _repeated(view: View) -> None:
    looked = _same_figures(view)
    twofold = ([p] for p in view.deciding if p.raw.count > 1 and _twofold(p))
    several = [*view.repeated, *twofold]
    if not several:
        if not looked:
            view.not_judged(RATE_REPEATED, "only one point was read")
        return
    wanted, _ = _wanted(view)
    missing = _lacking(wanted, {p.rate for p in view.left}, 5.0)
    if not missing:
        return
    for points in several:
        first, last = points[0], points[-1]
        o2, stack = _apart(points, "o2_dry"), _apart(points, "stack_temperature")
        if o2 > 1.0 or stack > 12.0:
            view.flag(
                RATE_REPEATED,
                "check",
                f"Two points stand at {first.rate:g} % and differ by {o2:.1f} % O2 and "
                f"{stack:.0f} K, while {', '.join(f'{m:g}' for m in missing)} % is missing: one "
                "rate was written twice.",
                points=(first, last),
                quantity="o2_dry",
                unit="%",
                value=o2,
                high=1.0,
                answer="beyond",
            )


def _apart(points: list[Point], quantity: str) -> float:
    """Return how far passes, or the readings within one point, lie apart."""
    if len(points) == 1:
        values = series(points[0], quantity)
    else:
        values = [v for p in (points[0], points[-1]) if (v := p.mean(quantity)) is not None]
    return max(values) - min(values) if len(values) > 1 else 0.0


def _twofold(point: Point) -> bool:
    """Return whether a point's readings fall into two apart, each at rest: two rates in one."""
    for quantity, step in (("o2_dry", 1.0), ("stack_temperature", 12.0)):
        values = sorted(series(point, quantity))
        if len(values) < 2:
            continue
        gaps = [b - a for a, b in pairwise(values)]
        widest = max(gaps)
        if widest > step and sum(gaps) - widest < 0.3 * widest:
            return True
    return False


RULES = (NO_AS_LEFT, RATES_MISSING, RATES_SWAPPED, RATE_REPEATED)
