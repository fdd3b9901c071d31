"""The one published list of units: what may stand beside a number, and what it means.

Made from the spellings that :mod:`combustion.units` reads by, so that the list and the door cannot
differ. Beyond the list any expression that pint knows is taken.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache

from combustion.quantities import QUANTITIES
from combustion.units import UnitError, conversion, listed_spellings

# Codes of the Unified Code for Units of Measure, case-sensitive; status: memory. A unit without a
# code of its own there (MBH, rpm as a word) has none here.
_UCUM: Mapping[str, str] = {
    "dimensionless": "1",
    "percent": "%",
    "ppm": "[ppm]",
    "degC": "Cel",
    "degF": "[degF]",
    "kelvin": "K",
    "pascal": "Pa",
    "millipascal": "mPa",
    "hectopascal": "hPa",
    "kilopascal": "kPa",
    "megapascal": "MPa",
    "bar": "bar",
    "millibar": "mbar",
    "psi": "[psi]",
    "inch_water_column": "[in_i'H2O]",
    "millimeter_water_column": "mm[H2O]",
    "inHg": "[in_i'Hg]",
    "mmHg": "mm[Hg]",
    "milliampere": "mA",
    "microampere": "uA",
    "nanoampere": "nA",
    "watt": "W",
    "milliwatt": "mW",
    "kilowatt": "kW",
    "megawatt": "MW",
    "kilowatt_hour": "kW.h",
    "Btu_it / hour": "[Btu_IT]/h",
    "rpm": "/min",
    "second": "s",
    "minute": "min",
    "hour": "h",
    "meter": "m",
    "foot": "[ft_i]",
    "inch": "[in_i]",
    "meter**3": "m3",
    "foot**3": "[cft_i]",
    "meter**3 / hour": "m3/h",
    "foot**3 / hour": "[cft_i]/h",
    "liter / minute": "L/min",
    "liter / hour": "L/h",
    "milligram / meter**3": "mg/m3",
    "milligram / kilowatt_hour": "mg/kW.h",
    "nanogram / joule": "ng/J",
    "kilogram / kilowatt_hour": "kg/kW.h",
}


@dataclass(frozen=True, slots=True)
class AcceptedUnit:
    """One unit.

    Attributes
    ----------
    name : str
        pint's name or expression.
    ucum : str or None
        Code of the Unified Code for Units of Measure.
    spellings : sequence of str
        What the trade writes; case, spaces and dots do not matter, but for the prefixes m and M.
    converts_to : sequence of str
        Canonical units of the glossary that a number in it can be stored in.
    """

    name: str
    ucum: str | None
    spellings: Sequence[str]
    converts_to: Sequence[str]


def _converts(name: str, canonical: str) -> bool:
    try:
        conversion(name, canonical)
    except UnitError:
        return False
    return True


@cache
def accepted_units() -> tuple[AcceptedUnit, ...]:
    """Return every listed unit once, in the order of the table of spellings.

    >>> [u.ucum for u in accepted_units() if "inwc" in u.spellings]
    ["[in_i'H2O]"]
    """
    spellings: dict[str, list[str]] = {}
    for spelling, name in listed_spellings().items():
        spellings.setdefault(name, []).append(spelling)
    canonical = tuple(dict.fromkeys(q.unit for q in QUANTITIES.values()))
    return tuple(
        AcceptedUnit(
            name,
            _UCUM.get(name),
            tuple(written),
            tuple(unit for unit in canonical if _converts(name, unit)),
        )
        for name, written in spellings.items()
    )
