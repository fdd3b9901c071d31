"""The instrument: calibration, its checks, its range, and its own figures against ours."""

from __future__ import annotations

from datetime import date

from ingest.fuel_facts import facts
from ingest.rules.model import Rule
from ingest.rules.point import AIR_O2, Point
from ingest.rules.view import View

_FAMILY = "instrument"
CALIBRATION = Rule(
    key="calibration_expired",
    family=_FAMILY,
    title="Calibration expired",
    meaning="The instrument was calibrated longer ago than its interval.",
    formula="day of the visit less day of calibration, in days",
    default="365 days",
    source="yearly analyzer calibration",
    status="common practice",
    causes="The instrument was not sent in; a date not carried over.",
    next_step="Have the instrument calibrated; repeat the points that decide.",
    silent="When the calibration date or the date of the visit is not stated.",
    needs="the instrument's calibration date and the date of the visit",
    limits=("calibration_interval_days",),
)
CHECK_FAILED = Rule(
    key="instrument_check_failed",
    family=_FAMILY,
    title="Instrument check failed",
    meaning="Leak check or fresh-air zero failed, or fresh air did not read as fresh air after the "
    "last point: one doubt over the whole visit.",
    formula="leak_check or fresh_air_zero false; or afterwards O2 off 20.9 % by more than 0.3, or "
    "CO above 10 ppm",
    default="0.3 % O2, 10 ppm CO",
    source="fresh air holds 20.9 % O2 and no CO",
    status="common practice",
    causes="Leaking hose, water trap or filter; zero taken in the boiler room; a tired cell.",
    next_step="Put the instrument right, zero it outside, repeat all rates.",
    silent="When no check is recorded.",
    needs="leak check, fresh-air zero, or fresh-air readings after the last point",
)
CHECK_MISSING = Rule(
    key="instrument_check_missing",
    family=_FAMILY,
    title="Instrument check not recorded",
    meaning="No leak check or fresh-air zero is recorded: one doubt over the whole visit.",
    formula="leak_check or fresh_air_zero absent while instrument data are given",
    default="none",
    source="a check before the first point",
    status="common practice",
    causes="Done and not written down, or not done.",
    next_step="Record both checks; do them at the start of the next visit.",
    silent="When both are recorded.",
    needs="instrument data",
)
RANGE = Rule(
    key="instrument_range",
    family=_FAMILY,
    title="Reading outside the instrument's range",
    meaning="The instrument cannot show this value: the reading is no measurement.",
    formula="reading outside the range stated for the instrument (CO has its own rule)",
    default="none: only where a range is stated",
    source="stated for the instrument",
    status="stated",
    causes="Typing slip, wrong unit, wrong instrument chosen in the record.",
    next_step="Compare with the instrument's memory; correct the record or repeat.",
    silent="When no range is stated.",
    needs="the instrument's ranges",
)
DISAGREES = Rule(
    key="analyzer_disagrees",
    family=_FAMILY,
    title="Analyzer's own figures disagree with ours",
    meaning="Excess air, lambda, CO air-free or efficiency as the instrument states it does not "
    "follow from its own readings.",
    formula="stated less computed, on whichever usual convention lies nearest",
    default="excess air 5 points or 10 % of it, CO air-free 10 ppm or 10 %, efficiency 2 points",
    source="usual conventions differ by less",
    status="common practice",
    causes="Wrong fuel set in the analyzer, wrong air temperature, figures of another point.",
    next_step="Look at the fuel and the air temperature set in the analyzer; trust neither until "
    "they agree.",
    silent="When the instrument states none of them, or the fuel is not known.",
    needs="a figure of the instrument's own, with O2",
)


_EFFICIENCIES = ("stated_efficiency_gross", "stated_efficiency_net", "stated_efficiency")
_OWN_FIGURES = ("stated_excess_air", "stated_lambda", "stated_co_air_free", *_EFFICIENCIES)


def judge(view: View) -> None:
    """Judge the instrument."""
    _calibration(view)
    _checks(view)
    _range(view)
    judged = False
    for point in () if view.read.isdisjoint(_OWN_FIGURES) else view.deciding:
        judged |= _own_figures(view, point)
    if not judged:
        view.not_judged(DISAGREES, "the instrument states no figure of its own")


def _day(view: View) -> date | None:
    if view.visit.started is not None:
        return view.visit.started.date()
    times = [p.raw.started for p in view.all_points if p.raw.started is not None]
    return min(t.date() for t in times) if times else None


def _calibration(view: View) -> None:
    calibrated, day = view.visit.instrument.calibrated, _day(view)
    if calibrated is None or day is None:
        why = "the calibration date is not stated"
        if calibrated is not None:
            why = "the date of the visit is not stated"
        view.not_judged(CALIBRATION, why)
        return
    limit = view.limits.limits["calibration_interval_days"]
    days = (day - calibrated).days
    if 0 <= days <= limit.value:
        return
    said = (
        f"{days} days before the visit, more than the {limit.value:g} allowed"
        if days > 0
        else "after the visit, which cannot be"
    )
    view.flag(
        CALIBRATION,
        "check",
        f"The instrument was calibrated on {calibrated.isoformat()}, {said}.",
        value=float(days),
        unit="d",
        high=float(limit.value),
        answer="beyond",
        source=limit.source,
    )


