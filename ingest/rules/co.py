"""Carbon monoxide: above its limits, elevated, rising, beyond what the sensor can show."""

from __future__ import annotations

from itertools import pairwise

from ingest.limits import Limit
from ingest.rules.model import Rule
from ingest.rules.point import Point
from ingest.rules.settling import series, thirds
from ingest.rules.view import View, probability_above

CO_ABOVE_LIMIT = Rule(
    key="co_above_limit",
    family="carbon monoxide",
    title="CO above its limit",
    meaning="Carbon monoxide, free of dilution, is above the limit to fix or to stop.",
    formula="CO air-free = CO * 20.9 / (20.9 - O2); fix at p(true >= limit) >= 0.95, "
    "stop where the measured value reaches the stop limit",
    default="fix from 200 ppm, stop from 400 ppm",
    source="400 ppm air-free: ANSI Z21 series, vented gas heating equipment; 200: half of it",
    status="quoted",
    causes="Too little air, poor mixing, a fouled or damaged burner, a blocked air inlet or vent, "
    "a flame touching cold metal, gas pressure too high.",
    next_step="Set the air-fuel ratio by the boiler's instructions, check burner, air path and "
    "vent, then repeat all rates.",
    silent="When CO or O2 was not read. Above 15 % O2 the reading itself is judged: it is the "
    "least that CO air-free can be.",
    needs="co_dry and o2_dry as left",
    limits=("co_air_free_fix", "co_air_free_stop"),
    safety=True,
)
CO_ELEVATED = Rule(
    key="co_elevated",
    family="carbon monoxide",
    title="CO elevated",
    meaning="Carbon monoxide, free of dilution, is above the service target but below the limit.",
    formula="CO air-free = CO * 20.9 / (20.9 - O2), against the check limit",
    default="check from 100 ppm",
    source="service target for CO air-free",
    status="common practice",
    causes="Air-fuel ratio near the edge of the burner's range, a dirty burner or air filter, a "
    "cold combustion chamber.",
    next_step="Look at the flame, the air filter and the ratio; set by the boiler's instructions "
    "and repeat the point.",
    silent="When CO or O2 was not read. Above 15 % O2 the reading itself is judged: it is the "
    "least that CO air-free can be.",
    needs="co_dry and o2_dry as left",
    limits=("co_air_free_check",),
    safety=True,
)
CO_SENSOR_END = Rule(
    key="co_sensor_range_end",
    family="carbon monoxide",
    title="CO sensor at its range end",
    meaning="The CO sensor showed all it can: the true value is unknown and higher.",
    formula="reading marked as above range, or at or above the instrument's stated range end",
    default="the instrument's stated range; a range mark in the file",
    source="an instrument shows no more than its range",
    status="common practice",
    causes="Very rich firing, a blocked air path or vent; a sensor not yet recovered.",
    next_step="Shut the burner down, ventilate, let the sensor recover in fresh air; only a person "
    "licensed for this boiler restarts it after the cause is put right.",
    silent="When CO was not read, or neither a range nor a range mark is at hand.",
    needs="co_dry, and the sensor's range or a range mark",
    safety=True,
)
CO_STILL_RISING = Rule(
    key="co_still_rising",
    family="carbon monoxide",
    title="CO still rising at the end of a point",
    meaning="CO had not come to rest when the point was saved: the true level is higher.",
    formula="mean of the last third of the point's readings above the middle third, and that above "
    "the first, by more than 15 ppm or 15 %",
    default="15 ppm or 15 %, the larger",
    source="steady readings before saving a point",
    status="common practice",
    causes="Saved too soon, air supply failing, flue gas drawn back into the intake.",
    next_step="Hold the rate and watch CO until it stands; if it goes on rising, shut down and "
    "look for blocked air or recirculation.",
    silent="With fewer than four readings at the point.",
    needs="four readings of co_dry at a point",
)
CO_TOWARDS_END = Rule(
    key="co_rising_towards_end",
    family="carbon monoxide",
    title="CO rising towards an end of the firing range",
    meaning="CO grows steadily towards low or high fire: that end is near the edge, though "
    "still below its limit.",
    formula="CO air-free at an end more than 3 times that at the other end and by over 40 ppm, "
    "growing over the rates between",
    default="3 times and 40 ppm: a check from 60 % of the check limit, else info",
    source="an end near its edge shows first by its CO",
    status="common practice",
    causes="Ratio set in the middle and let go at the ends, turned down too far, over-fired.",
    next_step="Set that end by the boiler's instructions with CO in view.",
    silent="With fewer than three rates, or where CO is already above its check limit.",
    needs="co_dry and o2_dry as left at three rates",
)
STOP_STEP = (
    "Shut the burner down, ventilate the room, and leave it off: only a person licensed for this "
    "boiler restarts it after the cause is put right, by the boiler's instructions and local code."
)


def judge(view: View) -> None:
    """Judge carbon monoxide at every deciding point."""
    judged = ended = watched = False
    span = view.visit.instrument.ranges.get("co_dry")
    end = None if span is None else span.high
    limits = view.limits.limits
    grades = (
        limits["co_air_free_check"],
        limits["co_air_free_fix"],
        limits["co_air_free_stop"],
    )
    for point in view.deciding:
        ended |= end is not None and point.co is not None
        if _at_range_end(view, point, end):
            ended = True
            continue
        if point.co is not None and point.o2 is not None:
            judged |= _against_limits(view, point, grades)
        watched |= _still_rising(view, point)
    if not judged:
        why = "no deciding point has both CO and O2, with O2 up to 15 %"
        view.not_judged(CO_ABOVE_LIMIT, why)
        view.not_judged(CO_ELEVATED, why)
    if not ended:
        view.not_judged(CO_SENSOR_END, "no range of the CO sensor is stated and no mark was read")
    if not watched:
        view.not_judged(CO_STILL_RISING, "no deciding point has four readings of CO")
    towards = False
    for points in view.curves.values():
        towards |= _towards_end(view, [p for p in points if p.co_af is not None])
    if not towards:
        view.not_judged(CO_TOWARDS_END, "fewer than three rates have CO and O2")


