"""The exact atom balance of a dry flue-gas reading, CO in it.

Per unit of fuel (mole of gas, kilogram of oil) the carbon, hydrogen, oxygen, nitrogen, sulphur and
argon of fuel and air are found again in CO2, CO, H2O, O2, N2, NO, NO2, SO2 and Ar. With the O2 and
CO of the dry gas known, the amount of dry gas follows in one line, and all else from it.
"""

from __future__ import annotations

from dataclasses import dataclass

from combustion.air import (
    ARGON_IN_DRY_AIR,
    CO2_IN_DRY_AIR,
    N2_IN_DRY_AIR,
    O2_IN_DRY_AIR,
)
from combustion.fuels import Fuel
from combustion.refusals import CO, CO2, O2, OutOfRange, Range, Reason, Value, guarded

INVERSE_O2_IN_AIR = 1.0 / O2_IN_DRY_AIR
AIR_RATIO = Range(1.0, 200.0, "1", "air ratio must be from 1 to 200")
WATER_SHARE = Range(0.0, 60.0, "%", "water vapour must be from 0 to 60 % of the wet gas")


@dataclass(frozen=True, slots=True)
class Products:
    """Flue gas per unit of fuel; every field a float or an array.

    Attributes
    ----------
    air, dry : Value
        Dry air supplied and dry flue gas [mol per unit].
    o2, co2, co, n2, argon, so2, no, no2, water : Value
        Amounts [mol per unit]; water is that of combustion and of the air together.
    """

    air: Value
    dry: Value
    o2: Value
    co2: Value
    co: Value
    n2: Value
    argon: Value
    so2: Value
    no: Value
    no2: Value
    water: Value

    @property
    def wet(self) -> Value:
        """Wet flue gas [mol per unit]."""
        return self.dry + self.water


def dry_gas_from_o2(
    fuel: Fuel, o2_dry: Value, co_dry: Value, no_dry: Value = 0.0, no2_dry: Value = 0.0
) -> Value:
    """Return the dry flue gas [mol per unit] from O2 [%], CO, NO and NO2 [ppm], all dry.

    From the oxygen balance, ``air * x_O2 = O2_required + D (y - z/2 + v/2 + w)``, and the sum of
    the dry gases, ``D = K + air + D (z/2 - w/2)``, with K the dry products less the O2 required.
    """
    y = o2_dry * 0.01
    half_z = co_dry * 0.5e-6
    half_v = no_dry * 0.5e-6
    w = no2_dry * 1e-6
    drawn = (y - half_z + half_v + w) * INVERSE_O2_IN_AIR
    return fuel.dry_products / (1.0 - drawn - half_z + 0.5 * w)


def dry_gas_from_co2(fuel: Fuel, co2_dry: Value, co_dry: Value) -> Value:
    """Return the dry flue gas [mol per unit] from CO2 [%] and CO [ppm], both dry."""
    z = co_dry * 1e-6
    carbon = fuel.carbon - CO2_IN_DRY_AIR * fuel.dry_products_at_no_air
    return carbon / (co2_dry * 0.01 + z - CO2_IN_DRY_AIR * (1.0 - 0.5 * z))


def o2_behind_co2(fuel: Fuel, co2_dry: Value, co_dry: Value) -> Value:
    """Return the O2 [%] behind CO2 [%] and CO [ppm], all dry; ranges are the caller's care.

    Below zero for a CO2 that the fuel cannot give; a fuel without carbon has no answer, NaN.
    """
    if fuel.carbon <= 0.0:
        return co2_dry * float("nan")
    dry = dry_gas_from_co2(fuel, co2_dry, co_dry)
    half_co = 0.5e-6 * co_dry
    air = dry * (1.0 - half_co) - fuel.dry_products_at_no_air
    return 100.0 * ((air * O2_IN_DRY_AIR - fuel.o2_required) / dry + half_co)


