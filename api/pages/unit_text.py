"""Figures inside finished sentences, in the reader's units and signs.

Rules, sources and limits are written with one unit, some with both; a reader sees their own.
"""

from __future__ import annotations

import re

from api.pages.show import Shown
from api.words import words
from combustion.quantities import QUANTITIES
from combustion.units import conversion

_POINT = re.compile(r"(?<=\d)\.(?=\d{1,2}(?!\d))")
_IN_TEXT = re.compile(
    r"(?<![\w.])([-−]?\d+(?:\.\d+)?)((?: to | a | y | and )([-−]?\d+(?:\.\d+)?))? "
    r"(degC|degF|K|Pa|inWC|psi|kW)\b"
)
_TWICE = re.compile(r"(\S+ \S+) \(\1\)")
_FOREIGN = {"degF", "inWC", "psi"}
_KEY_OF_UNIT = {
    "degC": "stack_temperature",
    "degF": "stack_temperature",
    "inWC": "stack_draft",
    "psi": "water_pressure",
    "K": "net_stack_temperature",
    "Pa": "stack_draft",
    "kW": "fuel_input",
}


def in_units(text: str, shown: Shown) -> str:
    """Return a rule's sentence with its numbers in the reader's units.

    >>> in_units("Stack temperature is 180 degC at 100 %.", Shown("us"))
    'Stack temperature is 356 °F at 100 %.'
    """

    def one(match: re.Match[str]) -> str:
        unit = match.group(4)
        key = _KEY_OF_UNIT[unit]
        canonical = conversion(unit, QUANTITIES[key].unit) if unit in _FOREIGN else float
        first = shown.figure(key, canonical(float(match.group(1).replace("−", "-"))))
        if match.group(3) is not None:
            last = canonical(float(match.group(3).replace("−", "-")))
            between = match.group(2).removesuffix(match.group(3))
            return f"{first}{between}{shown.value(key, last)}"
        return f"{first} {shown.unit(key)}"

    # A source that names both systems says one and the same number twice to a reader of one.
    return _TWICE.sub(r"\1", _IN_TEXT.sub(one, text))


def with_signs(text: str) -> str:
    """Return a text whose decimal points between figures are the reader's sign.

    >>> with_signs("6.0 to 7.5 %")
    '6.0 to 7.5 %'
    """
    said, english, rest = text.partition(" (English: ")
    return _POINT.sub(words().decimal, said) + english + rest
