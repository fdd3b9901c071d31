"""Figures inside finished sentences, in the reader's units and signs.

Rules, sources and limits are written with one unit, some with both; a reader sees their own.
"""

from __future__ import annotations

import re
from functools import lru_cache

from api.pages.show import Shown
from api.words import Words, words
from combustion.quantities import QUANTITIES
from combustion.units import UnitError, conversion
from ingest.figures import Figures

_POINT = re.compile(r"(?<=\d)(?<!CFR \d)(?<!CFR \d\d)\.(?=\d{1,2}(?!\d))")
"""A decimal point; that of a paragraph of a code of law is none."""
_IN_TEXT = re.compile(
    r"(?<![\w.])([-−]?\d+(?:\.\d+)?)((?: to | a | y | and )([-−]?\d+(?:\.\d+)?)| to open)? "
    r"(degC|degF|K|Pa|inWC|psi|kW|ft lbf|N m|mm)\b"
)
_TWICE = re.compile(r"(\S+ \S+) \(\1\)")
_DEGREE = re.compile(r"\bdeg([CF])\b")
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
_US_UNITS = {
    "degC": "degF",
    "K": "delta_degF",
    "Pa": "inWC",
    "kW": "MBH",
    "N m": "ft lbf",
    "N·m": "ft lbf",
    "mm": "in",
}
_SI_UNITS = {"degF": "degC", "inWC": "Pa", "ft lbf": "N m", "in": "mm", "psi": "bar"}
UNIT_NAMES = {
    "degF": "°F",
    "delta_degF": "°F",
    "degC": "°C",
    "1": "",
    "ft lbf": "ft·lbf",
    "N m": "N·m",
    "degree": "°",
    "pH": "",
    "uS/cm": "µS/cm",
    "uA": "µA",
}
"""Units that a reader sees spelt otherwise than they are kept."""


def quantity(value: float, unit: str, shown: Shown) -> str:
    """Return a number with its unit in the reader's system; an unknown unit stays as it is.

    >>> quantity(33, "ft lbf", Shown("si"))
    '44.7 N·m'
    """
    wanted = (_US_UNITS if shown.system == "us" else _SI_UNITS).get(unit, unit)
    try:
        number = value if wanted == unit else conversion(unit, wanted)(value)
    except UnitError:
        number, wanted = value, unit
    name = UNIT_NAMES.get(wanted, wanted)
    text = f"{number:.3g}" if abs(number) < 1000 else f"{number:.0f}"
    return f"{words().signs(text).replace('-', '−')} {name}".rstrip()


def figures_in(text: str) -> bool:
    """Return whether a sentence has figures that are converted where it is shown."""
    return _IN_TEXT.search(text) is not None


def in_units(text: str, shown: Shown, exact: Figures = ()) -> str:
    """Return a rule's sentence with its numbers in the reader's units.

    A sentence is written with rounded numbers; one that rounds one of ``exact`` is converted from
    that, so that it is the same as where the number itself is shown.

    >>> in_units("Stack temperature is 161 degC.", Shown("us"), ((160.6, "degC"),))
    'Stack temperature is 321 °F.'
    >>> in_units("Stack temperature is 180 degC at 100 %.", Shown("us"))
    'Stack temperature is 356 °F at 100 %.'
    >>> in_units("Flange nuts, nut 3: 28 ft lbf, range 30 to 35 ft lbf.", Shown("si"))
    'Flange nuts, nut 3: 38 N·m, range 40.7 to 47.5 N·m.'
    >>> in_units("limits -12.5 to open Pa", Shown("us"))
    'limits −0.05 to open inWC'
    """
    return _in_units(text, shown, words(), exact)


@lru_cache(maxsize=8192)
def _in_units(text: str, shown: Shown, _spoken: Words, exact: Figures) -> str:
    def behind(figure: str, unit: str) -> float:
        bare = figure.replace("−", "-")
        decimals = len(bare.partition(".")[2])
        for value, of in exact:
            if of == unit and f"{value:.{decimals}f}" == bare:
                return value
        return float(bare)

    def one(match: re.Match[str]) -> str:
        unit = match.group(4)
        open_end = match.group(2) if match.group(3) is None and match.group(2) else ""
        if unit not in _KEY_OF_UNIT:
            begin, *rest = (behind(n, unit) for n in match.group(1, 3) if n)
            said = quantity(rest[0] if rest else begin, unit, shown)
            before = quantity(begin, unit, shown).partition(" ")[0]
            between = (match.group(2) or "").removesuffix(match.group(3) or "")
            if open_end:
                return f"{before}{open_end} {said.partition(' ')[2]}"
            return f"{before}{between}{said}" if rest else said
        key = _KEY_OF_UNIT[unit]
        canonical = conversion(unit, QUANTITIES[key].unit) if unit in _FOREIGN else float
        first = shown.figure(key, canonical(behind(match.group(1), unit)))
        if match.group(3) is not None:
            last = canonical(behind(match.group(3), unit))
            between = match.group(2).removesuffix(match.group(3))
            return f"{first}{between}{shown.value(key, last)}"
        return f"{first}{open_end} {shown.unit(key)}"

    # A source that names both systems says one and the same number twice to a reader of one.
    said = _TWICE.sub(r"\1", _IN_TEXT.sub(one, text))
    return _DEGREE.sub(r"°\1", said)


def with_signs(text: str) -> str:
    """Return a text whose decimal points between figures are the reader's sign.

    >>> with_signs("6.0 to 7.5 %")
    '6.0 to 7.5 %'
    """
    said, english, rest = text.partition(" (English: ")
    return _POINT.sub(words().decimal, said) + english + rest