def products_from_o2(
    fuel: Fuel,
    o2_dry: Value,
    co_dry: Value = 0.0,
    no_dry: Value = 0.0,
    no2_dry: Value = 0.0,
    water_per_air: Value = 0.0,
) -> Products:
    """Return the whole flue gas from the O2 of its dry part.

    Parameters
    ----------
    fuel : Fuel
        What burns.
    o2_dry : float or array
        O2 [% dry], 0 to below 20.9.
    co_dry, no_dry, no2_dry : float or array
        Concentrations [ppm dry].
    water_per_air : float or array
        Moles of water per mole of dry air [1], see :func:`combustion.air.water_per_dry_air`.

    Returns
    -------
    Products
        Amounts per unit of fuel.

    Notes
    -----
    Carbon, hydrogen, oxygen, nitrogen, sulphur and argon balance exactly. Soot, unburnt
    hydrocarbons and hydrogen are taken as absent. An O2 reading 0.1 too high gives about 0.6 %
    more excess air at 3 % O2.

    Source: element balance.

    Examples
    --------
    >>> from combustion.fuels import FUELS
    >>> p = products_from_o2(FUELS["methane"], 3.0)
    >>> round(float(p.co2 / p.dry * 100), 2)
    10.06
    """
    dry = dry_gas_from_o2(fuel, o2_dry, co_dry, no_dry, no2_dry)
    return _products(fuel, dry, co_dry, no_dry, no2_dry, water_per_air)


def products_from_co2(
    fuel: Fuel, co2_dry: Value, co_dry: Value = 0.0, water_per_air: Value = 0.0
) -> Products:
    """Return the whole flue gas from the CO2 of its dry part.

    Parameters
    ----------
    fuel : Fuel
        What burns; it must contain carbon.
    co2_dry : float or array
        CO2 [% dry], above the 0.04 of air; on the lean side of stoichiometric.
    co_dry : float or array
        CO [ppm dry].
    water_per_air : float or array
        Moles of water per mole of dry air [1].

    Returns
    -------
    Products
        Amounts per unit of fuel.

    Notes
    -----
    A CO2 reading 0.1 too high gives about 1 % less excess air.

    Source: element balance.
    """
    dry = dry_gas_from_co2(fuel, co2_dry, co_dry)
    return _products(fuel, dry, co_dry, 0.0, 0.0, water_per_air)


def _products(
    fuel: Fuel, dry: Value, co_dry: Value, no_dry: Value, no2_dry: Value, water_per_air: Value
) -> Products:
    co, no, no2 = dry * co_dry * 1e-6, dry * no_dry * 1e-6, dry * no2_dry * 1e-6
    air = dry - fuel.dry_products_at_no_air - 0.5 * co + 0.5 * no2
    return Products(
        air=air,
        dry=dry,
        o2=air * O2_IN_DRY_AIR - fuel.o2_required + 0.5 * co - 0.5 * no - no2,
        co2=fuel.carbon + air * CO2_IN_DRY_AIR - co,
        co=co,
        n2=fuel.nitrogen / 2.0 + air * N2_IN_DRY_AIR - 0.5 * (no + no2),
        argon=fuel.inert + air * ARGON_IN_DRY_AIR,
        so2=fuel.sulphur + 0.0 * air,
        no=no,
        no2=no2,
        water=fuel.water + air * water_per_air,
    )


@guarded(o2_dry=O2, co_dry=CO)
def lambda_from_o2(fuel: Fuel, o2_dry: Value, co_dry: Value = 0.0) -> Value:
    """Return the air ratio: air supplied over stoichiometric air.

    Parameters
    ----------
    fuel : Fuel
        What burns.
    o2_dry : float or array
        O2 [% dry], 0 to below 20.9.
    co_dry : float or array
        CO [ppm dry].

    Returns
    -------
    float or array
        Air ratio [1].

    Notes
    -----
    Source: element balance, :func:`products_from_o2`.

    Examples
    --------
    >>> from combustion.fuels import FUELS
    >>> round(lambda_from_o2(FUELS["methane"], 3.0), 3)
    1.15
    """
    dry = dry_gas_from_o2(fuel, o2_dry, co_dry)
    return (dry - fuel.dry_products_at_no_air - 0.5e-6 * dry * co_dry) / fuel.air_required


