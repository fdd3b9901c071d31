"""Losses and efficiency by one named convention, and what other conventions would say.

The default convention: the sensible loss is the enthalpy of the wet products from flue to
combustion-air temperature, the moisture of the air included, all water counted as vapour; the
latent loss is the combustion water times the heat of vaporisation at 25 degC, air moisture carrying
none; the CO loss is a term of its own. Gross and net stand on the fuel's heating values at 25 degC.
``docs/combustion.md`` holds the paragraph and the table of effects.
"""

from __future__ import annotations

from dataclasses import dataclass

from combustion.air import (
    ARGON_IN_DRY_AIR,
    CO2_IN_DRY_AIR,
    N2_IN_DRY_AIR,
    O2_IN_DRY_AIR,
    STANDARD_PRESSURE,
)
from combustion.condensation import Condensate, condense
from combustion.fuels import Fuel
from combustion.refusals import (
    AIR,
    CO,
    HUMIDITY,
    O2,
    PRESSURE,
    STACK,
    OutOfRange,
    Reason,
    Value,
    guarded,
)
from combustion.stoichiometry import Products, products_from_o2
from combustion.thermo import ENTHALPY, HEAT_OF_COMBUSTION_CO
from combustion.water import HFG_25, MOLAR_MASS_WATER, saturation_pressure_kernel

Coefficients = tuple[float, float, float, float, float]


def _mixture(amounts: dict[str, float]) -> Coefficients:
    sums = [sum(n * ENTHALPY[s][k] for s, n in amounts.items()) for k in range(5)]
    return (sums[0], sums[1], sums[2], sums[3], sums[4])


AIR_ENTHALPY = _mixture(
    {
        "O2": O2_IN_DRY_AIR,
        "N2": N2_IN_DRY_AIR,
        "Ar": ARGON_IN_DRY_AIR,
        "CO2": CO2_IN_DRY_AIR,
    }
)
"""Dry air, coefficients [kJ/mol]."""

WATER_ENTHALPY = ENTHALPY["H2O"]

CO_ENTHALPY = _mixture({"CO": 1.0, "O2": 0.5, "CO2": -1.0})
"""What one mole of CO left over changes against complete combustion [kJ/mol]."""


def sensible_heat(
    fuel: Fuel,
    air: Value,
    co: Value,
    air_water: Value,
    from_temperature: Value,
    to_temperature: Value,
) -> Value:
    """Return the enthalpy of the wet products between two temperatures [kJ per unit of fuel].

    ``air``, ``co`` and ``air_water`` in mol per unit. The four sums are polynomials in the same two
    temperatures: their coefficients are added first, the powers are taken once.
    """
    x = (from_temperature + 273.15) * 1e-3
    y = (to_temperature + 273.15) * 1e-3
    f, a, w, c = fuel.enthalpy, AIR_ENTHALPY, WATER_ENTHALPY, CO_ENTHALPY
    x2, y2 = x * x, y * y
    x3, y3 = x2 * x, y2 * y
    return (
        (f[0] + air * a[0] + air_water * w[0] + co * c[0]) * (y - x)
        + (f[1] + air * a[1] + air_water * w[1] + co * c[1]) * (y2 - x2)
        + (f[2] + air * a[2] + air_water * w[2] + co * c[2]) * (y3 - x3)
        + (f[3] + air * a[3] + air_water * w[3] + co * c[3]) * (y2 * y2 - x2 * x2)
        + (f[4] + air * a[4] + air_water * w[4] + co * c[4]) * (y3 * y2 - x3 * x2)
    )


