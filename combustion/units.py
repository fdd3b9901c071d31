"""Units: quantities at the door, floats inside.

One pint registry for the whole program, the spellings that the trade uses for units, and cached
factor-and-offset conversions, so that a column of a million numbers costs one multiplication. pint
does not tell dry from wet gas, nor ppm of one gas from ppm of another: the quantity's name does.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    import pint

Number = TypeVar("Number", float, NDArray[np.float64])


class UnitError(ValueError):
    """A unit that is unknown, or does not measure the wanted kind of quantity.

    Attributes
    ----------
    given, wanted : str
        The unit as given and the canonical unit that it should convert to.
    """

    def __init__(self, message: str, *, given: str, wanted: str = "") -> None:
        super().__init__(message)
        self.given = given
        self.wanted = wanted


@lru_cache(maxsize=1)
def _registry() -> pint.UnitRegistry[Fraction]:
    # Loaded when first asked for: the registry takes a second, and a file whose units are all in
    # the table of exact factors below is read in milliseconds.
    import pint

    registry: pint.UnitRegistry[Fraction] = pint.UnitRegistry(non_int_type=Fraction)
    # Conventional columns of water and mercury, as gauges are scaled: 1 inH2O at 4 degC and
    # standard gravity (NIST SP 811, Appendix B.8, conventional: 249.0889 Pa).
    registry.define("inch_water_column = 249.0889 * pascal = inWC")
    registry.define("millimeter_water_column = 9.80665 * pascal = mmWC")
    # Thousand and million Btu per hour; the trade writes M for a thousand (Roman) in MBH.
    registry.define("MBH = 1000 * Btu_it / hour")
    registry.define("MMBtu = 1e6 * Btu_it")
    return registry


def __getattr__(name: str) -> Any:
    """Return ``registry``, the program's one unit registry, made when first asked for."""
    if name == "registry":
        return _registry()
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


_BTU = Fraction("1055.05585262")  # J, International Table, as pint has it
_POUND_FORCE = Fraction("0.45359237") * Fraction("9.80665")

# Exact factor and offset to the base of each kind, by pint's own spelling: common conversions
# without loading pint. A test holds every pair against the registry.
_EXACT: dict[str, tuple[str, Fraction, Fraction]] = {
    "dimensionless": ("ratio", Fraction(1), Fraction(0)),
    "percent": ("ratio", Fraction(1, 100), Fraction(0)),
    "ppm": ("ratio", Fraction(1, 1_000_000), Fraction(0)),
    "kelvin": ("temperature", Fraction(1), Fraction(0)),
    "degC": ("temperature", Fraction(1), Fraction("273.15")),
    "degF": ("temperature", Fraction(5, 9), Fraction("459.67") * Fraction(5, 9)),
    "pascal": ("pressure", Fraction(1), Fraction(0)),
    "hectopascal": ("pressure", Fraction(100), Fraction(0)),
    "kilopascal": ("pressure", Fraction(1000), Fraction(0)),
    "millipascal": ("pressure", Fraction(1, 1000), Fraction(0)),
    "megapascal": ("pressure", Fraction(1_000_000), Fraction(0)),
    "bar": ("pressure", Fraction(100_000), Fraction(0)),
    "millibar": ("pressure", Fraction(100), Fraction(0)),
    "psi": ("pressure", _POUND_FORCE / Fraction("0.0254") ** 2, Fraction(0)),
    "inch_water_column": ("pressure", Fraction("249.0889"), Fraction(0)),
    "millimeter_water_column": ("pressure", Fraction("9.80665"), Fraction(0)),
    "watt": ("power", Fraction(1), Fraction(0)),
    "milliwatt": ("power", Fraction(1, 1000), Fraction(0)),
    "kilowatt": ("power", Fraction(1000), Fraction(0)),
    "megawatt": ("power", Fraction(1_000_000), Fraction(0)),
    "MBH": ("power", 1000 * _BTU / 3600, Fraction(0)),
    "Btu_it / hour": ("power", _BTU / 3600, Fraction(0)),
    "MMBtu / hour": ("power", 1_000_000 * _BTU / 3600, Fraction(0)),
    "ampere": ("current", Fraction(1), Fraction(0)),
    "milliampere": ("current", Fraction(1, 1000), Fraction(0)),
    "microampere": ("current", Fraction(1, 1_000_000), Fraction(0)),
    "nanoampere": ("current", Fraction(1, 1_000_000_000), Fraction(0)),
    "meter": ("length", Fraction(1), Fraction(0)),
    "foot": ("length", Fraction("0.3048"), Fraction(0)),
    "inch": ("length", Fraction("0.0254"), Fraction(0)),
    "second": ("time", Fraction(1), Fraction(0)),
    "minute": ("time", Fraction(60), Fraction(0)),
    "hour": ("time", Fraction(3600), Fraction(0)),
    "meter**3 / hour": ("flow", Fraction(1), Fraction(0)),
    "meter ** 3 / hour": ("flow", Fraction(1), Fraction(0)),
    "foot**3 / hour": ("flow", Fraction("0.3048") ** 3, Fraction(0)),
    "liter / minute": ("flow", Fraction(60, 1000), Fraction(0)),
    "liter / hour": ("flow", Fraction(1, 1000), Fraction(0)),
}

