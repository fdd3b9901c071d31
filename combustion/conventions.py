"""What other conventions would say, and the heat of the full balance that the default leaves out.

None of this is used by the computed columns. It is here so that a number from another instrument
or table can be explained, and so that the default can be closed against a full enthalpy balance.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from combustion.air import (
    ARGON_IN_DRY_AIR,
    CO2_IN_DRY_AIR,
    N2_IN_DRY_AIR,
    O2_IN_DRY_AIR,
    STANDARD_PRESSURE,
    water_per_dry_air,
)
from combustion.fuels import Fuel
from combustion.losses import heat_balance_from_o2
from combustion.refusals import Value
from combustion.stoichiometry import Products, products_from_o2
from combustion.thermo import enthalpy_difference
from combustion.water import HFG_25, MOLAR_MASS_WATER, heat_of_vaporisation

OIL_HEAT_CAPACITY = 2.0
"""[kJ/(kg K)], light oil near room temperature, common practice."""


def sensible_heat_of_products(
    products: Products, from_temperature: Value, to_temperature: Value
) -> Value:
    """Return the enthalpy of the wet products between two temperatures, species by species.

    Parameters
    ----------
    products : Products
        The flue gas per unit of fuel, without NO and NO2.
    from_temperature, to_temperature : float or array
        Temperatures [degC].

    Returns
    -------
    float or array
        Heat [kJ per unit of fuel].

    Notes
    -----
    The slow, literal sum that the fast kernels are held against.

    Source: NASA TM-4513, :mod:`combustion.thermo`.
    """
    amounts = (
        ("CO2", products.co2),
        ("CO", products.co),
        ("O2", products.o2),
        ("N2", products.n2),
        ("Ar", products.argon),
        ("SO2", products.so2),
        ("H2O", products.water),
    )
    total: Value = 0.0
    for species, amount in amounts:
        difference = enthalpy_difference(species, from_temperature, to_temperature)
        total = total + amount * difference
    return total


def sensible_heat_of_fuel(fuel: Fuel, from_temperature: float, to_temperature: float) -> float:
    """Return the sensible heat of the fuel itself between two temperatures.

    Parameters
    ----------
    fuel : Fuel
        A gas, by its components; hydrocarbons above n-pentane by their carbon on n-pentane. An oil
        by one heat capacity.
    from_temperature, to_temperature : float
        Temperatures [degC].

    Returns
    -------
    float
        Heat [kJ per unit of fuel].

    Notes
    -----
    Source: NASA TM-4513; oil 2.0 kJ/(kg K), common practice.
    """
    if fuel.kind == "oil":
        return OIL_HEAT_CAPACITY * (to_temperature - from_temperature)
    stand_ins = {"nC6H14": ("nC5H12", 1.2)}
    total = 0.0
    for component, share in fuel.composition.items():
        species, times = stand_ins.get(component, (component, 1.0))
        heat = float(enthalpy_difference(species, from_temperature, to_temperature))
        total += 0.01 * share * times * heat
    return total


def reference_temperature_term_gross(
    fuel: Fuel, products: Products, combustion_air_temperature: float
) -> float:
    """Return what a full enthalpy balance adds to the default efficiency.

    Parameters
    ----------
    fuel : Fuel
        What burns; it enters at the temperature of the air.
    products : Products
        The flue gas per unit of fuel.
    combustion_air_temperature : float
        Temperature of fuel and air [degC].

    Returns
    -------
    float
        Percentage points of the gross efficiency, 0 at 25 degC, at most 0.043 in size for natural
        gas from -10 to 45 degC and up to 14 % O2.

    Notes
    -----
    Heating values hold at 25 degC. The default takes the products' enthalpy down to air temperature
    and takes the heating value as it is; what reactants and products differ in between the two
    temperatures is this term: ``(H_reactants - H_products)(25 degC to air) / gross``.

    Source: first law.
    """
    t = float(combustion_air_temperature)
    reactants = sensible_heat_of_fuel(fuel, 25.0, t)
    for species, share in (
        ("O2", O2_IN_DRY_AIR),
        ("N2", N2_IN_DRY_AIR),
        ("Ar", ARGON_IN_DRY_AIR),
        ("CO2", CO2_IN_DRY_AIR),
    ):
        reactants += float(products.air) * share * float(enthalpy_difference(species, 25.0, t))
    air_water = float(products.water) - fuel.water
    reactants += air_water * float(enthalpy_difference("H2O", 25.0, t))
    return 100.0 * (reactants - float(sensible_heat_of_products(products, 25.0, t))) / fuel.gross


@dataclass(frozen=True, slots=True)
class Convention:
    """Another way to count.

    Attributes
    ----------
    products_down_to : str
        ``"air"`` temperature, or ``"25degC"``.
    o2_in_air : float
        O2 of dry air [%]; at 20.9 and 21 the rest is nitrogen.
    h_fg_at : float
        Temperature of the heat of vaporisation in the latent loss [degC].
    """

    products_down_to: Literal["air", "25degC"] = "air"
    o2_in_air: float = 100.0 * O2_IN_DRY_AIR
    h_fg_at: float = 25.0


DEFAULT_CONVENTION = Convention()

CONVENTIONS: dict[str, Convention] = {
    "default": DEFAULT_CONVENTION,
    "products to 25 degC": Convention(products_down_to="25degC"),
    "air of 20.9 % O2, rest N2": Convention(o2_in_air=20.9),
    "air of 21 % O2, rest N2": Convention(o2_in_air=21.0),
    "h_fg at 0 degC": Convention(h_fg_at=0.0),
    "h_fg at 50 degC": Convention(h_fg_at=50.0),
}


def efficiency_gross_by_convention(
    fuel: Fuel,
    o2_dry: float,
    stack_temperature: float,
    combustion_air_temperature: float,
    convention: Convention = DEFAULT_CONVENTION,
    co_dry: float = 0.0,
    relative_humidity: float = 0.0,
    barometric_pressure: float = STANDARD_PRESSURE,
) -> float:
    """Return the gross efficiency, condensation not credited, by another convention.

    Parameters
    ----------
    fuel : Fuel
        What burns.
    o2_dry : float
        O2 [% dry], below the O2 of the air.
    stack_temperature, combustion_air_temperature : float
        Temperatures [degC].
    convention : Convention
        How to count.
    co_dry : float
        CO [ppm dry].
    relative_humidity : float
        Relative humidity [%].
    barometric_pressure : float
        Absolute pressure [Pa].

    Returns
    -------
    float
        Efficiency [% gross]; CO loss left out.

    Notes
    -----
    Source: first principles.

    Examples
    --------
    >>> from combustion.fuels import FUELS
    >>> gas = FUELS["natural_gas"]
    >>> default = efficiency_gross_by_convention(gas, 5.0, 180.0, 5.0)
    >>> other = efficiency_gross_by_convention(gas, 5.0, 180.0, 5.0, Convention("25degC"))
    >>> round(other - default, 2)
    0.9
    """
    balance = heat_balance_from_o2(
        fuel,
        float(o2_dry),
        float(stack_temperature),
        float(combustion_air_temperature),
        float(co_dry),
        float(relative_humidity),
        float(barometric_pressure),
    )
    products = balance.products
    if convention.o2_in_air != 100.0 * O2_IN_DRY_AIR:
        water = float(
            water_per_dry_air(
                float(combustion_air_temperature),
                float(relative_humidity),
                float(barometric_pressure),
            )
        )
        products = _products_with_plain_air(
            fuel, float(o2_dry), float(co_dry), 0.01 * convention.o2_in_air, water
        )
    down_to = 25.0 if convention.products_down_to == "25degC" else combustion_air_temperature
    sensible = sensible_heat_of_products(products, float(down_to), float(stack_temperature))
    h_fg = HFG_25 if convention.h_fg_at == 25.0 else heat_of_vaporisation(convention.h_fg_at)
    latent = fuel.water * MOLAR_MASS_WATER * 1e-3 * float(h_fg)
    return 100.0 - 100.0 * (float(sensible) + latent) / fuel.gross


def _products_with_plain_air(
    fuel: Fuel, o2_dry: float, co_dry: float, x: float, water_per_air: float
) -> Products:
    """Return the balance with an air of O2 and nitrogen only, as older texts have it."""
    y, z = 0.01 * o2_dry, 1e-6 * co_dry
    fixed = fuel.dry_products_at_no_air
    dry = (fixed + fuel.o2_required / x) / (1.0 - (y - z / 2.0) / x - z / 2.0)
    co = z * dry
    air = dry - fixed - co / 2.0
    plain = products_from_o2(fuel, o2_dry, co_dry)
    return Products(
        air=air,
        dry=dry,
        o2=y * dry,
        co2=fuel.carbon - co,
        co=co,
        n2=fuel.nitrogen / 2.0 + air * (1.0 - x),
        argon=fuel.inert,
        so2=plain.so2,
        no=0.0,
        no2=0.0,
        water=fuel.water + air * water_per_air,
    )