@dataclass(frozen=True, slots=True)
class HeatBalance:
    """Losses and efficiencies [%], every field a float or an array.

    Attributes
    ----------
    sensible_gross, latent_gross, co_gross : Value
        Losses [% of the gross heat].
    credit_gross : Value
        Heat given back by condensation [% of the gross heat].
    gross_over_net : float
        Gross over net heating value [1].
    condensate : Condensate
        Dew point and amounts.
    products : Products
        The flue gas itself.
    """

    sensible_gross: Value
    latent_gross: Value
    co_gross: Value
    credit_gross: Value
    gross_over_net: float
    condensate: Condensate
    products: Products

    @property
    def efficiency_gross(self) -> Value:
        """100 less sensible and latent loss [% gross]; CO loss left out."""
        return 100.0 - self.sensible_gross - self.latent_gross

    @property
    def efficiency_net(self) -> Value:
        """100 less sensible loss [% net]; CO loss left out."""
        return 100.0 - self.sensible_gross * self.gross_over_net

    @property
    def efficiency_gross_condensing(self) -> Value:
        """Gross efficiency with the condensation credited [%]; CO loss left out."""
        return self.efficiency_gross + self.credit_gross

    @property
    def efficiency_net_condensing(self) -> Value:
        """Net efficiency with the condensation credited [%]; CO loss left out."""
        return self.efficiency_net + self.credit_gross * self.gross_over_net

    @property
    def efficiency_gross_with_co(self) -> Value:
        """Gross efficiency less the CO loss [%]."""
        return self.efficiency_gross - self.co_gross

    @property
    def efficiency_net_with_co(self) -> Value:
        """Net efficiency less the CO loss [%]."""
        return self.efficiency_net - self.co_gross * self.gross_over_net

    @property
    def efficiency_gross_condensing_with_co(self) -> Value:
        """Gross condensing efficiency less the CO loss [%]."""
        return self.efficiency_gross_condensing - self.co_gross

    @property
    def efficiency_net_condensing_with_co(self) -> Value:
        """Net condensing efficiency less the CO loss [%]."""
        return self.efficiency_net_condensing - self.co_gross * self.gross_over_net


def heat_balance(
    fuel: Fuel,
    products: Products,
    stack_temperature: Value,
    combustion_air_temperature: Value,
    barometric_pressure: Value = STANDARD_PRESSURE,
) -> HeatBalance:
    """Return losses and efficiencies of a flue gas that is already known.

    Parameters
    ----------
    fuel : Fuel
        What burns.
    products : Products
        From :func:`combustion.stoichiometry.products_from_o2` or ``products_from_co2``.
    stack_temperature, combustion_air_temperature : float or array
        Temperatures [degC]; ranges are the caller's care.
    barometric_pressure : float or array
        Absolute pressure [Pa].

    Returns
    -------
    HeatBalance
        By the convention of this module.

    Notes
    -----
    Source: first principles; NASA TM-4513, ISO 6976:2016, IAPWS as in the modules used.
    """
    air_water = products.water - fuel.water
    sensible = sensible_heat(
        fuel,
        products.air,
        products.co,
        air_water,
        combustion_air_temperature,
        stack_temperature,
    )
    percent = 100.0 / fuel.gross
    condensate = condense(fuel, products, stack_temperature, barometric_pressure)
    return HeatBalance(
        sensible_gross=sensible * percent,
        latent_gross=fuel.water * MOLAR_MASS_WATER * 1e-3 * HFG_25 * percent + 0.0 * sensible,
        co_gross=products.co * HEAT_OF_COMBUSTION_CO * percent,
        credit_gross=condensate.heat * percent,
        gross_over_net=fuel.gross / fuel.net,
        condensate=condensate,
        products=products,
    )