@guarded(o2_dry=O2, co_dry=CO)
def excess_air_from_o2(fuel: Fuel, o2_dry: Value, co_dry: Value = 0.0) -> Value:
    """Return the air beyond the stoichiometric amount.

    Parameters
    ----------
    fuel : Fuel
        What burns.
    o2_dry : float or array
        O2 [% dry], 0 to below 20.9.
    co_dry : float or array
        CO [ppm dry].

    Returns
    -------
    float or array
        Excess air [% of stoichiometric air].

    Notes
    -----
    Source: element balance, :func:`products_from_o2`.

    Examples
    --------
    >>> from combustion.fuels import FUELS
    >>> round(excess_air_from_o2(FUELS["natural_gas"], 5.0), 1)
    28.2
    """
    dry = dry_gas_from_o2(fuel, o2_dry, co_dry)
    air = dry - fuel.dry_products_at_no_air - 0.5e-6 * dry * co_dry
    return 100.0 * (air / fuel.air_required - 1.0)


@guarded(air_ratio=AIR_RATIO)
def o2_from_lambda(fuel: Fuel, air_ratio: Value) -> Value:
    """Return the O2 that belongs to an air ratio, combustion complete.

    Parameters
    ----------
    fuel : Fuel
        What burns.
    air_ratio : float or array
        Air supplied over stoichiometric air [1], 1 to 200; a rich flame has no O2 of its own.

    Returns
    -------
    float or array
        O2 [% dry].

    Notes
    -----
    The inverse of :func:`lambda_from_o2` without CO. Source: element balance.

    Examples
    --------
    >>> from combustion.fuels import FUELS
    >>> round(o2_from_lambda(FUELS["methane"], 1.15), 2)
    3.0
    """
    air = air_ratio * fuel.air_required
    return 100.0 * (air * O2_IN_DRY_AIR - fuel.o2_required) / (fuel.dry_products_at_no_air + air)


@guarded(o2_dry=O2, co_dry=CO)
def co2_from_o2(fuel: Fuel, o2_dry: Value, co_dry: Value = 0.0) -> Value:
    """Return the CO2 that belongs to an O2 reading.

    Parameters
    ----------
    fuel : Fuel
        What burns.
    o2_dry : float or array
        O2 [% dry], 0 to below 20.9.
    co_dry : float or array
        CO [ppm dry].

    Returns
    -------
    float or array
        CO2 [% dry], that of the air included.

    Notes
    -----
    Source: element balance, :func:`products_from_o2`.

    Examples
    --------
    >>> from combustion.fuels import FUELS
    >>> round(co2_from_o2(FUELS["natural_gas"], 5.0), 2)
    9.04
    """
    products = products_from_o2(fuel, o2_dry, co_dry)
    return 100.0 * products.co2 / products.dry


@guarded(co2_dry=CO2, co_dry=CO)
def o2_from_co2(fuel: Fuel, co2_dry: Value, co_dry: Value = 0.0) -> Value:
    """Return the O2 that belongs to a CO2 reading, on the lean side.

    Parameters
    ----------
    fuel : Fuel
        What burns; it must contain carbon.
    co2_dry : float or array
        CO2 [% dry], above 0 and at most the ultimate CO2 of the fuel.
    co_dry : float or array
        CO [ppm dry].

    Returns
    -------
    float or array
        O2 [% dry]; below 0 or at ambient it is refused: such a CO2 does not fit the fuel.

    Notes
    -----
    A CO2 reading 0.1 too high gives about 0.18 less O2 for natural gas.

    Source: element balance, :func:`products_from_co2`.

    Examples
    --------
    >>> from combustion.fuels import FUELS
    >>> round(o2_from_co2(FUELS["natural_gas"], 9.0), 2)
    5.07
    """
    if fuel.carbon <= 0.0:
        raise OutOfRange("co2_dry", None, f"{fuel.name} makes no CO2: measure O2")
    products = products_from_co2(fuel, co2_dry, co_dry)
    result = 100.0 * products.o2 / products.dry
    return refuse_outside(result, O2, "co2_dry", Reason.CO2)


