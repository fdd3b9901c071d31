"""Facts of a fuel that the rules need as plain floats, worked out once per fuel text.

Dry complete combustion is linear: O2 = O2 of air * (1 - D0 / D), with D0 the dry stoichiometric
flue gas and D the dry flue gas of a unit of fuel; CO2 follows but for the trace of it in the air.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

from combustion.air import CO2_IN_DRY_AIR, O2_IN_DRY_AIR
from combustion.fuel_text import FuelError, fuel_from_text
from combustion.fuels import FUELS, Fuel
from combustion.losses import heat_balance_from_o2
from combustion.refusals import OutOfRange

DRY_AIR_O2 = 100.0 * O2_IN_DRY_AIR
DRY_AIR_CO2 = 100.0 * CO2_IN_DRY_AIR


@dataclass(frozen=True, slots=True)
class FuelFacts:
    """What the rules need of one fuel.

    Attributes
    ----------
    key : str
        The fuel's own key, the same for every spelling.
    oil : bool
        Whether it is an oil.
    co2_ultimate : float
        CO2 of the dry stoichiometric flue gas [%].
    water_per_dry : float
        Water of combustion per dry stoichiometric flue gas [mol/mol].
    air_per_dry : float
        Dry stoichiometric air per dry stoichiometric flue gas [mol/mol].
    """

    fuel: Fuel
    key: str
    oil: bool
    co2_ultimate: float
    water_per_dry: float
    air_per_dry: float

    def co2(self, o2_dry: float) -> float:
        """Return CO2 [% dry] that goes with O2 [% dry] when the fuel burns out."""
        share = o2_dry / DRY_AIR_O2
        return self.co2_ultimate * (1.0 - share) + DRY_AIR_CO2 * share

    def o2(self, co2_dry: float) -> float:
        """Return O2 [% dry] that goes with CO2 [% dry] when the fuel burns out."""
        return DRY_AIR_O2 * (self.co2_ultimate - co2_dry) / (self.co2_ultimate - DRY_AIR_CO2)

    def excess_air(self, o2_dry: float) -> float:
        """Return the excess air [%] that goes with O2 [% dry] when the fuel burns out."""
        return 100.0 * o2_dry / (DRY_AIR_O2 - o2_dry) / self.air_per_dry

    def efficiencies(
        self, o2_dry: float, stack: float, air: float
    ) -> tuple[float, float, float, float] | None:
        """Return gross, net, gross condensing and net condensing efficiency [%], None if absurd."""
        try:
            balance = heat_balance_from_o2(self.fuel, o2_dry, stack, air)
        except OutOfRange:
            return None
        return (
            float(balance.efficiency_gross),
            float(balance.efficiency_net),
            float(balance.efficiency_gross_condensing),
            float(balance.efficiency_net_condensing),
        )

    def water_share(self, o2_dry: float, water_per_air: float = 0.0) -> float:
        """Return water vapour in the wet flue gas [mol/mol]."""
        dry = DRY_AIR_O2 / (DRY_AIR_O2 - o2_dry)
        air = self.air_per_dry + dry - 1.0
        water = self.water_per_dry + water_per_air * air
        return water / (dry + water)


@lru_cache(maxsize=256)
def facts(fuel: str) -> FuelFacts | None:
    """Return the facts of a fuel, None where the text names none.

    >>> round(facts("Natural gas").co2_ultimate, 1), facts("phlogiston")
    (11.9, None)
    """
    try:
        known = fuel_from_text(fuel)
    except FuelError:
        return None
    return FuelFacts(
        fuel=known,
        key=known.key,
        oil=known.kind == "oil",
        co2_ultimate=known.co2_ultimate,
        water_per_dry=known.water / known.dry_products,
        air_per_dry=known.air_required / known.dry_products,
    )


@lru_cache(maxsize=256)
def fuel_key(fuel: str) -> str:
    """Return one key for every spelling of a fuel; the text itself where it names none known.

    >>> fuel_key("Natural Gas")
    'natural_gas'
    """
    known = facts(fuel)
    return fuel if known is None else known.key


@lru_cache(maxsize=1)
def usual_fuels() -> tuple[FuelFacts, ...]:
    """Return the facts of every fuel that an analyzer may have been set to."""
    found = (facts(key) for key in FUELS)
    return tuple(f for f in found if f is not None)


def same_fuel(one: str, other: str) -> bool:
    """Return whether two texts name one fuel."""
    return one == other or fuel_key(one) == fuel_key(other)


def o2_from_co2(co2: float, fuel: str) -> float | None:
    """Return O2 [% dry] that goes with CO2 [% dry] when the fuel burns out, None if unknown."""
    known = facts(fuel)
    return None if known is None else known.o2(co2)
