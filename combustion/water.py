"""Water: saturation line and heat of vaporisation.

The saturation line is the basic equation of region 4 of the IAPWS Industrial Formulation 1997,
which solves exactly in both directions. Below 0 degC it is continued over supercooled water.
"""

from __future__ import annotations

from combustion.refusals import Range, Reason, Value, guarded

MOLAR_MASS_WATER = 18.015268
"""[g/mol], IAPWS."""

# IAPWS R7-97(2012), Table 34 (memory; held against the iapws and CoolProp packages in the tests).
N1, N2, N3, N4, N5 = (
    0.11670521452767e4,
    -0.72421316703206e6,
    -0.17073846940092e2,
    0.12020824702470e5,
    -0.32325550322333e7,
)
N6, N7, N8, N9, N10 = (
    0.14915108613530e2,
    -0.48232657361591e4,
    0.40511340542057e6,
    -0.23855557567849,
    0.65017534844798e3,
)

# Heat of vaporisation [kJ/kg] over [degC], 0 to 120 degC: fifth-degree fit to IAPWS-95, within
# 0.014 kJ/kg of it.
HFG = (
    2500.92194,
    -2.37929112,
    8.21285385e-4,
    -1.96680571e-5,
    7.83644996e-8,
    -2.96991526e-10,
)

SATURATED = Range(-40.0, 120.0, "degC", "water temperature must be from -40 to 120 degC")
VAPOUR = Range(10.0, 200_000.0, "Pa", "vapour pressure must be from 10 to 200000 Pa")
LIQUID = Range(0.0, 120.0, "degC", "water temperature must be from 0 to 120 degC")

__all__ = [
    "MOLAR_MASS_WATER",
    "Reason",
    "dew_point_kernel",
    "heat_of_vaporisation",
    "heat_of_vaporisation_kernel",
    "saturation_pressure",
    "saturation_pressure_kernel",
    "saturation_temperature",
]


def saturation_pressure_kernel(temperature: Value) -> Value:
    """Return the saturation pressure [Pa] at a temperature [degC]; ranges are the caller's care."""
    kelvin = temperature + 273.15
    theta = kelvin + N9 / (kelvin - N10)
    a = (theta + N1) * theta + N2
    b = (N3 * theta + N4) * theta + N5
    c = (N6 * theta + N7) * theta + N8
    root = 2.0 * c / (-b + (b * b - 4.0 * a * c) ** 0.5)
    root = root * root
    return root * root * 1e6


def dew_point_kernel(pressure: Value) -> Value:
    """Return the saturation temperature [degC] at a pressure [Pa]; ranges are the caller's care."""
    beta = (pressure * 1e-6) ** 0.25
    e = (beta + N3) * beta + N6
    f = (N1 * beta + N4) * beta + N7
    g = (N2 * beta + N5) * beta + N8
    d = 2.0 * g / (-f - (f * f - 4.0 * e * g) ** 0.5)
    s = N10 + d
    return 0.5 * (s - (s * s - 4.0 * (N9 + N10 * d)) ** 0.5) - 273.15


def heat_of_vaporisation_kernel(temperature: Value) -> Value:
    """Return h_fg [kJ/kg] at a temperature [degC]; ranges are the caller's care."""
    t = temperature
    return HFG[0] + t * (HFG[1] + t * (HFG[2] + t * (HFG[3] + t * (HFG[4] + t * HFG[5]))))


HFG_25: float = heat_of_vaporisation_kernel(25.0)
"""Heat of vaporisation of water at 25 degC [kJ/kg]."""


@guarded(temperature=SATURATED)
def saturation_pressure(temperature: Value) -> Value:
    """Return the saturation pressure of water.

    Parameters
    ----------
    temperature : float or array
        Temperature [degC], -40 to 120; below 0 over supercooled water.

    Returns
    -------
    float or array
        Pressure [Pa].

    Notes
    -----
    Source: IAPWS R7-97(2012), equation 30 (memory; check values read in a package's documentation).

    Examples
    --------
    >>> round(saturation_pressure(26.85), 4)
    3536.5894
    """
    return saturation_pressure_kernel(temperature)


@guarded(pressure=VAPOUR)
def saturation_temperature(pressure: Value) -> Value:
    """Return the temperature at which water vapour of a pressure starts to condense.

    Parameters
    ----------
    pressure : float or array
        Partial pressure of the vapour [Pa], 10 to 200000.

    Returns
    -------
    float or array
        Temperature [degC].

    Notes
    -----
    Source: IAPWS R7-97(2012), equation 31 (memory), the inverse of :func:`saturation_pressure`.

    Examples
    --------
    >>> round(saturation_temperature(101325.0), 2)
    99.97
    """
    return dew_point_kernel(pressure)


@guarded(temperature=LIQUID)
def heat_of_vaporisation(temperature: Value) -> Value:
    """Return the heat of vaporisation of water.

    Parameters
    ----------
    temperature : float or array
        Temperature [degC], 0 to 120.

    Returns
    -------
    float or array
        h_fg [kJ/kg].

    Notes
    -----
    Source: fit to IAPWS-95, within 0.014 kJ/kg; the tests hold it against CoolProp.

    Examples
    --------
    >>> round(heat_of_vaporisation(25.0), 1)
    2441.7
    """
    return heat_of_vaporisation_kernel(temperature)