def heat_balance_from_o2(
    fuel: Fuel,
    o2_dry: float,
    stack_temperature: float,
    combustion_air_temperature: float,
    co_dry: float = 0.0,
    relative_humidity: float = 0.0,
    barometric_pressure: float = STANDARD_PRESSURE,
) -> HeatBalance:
    """Return losses and efficiencies of one reading, in plain floats.

    Parameters
    ----------
    fuel : Fuel
        What burns.
    o2_dry : float
        O2 [% dry].
    stack_temperature, combustion_air_temperature : float
        Temperatures [degC].
    co_dry : float
        CO [ppm dry].
    relative_humidity : float
        Relative humidity of the combustion air [%].
    barometric_pressure : float
        Absolute pressure [Pa].

    Returns
    -------
    HeatBalance
        All fields floats.

    Raises
    ------
    OutOfRange
        With the reason, for an impossible input.

    Examples
    --------
    >>> from combustion.fuels import FUELS
    >>> b = heat_balance_from_o2(FUELS["natural_gas"], 5.0, 180.0, 20.0)
    >>> round(b.efficiency_gross, 2), round(b.efficiency_net, 2)
    (82.87, 91.88)
    """
    for name, value, allowed in (
        ("o2_dry", o2_dry, O2),
        ("co_dry", co_dry, CO),
        ("stack_temperature", stack_temperature, STACK),
        ("combustion_air_temperature", combustion_air_temperature, AIR),
        ("relative_humidity", relative_humidity, HUMIDITY),
        ("barometric_pressure", barometric_pressure, PRESSURE),
    ):
        if not allowed.holds(value):
            raise OutOfRange(name, value, str(allowed.reason))
    if stack_temperature < combustion_air_temperature:
        raise OutOfRange("stack_temperature", stack_temperature, Reason.COLDER)
    water = 0.0
    if relative_humidity:
        vapour = relative_humidity * 0.01 * saturation_pressure_kernel(combustion_air_temperature)
        water = vapour / (barometric_pressure - vapour)
    products = products_from_o2(fuel, o2_dry, co_dry, water_per_air=water)
    return heat_balance(
        fuel, products, stack_temperature, combustion_air_temperature, barometric_pressure
    )


@guarded(
    o2_dry=O2,
    stack_temperature=STACK,
    combustion_air_temperature=AIR,
    co_dry=CO,
    relative_humidity=HUMIDITY,
    barometric_pressure=PRESSURE,
)
def efficiency_gross(
    fuel: Fuel,
    o2_dry: Value,
    stack_temperature: Value,
    combustion_air_temperature: Value,
    co_dry: Value = 0.0,
    relative_humidity: Value = 0.0,
    barometric_pressure: Value = STANDARD_PRESSURE,
) -> Value:
    """Return the efficiency on the gross heating value, condensation not credited.

    Parameters
    ----------
    fuel : Fuel
        What burns.
    o2_dry : float or array
        O2 [% dry].
    stack_temperature, combustion_air_temperature : float or array
        Temperatures [degC].
    co_dry : float or array
        CO [ppm dry]; it enters the balance, its own loss is left out.
    relative_humidity : float or array
        Relative humidity of the combustion air [%].
    barometric_pressure : float or array
        Absolute pressure [Pa].

    Returns
    -------
    float or array
        Efficiency [% gross].

    Notes
    -----
    A stack thermometer 5 K high costs 0.2 points at 5 % O2.

    Source: first principles, the convention of this module.

    Examples
    --------
    >>> from combustion.fuels import FUELS
    >>> round(efficiency_gross(FUELS["natural_gas"], 5.0, 180.0, 20.0), 2)
    82.87
    """
    vapour = relative_humidity * 0.01 * saturation_pressure_kernel(combustion_air_temperature)
    water = vapour / (barometric_pressure - vapour)
    products = products_from_o2(fuel, o2_dry, co_dry, water_per_air=water)
    air_water = products.water - fuel.water
    sensible = sensible_heat(
        fuel,
        products.air,
        products.co,
        air_water,
        combustion_air_temperature,
        stack_temperature,
    )
    latent = fuel.water * MOLAR_MASS_WATER * 1e-3 * HFG_25
    return _not_colder(
        100.0 - (sensible + latent) * (100.0 / fuel.gross),
        stack_temperature,
        combustion_air_temperature,
    )


def _not_colder(result: Value, stack: Value, air: Value) -> Value:
    if isinstance(result, float):
        if stack < air:
            raise OutOfRange("stack_temperature", stack, Reason.COLDER)
        return result
    import numpy as np

    return np.where(stack < air, np.nan, result)
