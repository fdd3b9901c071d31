"""Water in the flue gas: its dew point, and what condenses at equilibrium below it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from combustion.air import STANDARD_PRESSURE
from combustion.fuels import Fuel
from combustion.refusals import CO, O2, PRESSURE, Range, Value, guarded
from combustion.stoichiometry import Products, products_from_o2
from combustion.water import (
    MOLAR_MASS_WATER,
    dew_point_kernel,
    heat_of_vaporisation_kernel,
    saturation_pressure_kernel,
)

WATER_PER_AIR = Range(0.0, 0.5, "1", "water per dry air must be from 0 to 0.5")


@dataclass(frozen=True, slots=True)
class Condensate:
    """What condenses per unit of fuel; every field a float or an array.

    Attributes
    ----------
    water_dew_point : Value
        Temperature at which condensation starts [degC].
    amount : Value
        Condensed water, that of the air included [mol per unit].
    share : Value
        Condensed amount over the water made by combustion [1]; air moisture may lift it above 1.
    kg_per_kwh_gross : Value
        Condensate per gross heat input [kg/kWh].
    heat : Value
        Condensed amount times h_fg at the flue temperature [kJ per unit].
    """

    water_dew_point: Value
    amount: Value
    share: Value
    kg_per_kwh_gross: Value
    heat: Value


def condense(
    fuel: Fuel, products: Products, stack_temperature: Value, barometric_pressure: Value
) -> Condensate:
    """Return dew point and equilibrium condensate of a flue gas at a temperature.

    Parameters
    ----------
    fuel : Fuel
        What burns.
    products : Products
        The flue gas per unit of fuel.
    stack_temperature : float or array
        Flue gas temperature [degC]; the gas is taken to leave saturated when below the dew point.
    barometric_pressure : float or array
        Absolute pressure of the flue gas [Pa].

    Returns
    -------
    Condensate
        Zero amounts above the dew point.

    Notes
    -----
    Vapour left over: ``dry * p_s / (p - p_s)``. Real heat exchangers condense less than equilibrium
    at the mean flue temperature says in places and more in others: walls are colder than the gas.

    Source: equilibrium over pure water; ideal gas.
    """
    water, pressure = products.water, barometric_pressure
    dew_point = dew_point_kernel(pressure * water / (products.dry + water))
    if isinstance(dew_point, float):
        amount: Value = 0.0
        heat: Value = 0.0
        if stack_temperature < dew_point:
            saturation = saturation_pressure_kernel(stack_temperature)
            amount = water - products.dry * saturation / (pressure - saturation)
            h_fg = heat_of_vaporisation_kernel(stack_temperature)
            heat = amount * MOLAR_MASS_WATER * 1e-3 * h_fg
    else:
        below = stack_temperature < dew_point
        flue = np.where(below, stack_temperature, dew_point)
        saturation = saturation_pressure_kernel(flue)
        left = products.dry * saturation / (pressure - saturation)
        amount = np.where(below, water - left, 0.0)
        heat = amount * (MOLAR_MASS_WATER * 1e-3) * heat_of_vaporisation_kernel(flue)
    per_kwh = MOLAR_MASS_WATER * 1e-3 * 3600.0 / fuel.gross
    return Condensate(
        water_dew_point=dew_point,
        amount=amount,
        share=amount / fuel.water if fuel.water else amount * float("nan"),
        kg_per_kwh_gross=amount * per_kwh,
        heat=heat,
    )


@guarded(o2_dry=O2, co_dry=CO, water_per_air=WATER_PER_AIR, barometric_pressure=PRESSURE)
def water_dew_point(
    fuel: Fuel,
    o2_dry: Value,
    co_dry: Value = 0.0,
    water_per_air: Value = 0.0,
    barometric_pressure: Value = STANDARD_PRESSURE,
) -> Value:
    """Return the temperature at which water starts to condense from the flue gas.

    Parameters
    ----------
    fuel : Fuel
        What burns.
    o2_dry : float or array
        O2 [% dry].
    co_dry : float or array
        CO [ppm dry].
    water_per_air : float or array
        Moles of water per mole of dry air [1], see :func:`combustion.air.water_per_dry_air`.
    barometric_pressure : float or array
        Absolute pressure [Pa].

    Returns
    -------
    float or array
        Dew point [degC].

    Notes
    -----
    Natural gas without excess air: about 59 degC at sea level; 1 % more O2 takes off about 1 K.

    Source: IAPWS R7-97(2012), equation 31, on the partial pressure of water.

    Examples
    --------
    >>> from combustion.fuels import FUELS
    >>> round(water_dew_point(FUELS["natural_gas"], 3.0), 1)
    56.3
    """
    products = products_from_o2(fuel, o2_dry, co_dry, water_per_air=water_per_air)
    return dew_point_kernel(barometric_pressure * products.water / products.wet)
