"""A small physical boiler: what its burner and heat exchanger do to the flue gas.

Enough physics that the demo's numbers hang together (more excess air cools the flame, cold air
leans the burner, soot raises the stack temperature, too little air makes CO), and no more: it is a
model to make example data with, never one to judge a real boiler by. Excess air and heat balance
follow from the fuel's atoms; the heat exchanger is one effectiveness with a fixed water side.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from samples.plant_log import PlantLog, Step

O2_IN_AIR = 0.2095
"""Mole fraction of oxygen in dry air, common practice."""

_FLUE_HEAT_CAPACITY = 33.5
"""Mean molar heat capacity of flue gas between room and flame temperature [J/(mol K)], rounded."""

_ATMOSPHERE = 101325.0


@dataclass(frozen=True, slots=True)
class PlantFuel:
    """A fuel as one average molecule, which is all that this model needs.

    ``carbon`` and ``hydrogen`` are atoms per molecule; heating values in kJ per mole of fuel.
    """

    carbon: float
    hydrogen: float
    gross: float
    net: float

    @property
    def oxygen_needed(self) -> float:
        """Return moles of O2 for complete combustion of one mole of fuel."""
        return self.carbon + self.hydrogen / 4.0


# Methane and propane heating values: ISO 6976:2016 at 15 degC (read, in an open library's data).
# Natural gas as methane with 4 % ethane-like carbon, oil as CH1.85 at 45.5 / 42.7 MJ/kg: rounded,
# common practice.
PLANT_FUELS: dict[str, PlantFuel] = {
    "natural_gas": PlantFuel(1.04, 4.08, 920.0, 829.6),
    "propane": PlantFuel(3.0, 8.0, 2221.10, 2043.37),
    "oil": PlantFuel(1.0, 1.85, 45.5 * 13.876, 42.7 * 13.876),
}
"""Fuels of the demo by key."""
_ALIASES = {"no2_oil": "oil", "fuel_oil_2": "oil", "light_heating_oil": "oil", "lpg": "propane"}


def plant_fuel(key: str) -> PlantFuel:
    """Return the model's fuel, taking a few other spellings of oil and propane."""
    try:
        return PLANT_FUELS[_ALIASES.get(key, key)]
    except KeyError:
        raise ValueError(f"the demo boiler fires {', '.join(PLANT_FUELS)}, not {key!r}") from None


def o2_from_lambda(fuel: PlantFuel, air_ratio: float) -> float:
    """Return O2 [% dry] in the flue gas at an air ratio of 1 or more.

    >>> round(o2_from_lambda(PLANT_FUELS["natural_gas"], 1.25), 1)
    4.6
    """
    need = fuel.oxygen_needed
    spare = (air_ratio - 1.0) * need
    dry = fuel.carbon + spare + air_ratio * need * (1.0 - O2_IN_AIR) / O2_IN_AIR
    return 100.0 * spare / dry


def lambda_from_o2(fuel: PlantFuel, o2_dry: float) -> float:
    """Return the air ratio at an O2 [% dry] below that of air; inverts :func:`o2_from_lambda`."""
    need, x = fuel.oxygen_needed, o2_dry / 100.0
    # (l - 1) n = x (c + (l - 1) n + l n k), solved for l
    k = (1.0 - O2_IN_AIR) / O2_IN_AIR
    return (need - x * need + x * fuel.carbon) / (need * (1.0 - x - x * k))