# Trade spellings, after case folding and removal of spaces and dots -> what pint understands.
# Temperatures are spelt with care: a lone "C" or "F" is a temperature only in a unit's place.
_SPELLINGS: dict[str, str] = {
    "1": "dimensionless",
    "-": "dimensionless",
    "%": "percent",
    "vol%": "percent",
    "%vol": "percent",
    "pct": "percent",
    "percent": "percent",
    "v%": "percent",
    "%v": "percent",
    "vol-%": "percent",
    "[%]": "percent",
    "volpercent": "percent",
    "%rh": "percent",
    "%dry": "percent",
    "prozent": "percent",
    "ppm": "ppm",
    "ppmv": "ppm",
    "vpm": "ppm",
    "ppmvol": "ppm",
    "ppmdry": "ppm",
    "ppmvd": "ppm",
    "[ppm]": "ppm",
    "°c": "degC",
    "degc": "degC",
    "c": "degC",
    "celsius": "degC",
    "℃": "degC",
    "ºc": "degC",
    "grad c": "degC",
    "cel": "degC",
    "degreec": "degC",
    "degreesc": "degC",
    "gradc": "degC",
    "°f": "degF",
    "degf": "degF",
    "f": "degF",
    "fahrenheit": "degF",
    "℉": "degF",
    "ºf": "degF",
    "[degf]": "degF",
    "degreef": "degF",
    "degreesf": "degF",
    "k": "kelvin",
    "kelvin": "kelvin",
    "deltac": "delta_degC",
    "deltaf": "delta_degF",
    "delta_degc": "delta_degC",
    "delta_degf": "delta_degF",
    "pa": "pascal",
    "hpa": "hectopascal",
    "kpa": "kilopascal",
    "bar": "bar",
    "mbar": "millibar",
    "psi": "psi",
    "psig": "psi",
    "psia": "psi",
    "[psi]": "psi",
    "inwc": "inch_water_column",
    "inh2o": "inch_water_column",
    '"wc': "inch_water_column",
    "iwc": "inch_water_column",
    "inw": "inch_water_column",
    "inwg": "inch_water_column",
    '"h2o': "inch_water_column",
    '"wg': "inch_water_column",
    "[in_i'h2o]": "inch_water_column",
    "in_wc": "inch_water_column",
    "inchwc": "inch_water_column",
    "incheswc": "inch_water_column",
    "mmh2o": "millimeter_water_column",
    "mmwc": "millimeter_water_column",
    "mmws": "millimeter_water_column",
    "mmca": "millimeter_water_column",
    "mmce": "millimeter_water_column",
    "mm[h2o]": "millimeter_water_column",
    "inhg": "inHg",
    "mmhg": "mmHg",
    "[in_i'hg]": "inHg",
    "mm[hg]": "mmHg",
    "ua": "microampere",
    "µa": "microampere",
    "μa": "microampere",
    "microamp": "microampere",
    "microamps": "microampere",
    "na": "nanoampere",
    "ma": "milliampere",
    "kw": "kilowatt",
    "w": "watt",
    "kwh": "kilowatt_hour",
    "mbh": "MBH",
    "kbtu/h": "MBH",
    "kbtu/hr": "MBH",
    "kbtuh": "MBH",
    "mbtu/h": "MBH",
    "btu/h": "Btu_it / hour",
    "btu/hr": "Btu_it / hour",
    "btuh": "Btu_it / hour",
    "mmbtu/h": "MMBtu / hour",
    "mmbtu/hr": "MMBtu / hour",
    "mmbtuh": "MMBtu / hour",
    "[btu_it]/h": "Btu_it / hour",
    "lb/mmbtu": "pound / MMBtu",
    "rpm": "rpm",
    "1/min": "rpm",
    "min-1": "rpm",
    "u/min": "rpm",
    "/min": "rpm",
    "s": "second",
    "sec": "second",
    "min": "minute",
    "h": "hour",
    "hr": "hour",
    "m": "meter",
    "ft": "foot",
    "in": "inch",
    "[ft_i]": "foot",
    "[in_i]": "inch",
    "m3": "meter**3",
    "m^3": "meter**3",
    "m³": "meter**3",
    "ft3": "foot**3",
    "ft^3": "foot**3",
    "ft³": "foot**3",
    "cuft": "foot**3",
    "cf": "foot**3",
    "[cft_i]": "foot**3",
    "m3/h": "meter**3 / hour",
    "m³/h": "meter**3 / hour",
    "cfh": "foot**3 / hour",
    "ft3/h": "foot**3 / hour",
    "ft³/h": "foot**3 / hour",
    "scfh": "foot**3 / hour",
    "[cft_i]/h": "foot**3 / hour",
    "m^3/h": "meter**3 / hour",
    "l/min": "liter / minute",
    "l/h": "liter / hour",
    "mg/m3": "milligram / meter**3",
    "mg/m³": "milligram / meter**3",
    "mg/nm3": "milligram / meter**3",
    "mg/nm³": "milligram / meter**3",
    "mg/kwh": "milligram / kilowatt_hour",
    "ng/j": "nanogram / joule",
    "kg/kwh": "kilogram / kilowatt_hour",
    "ph": "dimensionless",
}

