"""Two looks at one thing: up and down passes at a rate, the boiler's own sensor, the analyzer."""

from __future__ import annotations

from math import hypot

from ingest.fuel_facts import facts
from ingest.rules.model import Rule
from ingest.rules.point import Point
from ingest.rules.view import View, probability_above

HYSTERESIS = Rule(
    key="linkage_hysteresis",
    family="oxygen",
    title="Ratio differs between up and down",
    meaning="O2 at one rate depends on whether the burner came from below or from above.",
    formula="O2 of two as-left passes at a rate, difference beyond 0.6 % at p >= 0.95; calibration "
    "error is shared and leaves the difference",
    default="0.6 % O2",
    source="play of a linkage in good order",
    status="common practice",
    causes="Worn pins and joints, slack linkage, a sticking damper or actuator.",
    next_step="Look for play in the linkage, replace what is worn, then set all rates again.",
    silent="With one pass at every rate: a return to a rate is a new pass and correct work.",
    needs="O2 in two as-left passes at a rate",
)
OWN_SENSOR = Rule(
    key="boiler_oxygen_sensor_off",
    family="oxygen",
    title="Boiler's own oxygen sensor disagrees",
    meaning="The boiler's in-situ sensor reads wet gas; brought to dry, it does not agree with the "
    "analyzer.",
    formula="O2 wet / (1 - water share of the wet gas), against O2 dry, difference beyond 0.5 % at "
    "p >= 0.95",
    default="0.5 % O2",
    source="usual agreement of an in-situ sensor",
    status="common practice",
    causes="Aged or fouled sensor, wrong calibration, a leak before one of the two.",
    next_step="Calibrate the boiler's sensor by its instructions, or repeat with the analyzer.",
    silent="When one of the two was not read, or the fuel is not known.",
    needs="o2_wet and o2_dry as left, and a known fuel",
)


def judge(view: View) -> None:
    """Judge passes against each other, and the boiler's own sensor against the analyzer."""
    _hysteresis(view)
    judged = False
    for point in view.deciding if "o2_wet" in view.read else ():
        judged |= _own_sensor(view, point)
    if not judged:
        view.not_judged(OWN_SENSOR, "the boiler's own sensor was not read beside the analyzer")


def _hysteresis(view: View) -> None:
    with_o2 = ([p for p in passes if p.o2 is not None] for passes in view.repeated)
    several = [passes for passes in with_o2 if len(passes) > 1]
    if not several:
        view.not_judged(HYSTERESIS, "no rate has two as-left passes with O2")
        return
    for points in several:
        low = min(points, key=lambda p: p.o2 or 0.0)
        high = max(points, key=lambda p: p.o2 or 0.0)
        difference = (high.o2 or 0.0) - (low.o2 or 0.0)
        u = hypot(low.own_u("o2_dry"), high.own_u("o2_dry"))
        p = probability_above(difference, u, 0.6)
        if p < view.beyond_at:
            continue
        view.flag(
            HYSTERESIS,
            "check",
            f"O2 is {low.o2:.1f} % in one pass and {high.o2:.1f} % in another {low.at()}, "
            f"{difference:.1f} % apart (0.6 % allowed).",
            points=(points[-1],),
            quantity="o2_dry",
            unit="%",
            value=difference,
            u=u,
            high=0.6,
            answer="beyond",
            probability=p,
        )


def _own_sensor(view: View, point: Point) -> bool:
    wet, known = point.mean("o2_wet"), facts(point.fuel)
    if wet is None or point.o2 is None or known is None or not 0.0 <= point.o2 < 15.0:
        return False
    # Combustion air holds about 1 % water by volume: 0.008 mol/mol is a usual room.
    share = known.water_share(point.o2, 0.008)
    dry = wet / (1.0 - share)
    difference = dry - point.o2
    u = hypot(point.u_o2, point.u("o2_wet") / (1.0 - share))
    p = probability_above(abs(difference), u, 0.5)
    if p >= view.beyond_at:
        view.flag(
            OWN_SENSOR,
            "check",
            f"The boiler's own sensor reads {wet:.1f} % O2 wet {point.at()}, {dry:.1f} % dry, and "
            f"the analyzer {point.o2:.1f} %: {abs(difference):.1f} % apart (0.5 % allowed).",
            points=(point,),
            quantity="o2_wet",
            unit="%",
            value=wet,
            u=point.u("o2_wet"),
            low=(point.o2 - 0.5) * (1.0 - share),
            high=(point.o2 + 0.5) * (1.0 - share),
            answer="beyond",
            probability=p,
        )
    return True


RULES = (HYSTERESIS, OWN_SENSOR)