def _at_range_end(view: View, point: Point, end: float | None) -> bool:
    bound = point.raw.bounds.get("co_dry")
    marked = bound is not None and bound.above is not None
    reached = end is not None and point.co is not None and point.co >= 0.999 * end
    if not marked and not reached:
        return False
    shown = bound.above if bound is not None and bound.above is not None else end
    view.flag(
        CO_SENSOR_END,
        "stop",
        f"CO is at the end of its sensor's range of {shown:g} ppm {point.at()}: the true value is "
        "higher.",
        points=(point,),
        quantity="co_dry",
        unit="ppm",
        value=point.co if point.co is not None else shown,
        high=shown,
        answer="beyond",
    )
    return True


def _still_rising(view: View, point: Point) -> bool:
    if len(point.raw.readings) < 4:
        return False
    values = series(point, "co_dry")
    if len(values) < 4:
        return False
    first, middle, last = thirds(values)
    step = max(15.0, 0.15 * max(middle, 1.0))
    if last - middle > step and middle > first:
        view.flag(
            CO_STILL_RISING,
            "fix",
            f"CO still rose from {middle:.0f} to {last:.0f} ppm at the end of the point "
            f"{point.at()}, more than {step:.0f} ppm.",
            points=(point,),
            quantity="co_dry",
            unit="ppm",
            value=last,
            u=point.u("co_dry"),
            high=middle + step,
            answer="beyond",
        )
    return True


def _towards_end(view: View, points: list[Point]) -> bool:
    if len(points) < 3:
        return False
    limit = view.limits.limits["co_air_free_check"]
    for end, other in ((points[0], points[-1]), (points[-1], points[0])):
        top, base = end.co_af or 0.0, other.co_af or 0.0
        u = end.u_co_af
        if top - base <= 40.0 or top <= 3.0 * max(base, 5.0):
            continue
        way = points if end is points[-1] else points[::-1]
        if any((a.co_af or 0.0) - (b.co_af or 0.0) > 3.0 + a.u_co_af for a, b in pairwise(way)):
            continue  # it does not grow over the rates between: one odd point is no trend
        if probability_above(top, u, limit.value) > view.within_at:
            continue  # already said as a level
        low = end is points[0]
        view.flag(
            CO_TOWARDS_END,
            "check" if top >= 0.6 * limit.value else "info",
            f"CO air-free rises towards {'low' if low else 'high'} fire, from {base:.0f} ppm at "
            f"{other.rate:g} % to {top:.0f} ppm at {end.rate:g} % (check: {limit.value:g} ppm).",
            points=(end,),
            quantity="co_air_free",
            unit="ppm",
            value=top,
            u=u,
            high=limit.value,
            source=limit.source,
        )
    return True


def _against_limits(view: View, point: Point, grades: tuple[Limit, Limit, Limit]) -> bool:
    """Judge one point; return whether its CO air-free could be formed."""
    value, u, quantity = point.co_af, point.u_co_af, "co_air_free"
    formed = value is not None
    if value is None:
        # Too diluted for the air-free figure, which is higher than the reading in any case.
        value, u, quantity = point.co or 0.0, point.u("co_dry"), "co_dry"
    check, fix, stop = grades
    if min(check.value, fix.value, stop.value) - value > view.clear * u:
        return formed
    shown = f"CO air-free is {value:.0f} ppm {point.at()}"
    if not formed:
        shown = f"CO is {value:.0f} ppm {point.at()} even diluted to {point.o2:.1f} % O2"
    common = {"points": (point,), "quantity": quantity, "unit": "ppm", "value": value, "u": u}
    if value >= stop.value:
        view.flag(
            CO_ABOVE_LIMIT,
            "stop",
            f"{shown}, at or above the stop limit of {stop.value:g} ppm.",
            high=stop.value,
            answer="beyond",
            probability=probability_above(value, u, stop.value),
            source=stop.source,
            next_step=STOP_STEP,
            **common,  # type: ignore[arg-type]
        )
        return formed
    p = probability_above(value, u, fix.value)
    if p >= view.beyond_at:
        view.flag(
            CO_ABOVE_LIMIT,
            "fix",
            f"{shown}, above the limit of {fix.value:g} ppm.",
            high=fix.value,
            answer="beyond",
            probability=p,
            source=fix.source,
            **common,  # type: ignore[arg-type]
        )
        return formed
    p = probability_above(value, u, check.value)
    answer = view.answer(p)
    if answer is None:
        return formed
    beside = "above" if answer == "beyond" else "too close to tell from"
    view.flag(
        CO_ELEVATED,
        "check",
        f"{shown}, {beside} the check limit of {check.value:g} ppm.",
        high=check.value,
        answer=answer,
        probability=p,
        source=check.source,
        **common,  # type: ignore[arg-type]
    )
    return formed


RULES = (CO_ABOVE_LIMIT, CO_ELEVATED, CO_SENSOR_END, CO_STILL_RISING, CO_TOWARDS_END)