# Spellings in which the case decides, matched as they stand before anything is folded: a prefix m
# is a thousandth and M a million. All small letters say neither, and are refused.
_CASED: dict[str, str] = {
    "mPa": "millipascal",
    "MPa": "megapascal",
    "MPA": "megapascal",
    "mW": "milliwatt",
    "MW": "megawatt",
}


@dataclass(frozen=True, slots=True)
class Conversion:
    """``canonical = given * factor + offset``."""

    factor: float
    offset: float

    def __call__(self, value: Number) -> Number:
        return value * self.factor + self.offset


def _folded(text: str) -> str:
    return re.sub(r"[\s.]+", "", text.strip().casefold()).replace("''", '"').replace("”", '"')


def _listed(text: str) -> str | None:
    return _CASED.get(text.strip()) or _SPELLINGS.get(_folded(text))


def listed_spellings() -> dict[str, str]:
    """Return every listed spelling and pint's name of the unit that it means.

    >>> listed_spellings()["mbar"], listed_spellings()["mW"]
    ('millibar', 'milliwatt')
    """
    return {**_SPELLINGS, **_CASED}


_LONGEST = 80
# pint works powers out exactly, however large: 9**9**9 would hold the program for ever. Units with
# a power are read by their listed spellings only.
_POWER = re.compile(r"\^|\*\*|[⁰¹²³⁴-⁹]|\d[eE][+-]?\d")


def spelt(text: str) -> str:
    """Return the pint spelling of a unit as the trade writes it.

    Parameters
    ----------
    text : str
        A unit such as ``"°F"``, ``"in. W.C."``, ``"MBH"`` or any expression that pint knows.

    Raises
    ------
    UnitError
        If neither the list of trade spellings nor pint knows it.

    Examples
    --------
    >>> spelt("in. W.C."), spelt("°F"), spelt("MBH")
    ('inch_water_column', 'degF', 'MBH')
    >>> spelt("mPa"), spelt("MPa")
    ('millipascal', 'megapascal')
    """
    known = _listed(text)
    if known is not None:
        return known
    try:
        if len(text) > _LONGEST or _POWER.search(text):
            raise ValueError("no unit, but a sum that may take for ever")
        return str(_registry().parse_units(text.strip()))
    except Exception as error:  # pint raises a different class for each kind of nonsense
        raise UnitError(
            f"unit {text!r} is not known; write one such as degC, degF, K, %, ppm, Pa, mbar, "
            "inWC, kW or MBH",
            given=text,
        ) from error


def is_unit(text: str) -> bool:
    """Return whether the text is a unit in one of the listed trade spellings, pint not asked.

    >>> is_unit("in. W.C."), is_unit("dry")
    (True, False)
    """
    return _listed(text) is not None


@lru_cache(maxsize=4096)
def conversion(given: str, wanted: str) -> Conversion:
    """Return the conversion from one unit to another.

    Parameters
    ----------
    given, wanted : str
        Units in any spelling that :func:`spelt` takes. ``"K"`` as the wanted unit of a difference
        is met by a difference in degF or degC spelt ``delta_degF`` or ``delta_degC``.

    Raises
    ------
    UnitError
        If a unit is unknown or the two do not measure the same kind of quantity.

    Examples
    --------
    >>> conversion("degF", "degC")(212.0)
    100.0
    >>> conversion("ppm", "%")(10000.0)
    1.0
    """
    source, target = spelt(given), spelt(wanted)
    if source == target:
        return Conversion(1.0, 0.0)
    mine, wished = _EXACT.get(source), _EXACT.get(target)
    if mine is not None and wished is not None and mine[0] == wished[0]:
        return Conversion(float(mine[1] / wished[1]), float((mine[2] - wished[2]) / wished[1]))
    import pint

    try:
        zero = _registry().Quantity(Fraction(0), source).to(target).magnitude
        one = _registry().Quantity(Fraction(1), source).to(target).magnitude
    except pint.DimensionalityError as error:
        raise UnitError(
            f"unit {given!r} does not convert to {wanted!r}: they measure different things",
            given=given,
            wanted=wanted,
        ) from error
    # Exact fractions until here: 5/9 and -160/9 are rounded once, not accumulated.
    return Conversion(float(one - zero), float(zero))
