"""O2 projected to the coldest and the warmest combustion air of the year."""

from __future__ import annotations

from combustion.season import air_ratio_factor
from ingest.fuel_facts import DRY_AIR_O2, FuelFacts, facts
from ingest.models import Severity
from ingest.rules.curve import BandAt, target_at
from ingest.rules.model import Rule
from ingest.rules.point import Point
from ingest.rules.view import View

SEASONS = Rule(
    key="o2_leaves_band_with_seasons",
    family="oxygen",
    title="Projected to leave its band with the seasons",
    meaning="A burner set on cold air gets less air by mass when the air is warm: O2 inside its "
    "band today would leave it.",
    formula="air ratio scales with the density of the air, (273.15 + today) / (273.15 + then), "
    "under a ratio governor with its root; O2 follows from the ratio; outside the band by more "
    "than 2 standard uncertainties and 0.3 %",
    default="to 35 degC, from air of 15 degC or less; a check for a fixed air setting, else info; "
    "with a fixed air setting also to -10 degC, as info",
    source="ideal-gas density of the air",
    status="common practice",
    causes="Set to the edge of its band on a cold or a hot day.",
    next_step="Leave room for the season by the boiler's instructions, or set again in the season.",
    silent="With oxygen trim, without air temperature or a target band, and where O2 is outside "
    "its band already.",
    needs="o2_dry and combustion_air_temperature as left, and a target band",
)
COLDEST, WARMEST = -10.0, 35.0


def projected_o2(known: FuelFacts, o2: float, today: float, then: float, control: str) -> float:
    """Return the O2 [% dry] of the same setting at another air temperature."""
    density = (273.15 + today) / (273.15 + then)
    kind = "ratio_governor" if control == "ratio_governor" else "fixed_air"
    ratio = (1.0 + known.excess_air(o2) / 100.0) * air_ratio_factor(kind, density)  # type: ignore[arg-type]
    excess = (ratio - 1.0) * known.air_per_dry
    return DRY_AIR_O2 * excess / (1.0 + excess) if excess > 0.0 else 0.0


def judge(view: View) -> None:
    """Project every deciding point."""
    control = view.boiler.air_fuel_control
    if control == "oxygen_trim":
        view.not_judged(SEASONS, "the boiler has oxygen trim")
        return
    judged = False
    for point in view.deciding:
        judged |= _project(view, point, control)
    if not judged:
        view.not_judged(SEASONS, "no deciding point has O2, air temperature and a target band")


def _project(view: View, point: Point, control: str) -> bool:
    air, known = point.number("combustion_air_temperature"), facts(point.fuel)
    band = target_at(view, point)
    if point.o2 is None or air is None or known is None or band.source.level == "default":
        return False
    if not -40.0 <= air <= 60.0 or not 0.0 < point.o2 < 15.0:
        return False
    u = point.u_o2
    if band.low is not None and point.o2 > band.low and air <= WARMEST - 20.0:
        o2 = projected_o2(known, point.o2, air, WARMEST, control)
        if band.low - o2 > 0.3 + 2.0 * u:
            severity: Severity = "check" if control == "fixed_air" else "info"
            _say(view, point, band, o2, air, WARMEST, severity)
    # More air in the cold costs heat and no safety: said only where the control is known.
    if control == "fixed_air" and band.high is not None and point.o2 < band.high:
        o2 = projected_o2(known, point.o2, air, COLDEST, control)
        if o2 - band.high > 0.3 + 2.0 * u:
            _say(view, point, band, o2, air, COLDEST, "info")
    return True


def _say(
    view: View,
    point: Point,
    band: BandAt,
    o2: float,
    air: float,
    then: float,
    severity: Severity,
) -> None:
    view.flag(
        SEASONS,
        severity,
        f"O2 of {point.o2:.1f} % {point.at()} at {air:.0f} degC combustion air would be about "
        f"{o2:.1f} % at {then:.0f} degC, outside its band of {band.shown()}.",
        points=(point,),
        quantity="o2_dry",
        unit="%",
        value=o2,
        u=point.u_o2,
        low=band.low,
        high=band.high,
        source=band.source,
        tag="warm" if then == WARMEST else "cold",
    )


RULES = (SEASONS,)
