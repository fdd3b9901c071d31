"""Oxygen against the boiler's target band, and its spread between low and high fire."""

from __future__ import annotations

from math import hypot

from ingest.models import Severity
from ingest.rules.curve import BandAt, target_at
from ingest.rules.history import median
from ingest.rules.model import Rule
from ingest.rules.point import Point
from ingest.rules.view import View, probability_above

O2_BELOW_BAND = Rule(
    key="o2_below_band",
    family="oxygen",
    title="O2 below its band",
    meaning="The flame gets less air than the boiler's target: CO and soot are near.",
    formula="O2 dry against the lower edge of the target band, interpolated over firing rate",
    default="2.0 % where no target is stated (then a check, not a fix)",
    source="the boiler's target curve; without one, the widest usual range of a burner",
    status="common practice",
    causes="Air damper or fan set low, dirty air filter or fan, gas pressure or heating value up, "
    "warmer combustion air than at setting, slack linkage.",
    next_step="Set the air by the boiler's instructions, watching CO, and repeat all rates.",
    silent="When O2 was not read.",
    needs="o2_dry as left",
    limits=("targets", "o2_band"),
)
O2_ABOVE_BAND = Rule(
    key="o2_above_band",
    family="oxygen",
    title="O2 above its band",
    meaning="The flame gets more air than the target: heat goes up the stack, the flame may lift.",
    formula="O2 dry against the upper edge of the target band, interpolated over firing rate",
    default="10.0 % where no target is stated (then a check, not a fix)",
    source="the boiler's target curve; without one, the widest usual range of a burner",
    status="common practice",
    causes="Air set high, gas pressure low, air leaking into the flue or into the sample line, "
    "slack linkage.",
    next_step="Look for air leaking into the sample first, then set by the boiler's instructions.",
    silent="When O2 was not read.",
    needs="o2_dry as left",
    limits=("targets", "o2_band"),
)
O2_SPREAD = Rule(
    key="o2_spread",
    family="oxygen",
    title="O2 spread between low and high fire",
    meaning="O2 runs away from the target curve between low and high fire, even where each end is "
    "inside its band: the ratio does not hold over the range.",
    formula="|(O2 - aim) at low fire - (O2 - aim) at high fire|; calibration error is shared by "
    "both and counted once, so only each reading's own uncertainty enters",
    default="1.0 % beyond the target curve's own difference",
    source="low to high fire beyond the target curve",
    status="common practice",
    causes="Slack or worn linkage, a cam or a fuel-air curve set at one end only, a drifting ratio "
    "governor, dirty air filter.",
    next_step="Set low and high fire again by the boiler's instructions, then check rates between.",
    silent="With one firing rate only, or without a target curve.",
    needs="o2_dry as left at two firing rates, and a target curve",
    limits=("targets", "o2_spread_max"),
)


def judge(view: View) -> None:
    """Judge O2 at every deciding point, and its spread on every curve."""
    judged = False
    for point in view.deciding:
        if point.o2 is not None:
            judged = True
            _against_band(view, point, point.o2)
    if not judged:
        for rule in (O2_BELOW_BAND, O2_ABOVE_BAND):
            view.not_judged(rule, "no deciding point has O2")
    if not view.curves:
        view.not_judged(O2_SPREAD, "there is no deciding point")
    for points in view.curves.values():
        _spread(view, [p for p in points if p.o2 is not None])


def _against_band(view: View, point: Point, o2: float) -> None:
    band = target_at(view, point)
    u = point.u_o2
    far = view.clear * u
    if band.low is not None and not o2 - band.low > far:
        p = 1 - probability_above(o2, u, band.low)
        _off_band(view, O2_BELOW_BAND, point, band, o2, p, "below")
    if band.high is not None and not band.high - o2 > far:
        p = probability_above(o2, u, band.high)
        _off_band(view, O2_ABOVE_BAND, point, band, o2, p, "above")


def _off_band(
    view: View, rule: Rule, point: Point, band: BandAt, o2: float, p: float, side: str
) -> None:
    answer = view.answer(p)
    if answer is None:
        return
    severity: Severity = "info"
    said = f"too close to tell from the edge of its band of {band.shown()}"
    if answer == "beyond":
        severity = "check" if band.source.level == "default" else "fix"
        said = f"{side} its band of {band.shown()}"
    view.flag(
        rule,
        severity,
        f"O2 is {o2:.1f} % {point.at()}, {said}.",
        points=(point,),
        quantity="o2_dry",
        unit="%",
        value=o2,
        u=point.u_o2,
        low=band.low,
        high=band.high,
        answer=answer,
        probability=p,
        source=band.source,
    )


def _aim(band: BandAt) -> float | None:
    if band.aim is not None:
        return band.aim
    if band.low is not None and band.high is not None:
        return 0.5 * (band.low + band.high)
    return band.low if band.low is not None else band.high


def expected_o2(view: View, point: Point) -> float | None:
    """Return the O2 aimed at [% dry]: the target's aim, else the median of earlier visits."""
    band = target_at(view, point)
    if band.source.level != "default":
        return _aim(band)
    earlier = view.past(point).means("o2_dry")
    return median(earlier) if len(earlier) >= 2 else None


def _spread(view: View, points: list[Point]) -> None:
    if len(points) < 2:
        view.not_judged(O2_SPREAD, "O2 was read at fewer than two firing rates")
        return
    low, high = points[0], points[-1]
    bands = target_at(view, low), target_at(view, high)
    if bands[0].source.level == "default" or bands[1].source.level == "default":
        view.not_judged(O2_SPREAD, "no target curve is stated for this boiler and fuel")
        return
    aims = _aim(bands[0]), _aim(bands[1])
    if low.o2 is None or high.o2 is None or aims[0] is None or aims[1] is None:
        return
    limit = view.limits.limits["o2_spread_max"]
    difference = (low.o2 - aims[0]) - (high.o2 - aims[1])
    u = hypot(low.own_u("o2_dry"), high.own_u("o2_dry"))
    p = probability_above(abs(difference), u, limit.value)
    answer = view.answer(p)
    if answer is None:
        return
    beside = "more than" if answer == "beyond" else "too close to tell from"
    view.flag(
        O2_SPREAD,
        "fix" if answer == "beyond" else "info",
        f"O2 is {low.o2:.1f} % at {low.rate:g} % and {high.o2:.1f} % at {high.rate:g} %, "
        f"{abs(difference):.1f} % off the target curve's own difference, {beside} the "
        f"{limit.value:g} % allowed.",
        points=(low, high),
        quantity="o2_dry",
        unit="%",
        value=abs(difference),
        u=u,
        high=limit.value,
        answer=answer,
        probability=p,
        source=limit.source,
    )


RULES = (O2_BELOW_BAND, O2_ABOVE_BAND, O2_SPREAD)
