"""O2 projected to the coldest and the warmest combustion air of the year."""

from __future__ import annotations

from ingest.fuel_facts import DRY_AIR_O2, FuelFacts, facts
from ingest.rules.curve import target_at
from ingest.rules.model import Rule
from ingest.rules.view import Point, View

SEASONS = Rule(
    key="o2_leaves_band_with_seasons",
    family="oxygen",
    title="Projected to leave its band with the seasons",
    meaning="A burner with a fixed air setting gets less air by mass when the air is warm: O2 "
    "inside its band today would leave it.",
    formula="air ratio scales with the density of the air, (273.15 + today) / (273.15 + then); O2 "
    "follows from the ratio; against the band by more than 2 standard uncertainties and 0.3 %",
    default="combustion air from -10 to 35 degC; info where the kind of control is not stated",
    source="ideal-gas density of the air",
    status="common practice",
    causes="Set to the edge of its band on a cold or a hot day.",
    next_step="Leave room for the season by the boiler's instructions, or set again in the season.",
    silent="For ratio governors and oxygen trim, without air temperature or a target band, and "
    "where O2 is outside its band already.",
    needs="o2_dry and combustion_air_temperature as left, a target band, a fixed air setting",
)
COLDEST, WARMEST = -10.0, 35.0


def projected_o2(known: FuelFacts, o2: float, today: float, then: float) -> float:
    """Return the O2 [% dry] that a fixed air setting would give at another air temperature."""
    ratio = 1.0 + known.excess_air(o2) / 100.0
    ratio *= (273.15 + today) / (273.15 + then)
    excess = (ratio - 1.0) * known.air_per_dry
    return DRY_AIR_O2 * excess / (1.0 + excess) if excess > 0.0 else 0.0


def judge(view: View) -> None:
    """Project every deciding point."""
    control = view.boiler.air_fuel_control
    if control in ("ratio_governor", "oxygen_trim"):
        view.not_judged(SEASONS, f"the boiler has {control.replace('_', ' ')}")
        return
    judged = False
    for point in view.deciding:
        judged |= _project(view, point, control == "fixed_air")
    if not judged:
        view.not_judged(SEASONS, "no deciding point has O2, air temperature and a target band")


def _project(view: View, point: Point, fixed: bool) -> bool:
    air, known = point.number("combustion_air_temperature"), facts(point.fuel)
    band = target_at(view, point)
    if point.o2 is None or air is None or known is None or band.source.level == "default":
        return False
    if not -40.0 <= air <= 60.0 or not 0.0 < point.o2 < 15.0:
        return False
    u = point.u_o2
    for then, edge, sign in ((WARMEST, band.low, -1.0), (COLDEST, band.high, 1.0)):
        if edge is None or sign * (point.o2 - edge) >= 0.0:
            continue
        o2 = projected_o2(known, point.o2, air, then)
        if sign * (o2 - edge) > 0.3 + 2.0 * u:
            view.flag(
                SEASONS,
                "check" if fixed and abs(air - then) >= 20.0 and sign < 0 else "info",
                f"O2 of {point.o2:.1f} % {point.at()} at {air:.0f} degC combustion air would be "
                f"about {o2:.1f} % at {then:.0f} degC, outside its band of {band.shown()}.",
                points=(point,),
                quantity="o2_dry",
                unit="%",
                value=o2,
                u=u,
                low=band.low,
                high=band.high,
                source=band.source,
                tag="warm" if sign < 0 else "cold",
            )
    return True


RULES = (SEASONS,)