def _checks(view: View) -> None:
    instrument = view.visit.instrument
    failed = []
    if instrument.leak_check is False:
        failed.append("the leak check failed")
    if instrument.fresh_air_zero is False:
        failed.append("it was not zeroed in fresh air outside the room")
    o2 = instrument.fresh_air_after.get("o2_dry")
    if o2 is not None and not abs(o2 - 20.9) <= 0.3:
        failed.append(f"fresh air read {o2:.1f} % O2 afterwards (20.9 within 0.3)")
    co = instrument.fresh_air_after.get("co_dry")
    if co is not None and not co <= 10.0:
        failed.append(f"fresh air read {co:.0f} ppm CO afterwards (at most 10)")
    if failed:
        view.flag(
            CHECK_FAILED,
            "check",
            f"Every reading of this visit is in doubt: {' and '.join(failed)}.",
        )
    if instrument.leak_check is None and instrument.fresh_air_zero is None and o2 is None:
        why = "neither leak check nor fresh-air zero is recorded"
        view.not_judged(CHECK_FAILED, why)
    given = instrument.name or instrument.serial or instrument.calibrated or instrument.accuracies
    absent = [
        name
        for name, value in (
            ("leak check", instrument.leak_check),
            ("fresh-air zero", instrument.fresh_air_zero),
        )
        if value is None
    ]
    if not given:
        view.not_judged(CHECK_MISSING, "no instrument data are given")
    elif absent:
        verb = "is" if len(absent) == 1 else "are"
        view.flag(
            CHECK_MISSING,
            "info",
            f"{' and '.join(absent).capitalize()} of the instrument {verb} not recorded.",
        )


def _range(view: View) -> None:
    ranges = view.visit.instrument.ranges
    if not ranges:
        view.not_judged(RANGE, "no range of the instrument is stated")
        return
    for point in view.deciding:
        for key, span in ranges.items():
            value = point.mean(key)
            if value is None or key == "co_dry":
                continue
            over = span.high is not None and value > span.high
            under = span.low is not None and value < span.low
            if over or under:
                view.flag(
                    RANGE,
                    "check",
                    f"{key} reads {value:g} {point.at()}, outside the instrument's range of "
                    f"{span.low if span.low is not None else '-'} to "
                    f"{span.high if span.high is not None else '-'}.",
                    points=(point,),
                    quantity=key,
                    value=value,
                    low=span.low,
                    high=span.high,
                    answer="beyond",
                    tag=key,
                )


def _own_figures(view: View, point: Point) -> bool:
    o2 = point.o2
    if o2 is None or not 0.0 <= o2 < 18.0:
        return False
    known = facts(point.fuel)
    judged = False
    excess = point.mean("stated_excess_air")
    ratio = point.mean("stated_lambda")
    if excess is None and ratio is not None:
        excess = 100.0 * (ratio - 1.0)
    if excess is not None and known is not None:
        judged = True
        ours = known.excess_air(o2)
        plain = 100.0 * o2 / (AIR_O2 - o2)
        slope = 100.0 * AIR_O2 / (AIR_O2 - o2) ** 2
        # A stated figure was made of the same O2: only its rounding to 0.1 % is between them.
        allowed = max(5.0, 0.1 * ours) + 0.1 * slope
        if min(abs(excess - ours), abs(excess - plain)) > allowed:
            _differ(view, point, "stated_excess_air", "excess air", excess, ours, allowed, "%")
    stated = point.mean("stated_co_air_free")
    if stated is not None and point.co_af is not None and point.co is not None:
        judged = True
        other = point.co * 21.0 / (21.0 - o2)
        allowed = max(10.0, 0.1 * point.co_af)
        if min(abs(stated - point.co_af), abs(stated - other)) > allowed:
            _differ(
                view,
                point,
                "stated_co_air_free",
                "CO air-free",
                stated,
                point.co_af,
                allowed,
                "ppm",
            )
    return _efficiency(view, point) or judged


def _efficiency(view: View, point: Point) -> bool:
    stated = {key: value for key in _EFFICIENCIES if (value := point.mean(key)) is not None}
    air = point.number("combustion_air_temperature")
    known = facts(point.fuel)
    if not stated or air is None or point.stack is None or point.o2 is None or known is None:
        return False
    computed = known.efficiencies(point.o2, point.stack, air)
    if computed is None:
        return False
    gross, net, gross_condensing, net_condensing = computed
    choices = {
        "stated_efficiency_gross": (gross, gross_condensing),
        "stated_efficiency_net": (net, net_condensing),
        "stated_efficiency": computed,
    }
    for key, value in stated.items():
        nearest = min(choices[key], key=lambda c: abs(c - value))
        # Between dry and condensing any figure may be meant: conventions differ that much there.
        low, high = min(choices[key]), max(choices[key])
        inside = low <= value <= high and key != "stated_efficiency"
        if not inside and abs(nearest - value) > 2.0:
            _differ(view, point, key, "efficiency", value, nearest, 2.0, "%")
    return True


def _differ(
    view: View,
    point: Point,
    key: str,
    name: str,
    stated: float,
    ours: float,
    allowed: float,
    unit: str,
) -> None:
    view.flag(
        DISAGREES,
        "check",
        f"The analyzer states {name} of {stated:.1f} {unit} {point.at()}, its own readings give "
        f"{ours:.1f} {unit}: more than {allowed:.1f} apart.",
        points=(point,),
        quantity=key,
        unit=unit,
        value=stated,
        low=ours - allowed,
        high=ours + allowed,
        answer="beyond",
        tag=key,
    )


RULES = (CALIBRATION, CHECK_FAILED, CHECK_MISSING, RANGE, DISAGREES)