def refuse_outside(result: Value, allowed: Range, quantity: str, reason: Reason) -> Value:
    """Return the result; outside the range raise for a float, give NaN in an array."""
    # A hair of rounding at the ends, such as CO2 exactly ultimate, is no impossibility.
    if isinstance(result, float):
        if -1e-9 <= result < 0.0:
            return 0.0
        if not allowed.holds(result):
            raise OutOfRange(quantity, result, str(reason))
        return result
    import numpy as np

    result = np.where((result < 0.0) & (result >= -1e-9), 0.0, result)
    return np.where(allowed.holds(result), result, np.nan)


@guarded(o2_wet=O2, water_percent=WATER_SHARE)
def o2_wet_to_dry(o2_wet: Value, water_percent: Value) -> Value:
    """Return the O2 of the dry gas from a wet, in-situ reading.

    Parameters
    ----------
    o2_wet : float or array
        O2 [% wet].
    water_percent : float or array
        Water vapour in the wet gas [%].

    Returns
    -------
    float or array
        O2 [% dry].

    Notes
    -----
    ``o2_wet / (1 - water)``. Source: definition.

    Examples
    --------
    >>> round(o2_wet_to_dry(4.2, 16.0), 6)
    5.0
    """
    return o2_wet / (1.0 - 0.01 * water_percent)


@guarded(o2_dry=O2, co_dry=CO)
def o2_dry_to_wet(
    fuel: Fuel, o2_dry: Value, co_dry: Value = 0.0, water_per_air: Value = 0.0
) -> Value:
    """Return what a wet, in-situ sensor shows where a dry analyzer shows an O2.

    Parameters
    ----------
    fuel : Fuel
        What burns.
    o2_dry : float or array
        O2 [% dry], 0 to below 20.9.
    co_dry : float or array
        CO [ppm dry].
    water_per_air : float or array
        Moles of water per mole of dry air [1].

    Returns
    -------
    float or array
        O2 [% wet].

    Notes
    -----
    Source: element balance, :func:`products_from_o2`.

    Examples
    --------
    >>> from combustion.fuels import FUELS
    >>> round(o2_dry_to_wet(FUELS["natural_gas"], 5.0), 2)
    4.25
    """
    products = products_from_o2(fuel, o2_dry, co_dry, water_per_air=water_per_air)
    return o2_dry * products.dry / products.wet


@guarded(o2_wet=O2)
def o2_wet_to_dry_by_fuel(fuel: Fuel, o2_wet: Value, water_per_air: Value = 0.0) -> Value:
    """Return the dry O2 behind a wet reading, the water found from the fuel itself.

    Parameters
    ----------
    fuel : Fuel
        What burns, completely.
    o2_wet : float or array
        O2 [% wet].
    water_per_air : float or array
        Moles of water per mole of dry air [1].

    Returns
    -------
    float or array
        O2 [% dry].

    Notes
    -----
    O2 is ``a x - R`` and wet gas ``K + a (1 + w) + W`` over the air a: solved for a.

    Source: element balance.

    Examples
    --------
    >>> from combustion.fuels import FUELS
    >>> wet = o2_dry_to_wet(FUELS["propane"], 4.0)
    >>> round(o2_wet_to_dry_by_fuel(FUELS["propane"], wet), 9)
    4.0
    """
    y = 0.01 * o2_wet
    fixed = fuel.dry_products_at_no_air + fuel.water
    air = (fuel.o2_required + y * fixed) / (O2_IN_DRY_AIR - y * (1.0 + water_per_air))
    dry = fuel.dry_products_at_no_air + air
    return 100.0 * (air * O2_IN_DRY_AIR - fuel.o2_required) / dry
