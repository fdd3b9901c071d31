"""O2 and CO2 together: do they belong to the fuel, and does the whole instrument lean one way."""

from __future__ import annotations

from collections.abc import Sequence
from math import hypot, sqrt

from ingest.fuel_facts import DRY_AIR_CO2, DRY_AIR_O2, FuelFacts, facts, usual_fuels
from ingest.rules.history import median, spread_of
from ingest.rules.model import Rule
from ingest.rules.point import Point
from ingest.rules.view import View

MISMATCH = Rule(
    key="o2_co2_mismatch",
    family="gas balance",
    title="O2 and CO2 do not belong to the fuel",
    meaning="Burnt-out fuel ties CO2 to O2; these readings do not lie on this fuel's line.",
    formula="CO2 ultimate from each pair, (CO2 - 0.04 s) / (1 - s) with s = O2 / 20.94, against "
    "the fuel's own; flagged where the mean over the rates is off by more than the tolerance plus "
    "1.64 standard uncertainties",
    default="0.3 % of CO2 ultimate; 0.5 % where CO2 is plainly calculated from O2",
    source="atom balance of the fuel; tolerance for gas composition and instruments' own tables",
    status="common practice",
    causes="Wrong fuel chosen in the analyzer, a tired O2 cell, a CO2 cell out of calibration, air "
    "leaking in between two sensors.",
    next_step="Look at the fuel set in the analyzer, zero it in fresh air outside, repeat.",
    silent="When O2 or CO2 was not read, O2 is above 15 %, or the fuel is not known.",
    needs="o2_dry and co2_dry as left, and a known fuel",
)
DRIFT = Rule(
    key="instrument_drift",
    family="gas balance",
    title="Instrument leans one way at all rates",
    meaning="O2 is off by about the same amount with the same sign at every rate: an instrument "
    "that drifted does that; a burner seldom does.",
    formula="O2 less the median of earlier as-left visits, same sign at three rates or more, mean "
    "beyond 0.8 % and 3 robust standard deviations of the earlier visits",
    default="0.8 % O2, at least two earlier visits",
    source="a shift common to all rates",
    status="common practice",
    causes="A tired O2 cell, zero taken in bad air, a leak in the hose; or the air side of the "
    "burner moved as a whole.",
    next_step="Zero in fresh air outside, check for leaks, compare with a second instrument.",
    silent="With fewer than three rates or two earlier visits, and when O2 was not read.",
    needs="o2_dry as left at three rates, now and in at least two earlier visits",
)


_LEANS = 0.8
"""The least that O2 is off at all rates of a leaning instrument [%]."""


def judge(view: View) -> None:
    """Judge the gas balance and the lean of the instrument on every curve."""
    balanced = leaned = False
    for (_, fuel), points in view.curves.items():
        known = facts(fuel)
        pairs = [(p, u) for p in points if (u := _ultimate(p)) is not None]
        if known is not None and pairs:
            balanced = True
            _balance(view, pairs, known)
        leaned |= _lean(view, points)
    if not balanced:
        view.not_judged(MISMATCH, "no deciding point has O2 and CO2 and a known fuel")
    if not leaned:
        view.not_judged(DRIFT, "fewer than three rates have O2 now and in two earlier visits")


def _ultimate(point: Point) -> float | None:
    co2 = point.mean("co2_dry")
    if co2 is None or point.o2 is None or not 0.0 <= point.o2 < 15.0:
        return None
    share = point.o2 / DRY_AIR_O2
    # CO burns to CO2 in the balance; in ppm it only matters when it is very high.
    return (co2 + (point.co or 0.0) * 1e-4 - DRY_AIR_CO2 * share) / (1.0 - share)


