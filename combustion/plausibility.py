"""Do O2 and CO2 belong together, and to which fuel? And where would acid condense?"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from combustion.fuels import FUELS, Fuel
from combustion.refusals import CO, CO2, O2, OutOfRange, Range, Value, guarded
from combustion.stoichiometry import co2_from_o2


@guarded(o2_dry=O2, co2_dry=CO2, co_dry=CO)
def fuel_factor(o2_dry: Value, co2_dry: Value, co_dry: Value = 0.0) -> Value:
    """Return the fuel factor Fo of a pair of readings.

    Parameters
    ----------
    o2_dry : float or array
        O2 [% dry].
    co2_dry : float or array
        CO2 [% dry].
    co_dry : float or array
        CO [ppm dry]; it is brought to what complete combustion would have shown.

    Returns
    -------
    float or array
        Fo [1]: about 1.75 natural gas, 1.5 propane, 1.35 No. 2 oil. Dilution by air leaves it as
        it is; a wrong fuel, a tired cell or unburnt carbon moves it.

    Notes
    -----
    ``(20.9 - (O2 - CO / 2)) / (CO2 + CO)``.

    Source: 40 CFR 60 App. A-2, Method 3B (memory).

    Examples
    --------
    >>> round(fuel_factor(5.0, 9.0), 2)
    1.77
    """
    co = co_dry * 1e-4
    return (20.9 - o2_dry + 0.5 * co) / (co2_dry + co)


@guarded(o2_dry=O2, co2_dry=CO2, co_dry=CO)
def co2_departure(fuel: Fuel, o2_dry: Value, co2_dry: Value, co_dry: Value = 0.0) -> Value:
    """Return how far a CO2 reading stands from the O2-CO2 line of the fuel.

    Parameters
    ----------
    fuel : Fuel
        What is said to burn.
    o2_dry : float or array
        O2 [% dry].
    co2_dry : float or array
        CO2 [% dry].
    co_dry : float or array
        CO [ppm dry].

    Returns
    -------
    float or array
        CO2 measured less CO2 expected [% dry].

    Notes
    -----
    Air that leaks into the sample moves the pair along the line, not off it.

    Source: element balance.

    Examples
    --------
    >>> round(co2_departure(FUELS["natural_gas"], 5.0, 10.5), 2)
    1.46
    """
    return co2_dry - co2_from_o2(fuel, o2_dry, co_dry)


@dataclass(frozen=True, slots=True)
class FuelFit:
    """How well one fuel explains a pair of readings.

    Attributes
    ----------
    fuel : Fuel
        The candidate.
    departure : float
        CO2 measured less CO2 expected [% dry].
    deviation : float
        The departure over its standard uncertainty [1]; within 2 it fits.
    fits : bool
        Whether it does.
    """

    fuel: Fuel
    departure: float
    deviation: float
    fits: bool


def fuels_that_fit(
    o2_dry: float,
    co2_dry: float,
    co_dry: float = 0.0,
    u_o2: float = 0.1,
    u_co2: float = 0.15,
    candidates: Iterable[Fuel] = tuple(FUELS.values()),
) -> list[FuelFit]:
    """Return the candidates, best first, with how well each explains O2 and CO2.

    Parameters
    ----------
    o2_dry, co2_dry : float
        Readings [% dry].
    co_dry : float
        CO [ppm dry].
    u_o2, u_co2 : float
        Standard uncertainties of the readings [% dry].
    candidates : iterable of Fuel
        Fuels to try.

    Returns
    -------
    list of FuelFit
        Sorted by the size of the deviation; several may fit, or none.

    Raises
    ------
    OutOfRange
        For impossible readings.

    Notes
    -----
    The line of the fuel is straight, so the uncertainty of O2 enters by the line's slope. Near
    ambient O2 all lines meet and every fuel fits.

    Source: element balance.

    Examples
    --------
    >>> [fit.fuel.key for fit in fuels_that_fit(4.0, 12.5) if fit.fits]
    ['no2_oil']
    """
    found = []
    for fuel in candidates:
        departure = float(co2_departure(fuel, float(o2_dry), float(co2_dry), float(co_dry)))
        slope = fuel.co2_ultimate / 20.939
        u = math.hypot(u_co2, slope * u_o2)
        if not u > 0.0:
            raise OutOfRange("u_co2", u_co2, "a fit needs an uncertainty above 0")
        deviation = departure / u
        found.append(FuelFit(fuel, departure, deviation, abs(deviation) <= 2.0))
    return sorted(found, key=lambda fit: abs(fit.deviation))


SO3 = Range(0.1, 1000.0, "ppm", "SO3 must be from 0.1 to 1000 ppm of the wet gas")
WATER = Range(1.0, 40.0, "%", "water vapour must be from 1 to 40 % of the wet gas")


@guarded(so3_wet=SO3, water_percent=WATER)
def acid_dew_point(so3_wet: Value, water_percent: Value) -> Value:
    """Return the temperature at which sulphuric acid starts to condense, at 1 atm.

    Parameters
    ----------
    so3_wet : float or array
        SO3 [ppm of the wet gas], 0.1 to 1000.
    water_percent : float or array
        Water vapour [% of the wet gas], 1 to 40.

    Returns
    -------
    float or array
        Acid dew point [degC].

    Notes
    -----
    ``1000 / T = 2.276 - 0.0294 ln p_H2O - 0.0858 ln p_SO3 + 0.0062 ln p_H2O ln p_SO3``, T in K,
    pressures in mmHg. A factor of two in SO3 moves it by about 5 K.

    Source: F. H. Verhoff and J. T. Banchero, Chem. Eng. Prog. 70 (1974) 71 (memory).

    Examples
    --------
    >>> 120 < acid_dew_point(5.0, 10.0) < 135
    True
    """
    water = _ln(water_percent * 7.6)
    so3 = _ln(so3_wet * 7.6e-4)
    return 1000.0 / (2.276 - 0.0294 * water - 0.0858 * so3 + 0.0062 * water * so3) - 273.15


def _ln(value: Value) -> Value:
    if isinstance(value, float):
        return math.log(value)
    import numpy as np

    return np.log(value)


def acid_dew_point_of_fuel(
    fuel: Fuel,
    o2_dry: float,
    so3_share_percent: float,
    water_per_air: float = 0.0,
) -> float:
    """Return the acid dew point of a fuel's flue gas for a stated share of SO3, at 1 atm.

    Parameters
    ----------
    fuel : Fuel
        What burns; it must contain sulphur.
    o2_dry : float
        O2 [% dry].
    so3_share_percent : float
        Sulphur that leaves as SO3 [% of the sulphur]; 1 to 3 is common practice.
    water_per_air : float
        Moles of water per mole of dry air [1].

    Returns
    -------
    float
        Acid dew point [degC].

    Raises
    ------
    OutOfRange
        For a fuel without sulphur, or SO3 outside the range of the formula.

    Notes
    -----
    Source: :func:`acid_dew_point` on the element balance.

    Examples
    --------
    >>> 105 < acid_dew_point_of_fuel(FUELS["no2_oil"], 4.0, 2.0) < 125
    True
    """
    from combustion.stoichiometry import products_from_o2

    if fuel.sulphur <= 0.0:
        raise OutOfRange("fuel", None, f"{fuel.name} is without sulphur: no acid dew point")
    if not 0.0 < so3_share_percent <= 100.0:
        raise OutOfRange("so3_share_percent", so3_share_percent, "share of SO3 must be 0 to 100 %")
    gas = products_from_o2(fuel, float(o2_dry), water_per_air=water_per_air)
    so3 = float(gas.so2 / gas.wet) * 1e6 * so3_share_percent / 100.0
    return float(acid_dew_point(so3, float(gas.water / gas.wet) * 100.0))
