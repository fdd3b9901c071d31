"""Carbon monoxide: above its limits, elevated, rising, beyond what the sensor can show."""

from __future__ import annotations

from ingest.rules.model import Rule
from ingest.rules.view import Point, View, probability_above

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
    silent="When CO or O2 was not read, or O2 is above 18 %.",
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
    silent="When CO or O2 was not read, or O2 is above 18 %.",
    needs="co_dry and o2_dry as left",
    limits=("co_air_free_check",),
    safety=True,
)
STOP_STEP = (
    "Shut the burner down, ventilate the room, and leave it off: only a person licensed for this "
    "boiler restarts it after the cause is put right, by the boiler's instructions and local code."
)


def judge(view: View) -> None:
    """Judge carbon monoxide at every deciding point."""
    judged = False
    for point in view.deciding:
        if point.co_af is not None:
            judged = True
            _against_limits(view, point)
    if not judged:
        why = "no deciding point has both CO and O2"
        view.not_judged(CO_ABOVE_LIMIT, why)
        view.not_judged(CO_ELEVATED, why)


def _against_limits(view: View, point: Point) -> None:
    value = point.co_af
    if value is None:
        return
    u = point.u_co_af
    limits = view.limits.limits
    check, fix = limits["co_air_free_check"], limits["co_air_free_fix"]
    stop = limits["co_air_free_stop"]
    shown = f"CO air-free is {value:.0f} ppm {point.at()}"
    common = {"points": (point,), "quantity": "co_air_free", "unit": "ppm", "value": value, "u": u}
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
        return
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
        return
    p = probability_above(value, u, check.value)
    answer = view.answer(p)
    if answer is None:
        return
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


RULES = (CO_ABOVE_LIMIT, CO_ELEVATED)