@dataclass(frozen=True, slots=True)
class BoilerModel:
    """A boiler and its burner as tuned.

    Attributes
    ----------
    fuel : str
        ``natural_gas``, ``propane`` or ``oil``.
    rated_input : float
        Gross heat input at 100 % firing rate [kW].
    turndown : float
        Highest over lowest input; low fire is ``100 / turndown`` percent.
    condensing : bool
        Whether the heat exchanger is large enough, and allowed, to condense.
    o2_curve : tuple of (percent, percent dry)
        O2 over firing rate as tuned, between which it is interpolated.
    tuned_air_temperature : float
        Combustion air temperature at which the curve was set [degC].
    transfer_units : float or None
        Transfer units of the heat exchanger at high fire, None for a usual one of its kind.
    co_base, co_edge_o2, co_edge_width : float
        CO where the burner runs well [ppm dry]; the O2 [% dry] below which it climbs (100 ppm
        above base on the edge), and how fast [% O2 per factor e].
    lift_edge_o2 : float
        O2 [% dry] above which the flame lifts and CO climbs again.
    nox_at_3 : float
        NOx at 3 % O2 of the burner at high fire [ppm dry].
    water_rise : float
        Supply less return water temperature at high fire [K].
    stack_height : float
        Height of the vent that makes draft [m].
    """

    fuel: str = "natural_gas"
    rated_input: float = 600.0
    turndown: float = 5.0
    condensing: bool = False
    o2_curve: tuple[tuple[float, float], ...] = ((20.0, 6.0), (50.0, 4.5), (100.0, 3.5))
    tuned_air_temperature: float = 20.0
    transfer_units: float | None = None
    co_base: float = 8.0
    co_edge_o2: float = 1.8
    co_edge_width: float = 0.28
    lift_edge_o2: float = 10.5
    nox_at_3: float = 60.0
    water_rise: float = 20.0
    stack_height: float = 6.0

    @property
    def low_fire(self) -> float:
        """Return the lowest firing rate [%]."""
        return 100.0 / self.turndown

    def air_ratio(
        self,
        firing_rate: float,
        air_temperature: float = 20.0,
        *,
        excess_air_drift: float = 0.0,
        barometric_pressure: float = _ATMOSPHERE,
    ) -> float:
        """Return the air ratio at a firing rate.

        A fan moves volume, so warm or thin air brings less oxygen: the tuned ratio is scaled by air
        density (ideal gas). ``excess_air_drift`` is a relative change of the air flow since tuning
        (linkage wear, a dirty fan wheel), e.g. -0.08 for 8 % less air.
        """
        rates, o2 = zip(*sorted(self.o2_curve), strict=True)
        tuned = lambda_from_o2(plant_fuel(self.fuel), float(np.interp(firing_rate, rates, o2)))
        density = (self.tuned_air_temperature + 273.15) / (air_temperature + 273.15)
        density *= barometric_pressure / _ATMOSPHERE
        return max(1.0, tuned * density * (1.0 + excess_air_drift))

    def stack_temperature(
        self,
        firing_rate: float,
        air_ratio: float,
        air_temperature: float,
        return_water_temperature: float,
        fouling: float = 0.0,
    ) -> float:
        """Return the stack temperature [degC].

        Effectiveness of an exchanger whose water side is at one temperature: flue gas cools from
        the adiabatic flame temperature T_f towards the water T_w as
        ``T_w + (T_f - T_w) exp(-NTU)``, with NTU falling as flow to the power 0.25 and by
        ``1 + fouling``. Air counts twice in the flow: it also cools the flame, which then radiates
        less, so that excess air raises the stack temperature as it does in practice. (Textbook
        exchanger relation; the exponent is chosen to give the rise of stack temperature from low
        to high fire that is common practice.)
        """
        fuel = plant_fuel(self.fuel)
        need = fuel.oxygen_needed
        air = air_ratio * need / O2_IN_AIR
        wet = air + fuel.hydrogen / 4.0  # C + O2 -> CO2 keeps the count; H4 + O2 -> 2 H2O adds one
        flame = air_temperature + 1000.0 * fuel.net / (wet * _FLUE_HEAT_CAPACITY)
        usual = 4.9 if self.condensing else 2.65
        high = self.transfer_units if self.transfer_units is not None else usual
        flow = max(firing_rate, 1.0) / 100.0 * (air_ratio / 1.2) ** 2
        transfer = high * flow**-0.25 / (1.0 + fouling)
        rise = self.water_rise * firing_rate / 100.0
        # A condensing exchanger runs counterflow: its cold end meets the return water.
        water = return_water_temperature + (0.1 if self.condensing else 0.6) * rise
        return water + (flame - water) * math.exp(-transfer)

    def steady(
        self,
        firing_rate: float,
        air_temperature: float = 20.0,
        return_water_temperature: float = 60.0,
        *,
        excess_air_drift: float = 0.0,
        fouling: float = 0.0,
        barometric_pressure: float = _ATMOSPHERE,
        room_co: float = 0.0,
    ) -> dict[str, float]:
        """Return what a perfect instrument would read once everything has settled.

        Parameters
        ----------
        firing_rate : float
            Percent of rated input, low fire to 100 [%].
        air_temperature, return_water_temperature : float
            [degC]
        excess_air_drift : float
            Relative change of the air flow since the burner was tuned; negative is less air.
        fouling : float
            Added heat transfer resistance as a share of the clean one: 0.1 is a dirty boiler.
        barometric_pressure : float
            [Pa]
        room_co : float
            [ppm]

        Returns
        -------
        dict of str to float
            Glossary key to canonical value.

        Examples
        --------
        >>> point = BoilerModel().steady(100.0, 20.0, 60.0)
        >>> round(point["o2_dry"], 1), round(point["stack_temperature"])
        (3.5, 204)
        """
        fuel = plant_fuel(self.fuel)
        ratio = self.air_ratio(
            firing_rate,
            air_temperature,
            excess_air_drift=excess_air_drift,
            barometric_pressure=barometric_pressure,
        )
        o2 = o2_from_lambda(fuel, ratio)
        need = fuel.oxygen_needed
        dry = fuel.carbon + (ratio - 1) * need + ratio * need * (1 - O2_IN_AIR) / O2_IN_AIR
        stack = self.stack_temperature(
            firing_rate, ratio, air_temperature, return_water_temperature, fouling
        )
        share = firing_rate / 100.0
        co = self.carbon_monoxide(o2)
        nox = self.nox_at_3 * (20.9 - o2) / 17.9 * (0.85 + 0.15 * share)
        flow = share * ratio / 1.2
        buoyancy = 9.81 * 1.2 * self.stack_height * (stack - air_temperature) / (stack + 273.15)
        return {
            "firing_rate": firing_rate,
            "o2_dry": o2,
            "co2_dry": 100.0 * fuel.carbon / dry,
            "co_dry": co,
            "no_dry": 0.95 * nox,
            "nox_dry": nox,
            "stack_temperature": stack,
            "combustion_air_temperature": air_temperature,
            "return_water_temperature": return_water_temperature,
            "supply_water_temperature": return_water_temperature + self.water_rise * share,
            "stack_draft": -buoyancy + 14.0 * flow**2,
            "flame_signal": 3.5 + 4.0 * share**0.5,
            "fuel_input": self.rated_input * share,
            "barometric_pressure": barometric_pressure,
            "room_co": room_co,
        }

    def carbon_monoxide(self, o2_dry: float) -> float:
        """Return CO [ppm dry] at an O2 [% dry]: flat, with a steep edge on either side."""
        edge = 100.0 * math.exp((self.co_edge_o2 - o2_dry) / self.co_edge_width)
        lift = 100.0 * math.exp((o2_dry - self.lift_edge_o2) / 0.8)
        return min(self.co_base + edge + lift, 30000.0)

    def log(
        self,
        program: Sequence[Step],
        rng: np.random.Generator,
        **settings: Any,
    ) -> PlantLog:
        """Return a log of the boiler following a program; see :func:`samples.plant_log.log`."""
        from samples.plant_log import log

        return log(self, program, rng, **settings)
