"""Air and place: what dry air is made of, how wet it is, how heavy the atmosphere stands on it.

The composition of dry air is one set of constants with one source; formulas that a standard writes
with 20.9 or 21 take that number as an argument of their own and say so.
"""

from __future__ import annotations

from combustion.refusals import AIR, ALTITUDE, HUMIDITY, PRESSURE, Range, Value, guarded
from combustion.water import saturation_pressure_kernel

# Mole fractions of dry air with 400 ppm of CO2: A. Picard, R. S. Davis, M. Glaeser, K. Fujii,
# Revised formula for the density of moist air (CIPM-2007), Metrologia 45 (2008) 149, Table 1
# (quoted). The 27 ppm of neon, helium, methane, krypton and others are counted with nitrogen.
O2_IN_DRY_AIR = 0.20939
ARGON_IN_DRY_AIR = 0.00933
CO2_IN_DRY_AIR = 0.00040
N2_IN_DRY_AIR = 1.0 - O2_IN_DRY_AIR - ARGON_IN_DRY_AIR - CO2_IN_DRY_AIR

MOLAR_MASS_DRY_AIR = 28.96546
"""[g/mol], same source."""

STANDARD_PRESSURE = 101_325.0
"""One standard atmosphere [Pa]."""

READ_O2 = Range(0.0, 20.9, "%", "O2 must be from 0 to the 20.9 % that the instrument is spanned at")


@guarded(altitude=ALTITUDE)
def pressure_at_altitude(altitude: Value) -> Value:
    """Return the pressure of the standard atmosphere.

    Parameters
    ----------
    altitude : float or array
        Height above sea level [m], -450 to 5000.

    Returns
    -------
    float or array
        Absolute pressure [Pa]; weather moves it by about 2 %.

    Notes
    -----
    ``101325 * (1 - 0.0065 * H / 288.15) ** 5.255876`` over the geopotential height
    ``H = 6356766 * altitude / (6356766 + altitude)``.

    Source: ISO 2533:1975, Standard atmosphere, equations of the troposphere (memory).

    Examples
    --------
    >>> round(pressure_at_altitude(1609.344))
    83432
    """
    height = 6_356_766.0 * altitude / (6_356_766.0 + altitude)
    return STANDARD_PRESSURE * (1.0 - 0.0065 * height / 288.15) ** 5.255876


@guarded(combustion_air_temperature=AIR, relative_humidity=HUMIDITY, barometric_pressure=PRESSURE)
def water_per_dry_air(
    combustion_air_temperature: Value,
    relative_humidity: Value,
    barometric_pressure: Value = STANDARD_PRESSURE,
) -> Value:
    """Return the moles of water vapour per mole of dry air.

    Parameters
    ----------
    combustion_air_temperature : float or array
        Dry-bulb temperature of the air [degC].
    relative_humidity : float or array
        Relative humidity [%], over liquid water, below 0 degC too, as meteorology states it.
    barometric_pressure : float or array
        Absolute pressure [Pa].

    Returns
    -------
    float or array
        Mole ratio [1]; 0.012 for 20 degC, 50 % at sea level.

    Notes
    -----
    ``p_w / (p - p_w)`` with ``p_w = RH / 100 * p_sat``. The enhancement of saturation by air, at
    most 0.5 %, is left out: it moves the dew point of flue gas by less than 0.01 K.

    Source: definition; saturation pressure as in :mod:`combustion.water`.

    Examples
    --------
    >>> round(water_per_dry_air(20.0, 50.0), 5)
    0.01168
    """
    vapour = relative_humidity * 0.01 * saturation_pressure_kernel(combustion_air_temperature)
    return vapour / (barometric_pressure - vapour)


@guarded(o2_read=READ_O2)
def o2_on_air_scale(o2_read: Value, span: float = 20.9) -> Value:
    """Return the O2 content behind a reading of an instrument that is spanned in fresh air.

    Parameters
    ----------
    o2_read : float or array
        O2 as displayed [% dry].
    span : float
        What the instrument shows in fresh dry air [% dry].

    Returns
    -------
    float or array
        O2 on the scale where dry air holds 20.939 % [% dry].

    Notes
    -----
    ``o2_read * 20.939 / span``. Readings are otherwise taken as they are: at 5 % the difference is
    0.009 % O2 and 0.05 % excess air, far below any instrument's accuracy.

    Source: linear electrochemical cell, common practice.

    Examples
    --------
    >>> round(o2_on_air_scale(5.0), 3)
    5.009
    """
    return o2_read * (100.0 * O2_IN_DRY_AIR / span)
