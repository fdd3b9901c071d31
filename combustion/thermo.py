"""Enthalpies of ideal gases: NASA polynomials, low range.

Source: B. J. McBride, S. Gordon, M. A. Reno, Coefficients for Calculating Thermodynamic and
Transport Properties of Individual Species, NASA TM-4513, October 1993, seven-coefficient form (read
in an open library's copy of the data). Only the range up to 1000 K is carried; boilers' flue gas
stays in it, and inputs above 700 degC are refused.
"""

from __future__ import annotations

from combustion.refusals import Range, Value, guarded

R = 8.31446261815324e-3
"""Molar gas constant [kJ/(mol K)]."""

# a1..a5 of cp/R = a1 + a2 T + a3 T^2 + a4 T^3 + a5 T^4, T in K, from 200 K (SO2, H2S, pentanes 300)
# to 1000 K.
CP_OVER_R: dict[str, tuple[float, float, float, float, float]] = {
    "O2": (3.78245636, -2.99673415e-3, 9.847302e-6, -9.68129508e-9, 3.24372836e-12),
    "N2": (3.53100528, -1.23660987e-4, -5.02999437e-7, 2.43530612e-9, -1.40881235e-12),
    "Ar": (2.5, 0.0, 0.0, 0.0, 0.0),
    "CO2": (2.35677352, 8.98459677e-3, -7.12356269e-6, 2.45919022e-9, -1.43699548e-13),
    "CO": (3.57953347, -6.1035368e-4, 1.01681433e-6, 9.07005884e-10, -9.04424499e-13),
    "H2O": (4.19864056, -2.0364341e-3, 6.52040211e-6, -5.48797062e-9, 1.77197817e-12),
    "SO2": (3.2665338, 5.3237902e-3, 6.8437552e-7, -5.2810047e-9, 2.5590454e-12),
    "H2": (2.34433112, 7.98052075e-3, -1.9478151e-5, 2.01572094e-8, -7.37611761e-12),
    "CH4": (5.14987613, -1.36709788e-2, 4.91800599e-5, -4.84743026e-8, 1.66693956e-11),
    "C2H6": (4.29142492, -5.5015427e-3, 5.99438288e-5, -7.08466285e-8, 2.68685771e-11),
    "C3H8": (4.2110262, 1.71599803e-3, 7.06183472e-5, -9.19594116e-8, 3.64421372e-11),
    "C2H4": (3.95920148, -7.57052247e-3, 5.70990292e-5, -6.91588753e-8, 2.69884373e-11),
    "C3H6": (3.83464524, 3.29078405e-3, 5.05228184e-5, -6.66251418e-8, 2.63707585e-11),
    "nC4H10": (6.14746806, 1.55947389e-4, 9.67913517e-5, -1.2548391e-7, 4.97816555e-11),
    "iC4H10": (4.45479276, 8.26057985e-3, 8.29886664e-5, -1.14647642e-7, 4.64570101e-11),
    "nC5H12": (1.8983679, 4.1203037e-2, 1.2312175e-5, -3.6589501e-8, 1.5042509e-11),
    "iC5H12": (1.0832882, 4.4571076e-2, 8.2389934e-6, -3.5258047e-8, 1.5785762e-11),
    "H2S": (3.9323476, -5.0260905e-4, 4.5928473e-6, -3.1807214e-9, 6.6497561e-13),
}

HEAT_OF_COMBUSTION_CO = 282.98
"""Gross, at 25 degC [kJ/mol]: ISO 6976:2016 (quoted from an open library's data)."""

GAS = Range(-73.0, 720.0, "degC", "gas temperature must be from -73 to 720 degC")


def enthalpy_coefficients(species: str) -> tuple[float, float, float, float, float]:
    """Return b1..b5 [kJ/mol] of ``h = b1 x + b2 x^2 + ... + b5 x^5``, x in thousands of kelvin.

    Differences of h are what is meant: the constant of integration is left out.
    """
    a1, a2, a3, a4, a5 = CP_OVER_R[species]
    return (R * a1 * 1e3, R * a2 / 2 * 1e6, R * a3 / 3 * 1e9, R * a4 / 4 * 1e12, R * a5 / 5 * 1e15)


ENTHALPY = {species: enthalpy_coefficients(species) for species in CP_OVER_R}


@guarded(from_temperature=GAS, to_temperature=GAS)
def enthalpy_difference(species: str, from_temperature: Value, to_temperature: Value) -> Value:
    """Return the sensible heat of one mole of an ideal gas between two temperatures.

    Parameters
    ----------
    species : str
        A key of ``CP_OVER_R`` such as ``"CO2"``.
    from_temperature, to_temperature : float or array
        Temperatures [degC], -73 to 720.

    Returns
    -------
    float or array
        Heat [kJ/mol], positive when the second temperature is the higher.

    Notes
    -----
    Source: NASA TM-4513 (read in an open library's copy of the data).

    Examples
    --------
    >>> round(enthalpy_difference("N2", 25.0, 200.0), 3)
    5.121
    """
    b1, b2, b3, b4, b5 = ENTHALPY[species]
    x = (from_temperature + 273.15) * 1e-3
    y = (to_temperature + 273.15) * 1e-3
    low = x * (b1 + x * (b2 + x * (b3 + x * (b4 + x * b5))))
    high = y * (b1 + y * (b2 + y * (b3 + y * (b4 + y * b5))))
    return high - low