def _balance(view: View, pairs: list[tuple[Point, float]], known: FuelFacts) -> None:
    points, implied = [p for p, _ in pairs], [u for _, u in pairs]
    mean = sum(implied) / len(implied)
    scatter = max(implied) - min(implied)
    # CO2 worked out from O2 repeats one figure whatever the O2: only rounding is left.
    calculated = len(points) >= 3 and scatter < 0.25 and _span_of_o2(points) > 0.5
    tolerance = 0.5 if calculated else 0.3
    off = abs(mean - known.co2_ultimate)
    u = 0.0
    if off > tolerance:
        u = 0.1 / sqrt(len(points)) if calculated else _u_mean(points, mean)
    if off > tolerance + 1.645 * u:
        other = _other_fuel(mean, u, known)
        why = (
            f"they belong to {other.fuel.name.lower()} ({other.co2_ultimate:.1f} %)"
            if other is not None
            else "a cell is tired or the sample is not what it should be"
        )
        worst, _ = max(pairs, key=lambda pair: abs((pair[1] or mean) - known.co2_ultimate))
        rates = ", ".join(f"{p.rate:g}" for p in points)
        view.flag(
            MISMATCH,
            "check",
            f"O2 and CO2 at {rates} % make a CO2 ultimate of {mean:.1f} %, and {known.fuel.name} "
            f"has {known.co2_ultimate:.1f} % (tolerance {tolerance:g}): {why}.",
            points=points,
            quantity="co2_dry",
            unit="%",
            value=worst.mean("co2_dry"),
            u=worst.u("co2_dry"),
            low=known.co2(worst.o2 or 0.0) - tolerance,
            high=known.co2(worst.o2 or 0.0) + tolerance,
            answer="beyond",
        )
        return
    if calculated:
        return
    for point, one in pairs:
        away = abs(one - known.co2_ultimate)
        # Within the tolerance nobody need ask how sure it is.
        if away > tolerance + 0.3 and away > tolerance + 0.3 + 2.6 * _u_ultimate(point, one):
            view.flag(
                MISMATCH,
                "check",
                f"O2 {point.o2:.1f} % and CO2 {point.mean('co2_dry'):.1f} % {point.at()} do not "
                f"belong together for {known.fuel.name}: {known.co2(point.o2 or 0.0):.1f} % CO2 "
                "would.",
                points=(point,),
                quantity="co2_dry",
                unit="%",
                value=point.mean("co2_dry"),
                u=point.u("co2_dry"),
                low=known.co2(point.o2 or 0.0) - tolerance,
                high=known.co2(point.o2 or 0.0) + tolerance,
                answer="beyond",
            )


def _u_ultimate(point: Point, ultimate: float) -> float:
    left = 1.0 - (point.o2 or 0.0) / DRY_AIR_O2
    return hypot(point.u("co2_dry") / left, ultimate * point.u_o2 / DRY_AIR_O2 / left)


def _span_of_o2(points: Sequence[Point]) -> float:
    values = [p.o2 or 0.0 for p in points]
    return max(values) - min(values)


def _u_mean(points: Sequence[Point], ultimate: float) -> float:
    """Return the uncertainty of the mean: calibration is shared, so it does not average out."""
    return sum(_u_ultimate(p, ultimate) for p in points) / len(points)


def _other_fuel(ultimate: float, u: float, known: FuelFacts) -> FuelFacts | None:
    others = [f for f in usual_fuels() if f.key not in (known.key, "methane", "lpg", "lpg_mix")]
    near = min(others, key=lambda f: abs(f.co2_ultimate - ultimate))
    fits = abs(near.co2_ultimate - ultimate) < 0.35 + u
    return near if fits and abs(near.co2_ultimate - known.co2_ultimate) > 0.8 else None


def _lean(view: View, points: list[Point]) -> bool:
    deltas: list[float] = []
    compared: list[Sequence[float]] = []
    for point in points:
        if point.o2 is None:
            continue
        earlier = view.past(point).means("o2_dry")
        if len(earlier) >= 2:
            deltas.append(point.o2 - median(earlier))
            compared.append(earlier)
    if len(deltas) < 3:
        return False
    mean = sum(deltas) / len(deltas)
    same = min(deltas) > 0.0 or max(deltas) < 0.0
    even = max(deltas) - min(deltas) <= 0.6 * abs(mean)
    if not (same and even and abs(mean) > _LEANS):
        return True
    visits = len(compared[-1])
    scatter = max(0.0, *map(spread_of, compared))
    bound = max(_LEANS, 3.0 * scatter * sqrt(1.0 + 1.0 / visits))
    if abs(mean) > bound:
        side = "higher" if mean > 0 else "lower"
        view.flag(
            DRIFT,
            "check",
            f"O2 is {abs(mean):.1f} % {side} at all {len(deltas)} rates than the median of "
            f"{visits} earlier visits, over {bound:.1f} %: the instrument may have drifted.",
            points=[p for p in points if p.o2 is not None],
            quantity="o2_dry",
            unit="%",
            value=mean,
            u=view.accuracies.calibration("o2_dry", 5.0),
            low=-bound,
            high=bound,
            answer="beyond",
        )
    return True


RULES = (MISMATCH, DRIFT)
