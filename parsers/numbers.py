"""Cells to numbers: decimal and thousands marks by evidence, units in cells, marks for no value.

A cell's digits can often be read in two ways: "1.234" is one and a bit, or a thousand and more.
Here every reading of a cell is listed, and a column is settled only by what excludes one of them.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

from combustion.units import is_unit

Mark = Literal[".", ","]
MARKS: tuple[Mark, ...] = (".", ",")


class NumberCell(str):
    """A spreadsheet's own number: its decimal mark is a point by definition."""

    __slots__ = ()


# Hyphens and minus signs that instruments and office programs put before a number.
_MINUS = dict.fromkeys(map(ord, "‐‑‒–—―−﹣－⁻"), "-") | {0x00A0: " ", 0x202F: " ", 0xFEFF: None}
_MINUS |= {0x2009: " ", 0x2007: " "}

LARGEST = 1e12
"""A number beyond is no measurement, and the sum of a few may be none at all."""
_LONGEST = 60
"""Characters; no number of an instrument with its unit is longer."""

_CELL = re.compile(
    r"""\s*(?P<bound>>=|<=|=>|=<|[><≥≤])?\s*
    (?P<sign>[-+])?\s*
    (?P<body>(?:[0-9]{1,3}(?:[ '’][0-9]{3})+(?![0-9])(?:[.,][0-9]+)?|[0-9][0-9.,]*|[.,][0-9]+)
        (?:[eE][-+]?[0-9]+)?)
    (?P<after>[-+])?\s*
    (?P<unit>[^\s0-9(\[].*?|\[.*?\]|\(.*?\)|)\s*""",
    re.VERBOSE,
)
PLAIN_POINT = re.compile(r"[-+]?[0-9]+(?:\.[0-9]+)?")

_MISSING: Mapping[str, str] = {
    **dict.fromkeys(
        ("n/a", "na", "n.a.", "nan", "null", "none", "nil", "#n/a", "#na", "void", "nd", "n.d.",
         "no data", "no reading", "no value", "missing", "not measured", "nicht gemessen", "k.a.",
         "k. a.", "keine", "sin dato", "non mesuré", "non mesure", "nm", "n.m.", "inv", "invalid",
         "ungültig", "invalide", "inválido", "?", "??", "???", "x", "xxx", "blank", "empty",
         "leer"),
        "no reading",
    ),
    **dict.fromkeys(("off", "sensor off", "aus", "disabled", "not fitted", "not installed",
                     "no sensor", "kein sensor", "sans capteur", "sin sensor", "n/i"),
                    "sensor off"),
    **dict.fromkeys(("err", "error", "fault", "fail", "failed", "sensor error", "sensor fault",
                     "fehler", "erreur", "défaut", "defaut", "fallo", "#value!", "#div/0!", "#ref!",
                     "#num!", "#name?", "#null!", "e1", "err1"), "sensor or instrument error"),
    **dict.fromkeys(("purge", "purging", "warmup", "warm-up", "warm up", "zeroing", "spülen",
                     "cal", "calibrating", "init", "wait"), "instrument not ready"),
    **dict.fromkeys(("inf", "+inf", "infinity", "ol", "o.l.", "ovl", "over", "over range",
                     "overrange", "over-range", "or", "o.r.", "hi", "high", "overflow", "ovf",
                     "out of range", "oor", "range", "messbereich überschritten", "überlauf",
                     "überbereich", "hors gamme", "hors échelle", "dépassement", "fuera de rango",
                     "sobre rango", ">>>", ">>>>", ">>", "^^^", "^^^^", "+++", "++++", "max"),
                    "over range, the range end not stated"),
    **dict.fromkeys(("-inf", "-infinity", "under", "under range", "underrange", "under-range", "lo",
                     "low", "<<<", "<<<<", "<<", "unterbereich"),
                    "under range, the end not stated"),
}  # fmt: skip
"""What instruments write where there is no number, and what it means."""

_FILLER = re.compile(r"[-_.*#=~ :/]+")
_SENTINELS = frozenset(
    (-999.0, -999.9, -9999.0, -99.9, -99.0, 9999.0, 9999.9, 99999.0, 999.9, 999.0, 32767.0,
     -32768.0, 65535.0, 6553.5, 3276.7, -3276.8, 999999.0)
)  # fmt: skip


def is_sentinel(value: float) -> bool:
    """Return whether a number is one that programs write for "no value".

    >>> is_sentinel(-999.0), is_sentinel(350.0)
    (True, False)
    """
    return value in _SENTINELS


@dataclass(frozen=True, slots=True)
class Parts:
    """A numeric cell taken apart; ``body`` holds digits and marks, not yet a number."""

    body: str
    negative: bool = False
    bound: Literal["above", "below"] | None = None
    unit: str | None = None
    exact: bool = False


@lru_cache(maxsize=65536)
def _split(text: str) -> Parts | None:
    # Wide digits and the like are folded; superscripts are not, they would change the number.
    text = text.translate(_MINUS)
    if not text.isascii() and any("０" <= c <= "９" or c in "．，" for c in text):
        text = unicodedata.normalize("NFKC", text)
    match = _CELL.fullmatch(text) if len(text) <= _LONGEST else None
    if match is None:
        return None
    unit = match["unit"].strip("[]() ") or None
    if unit is not None:
        if unit in ("+",):
            unit = None
        elif not is_unit(unit) or unit in ("-", "1"):
            stripped = re.sub(r"\b(vol|dry|tr|trocken)\.?$", "", unit).strip(" ,")
            if not stripped or not is_unit(stripped):
                return None
            unit = stripped
    bound: Literal["above", "below"] | None = None
    if match["bound"]:
        bound = "above" if match["bound"][0] in ">≥" or match["bound"] == "=>" else "below"
    elif match["after"] == "+":
        bound = "above"
    negative = (match["sign"] == "-") != (match["after"] == "-")
    if match["sign"] and match["after"] == "-":
        return None
    return Parts(match["body"], negative, bound, unit)


def split_cell(text: str) -> Parts | None:
    """Return the parts of a numeric cell, None where it is no number.

    >>> split_cell("> 2000 ppm")
    Parts(body='2000', negative=False, bound='above', unit='ppm', exact=False)
    >>> split_cell("−0,05").negative, split_cell("O2")
    (True, None)
    """
    if isinstance(text, NumberCell):
        negative = text.startswith("-")
        return Parts(text[1:] if negative else str(text), negative, exact=True)
    return _split(text)


def no_value(text: str) -> str | None:
    """Return the reason where a cell stands for "no value", None where it does not.

    >>> no_value("---"), no_value("sensor off"), no_value("abc"), no_value("---- °C")
    ('no reading', 'sensor off', None, 'no reading')
    """
    mark, _, unit = text.strip().rpartition(" ")
    if mark and unit not in ("-", "1") and is_unit(unit):
        text = mark  # a printer leaves the unit standing behind its dashes
    folded = text.strip().strip("[]()\"'").strip().casefold()
    if not folded:
        return "empty"
    if _FILLER.fullmatch(folded.translate(_MINUS)):
        return "no reading"
    return _MISSING.get(folded)


@lru_cache(maxsize=65536)
def readings_of(body: str) -> tuple[tuple[Mark, float], ...]:
    """Return every (decimal mark, value) that the digits allow.

    >>> readings_of("1.234")
    (('.', 1.234), (',', 1234.0))
    >>> readings_of("5,1"), readings_of("1.2.3")
    (((',', 5.1),), ())
    """
    found: list[tuple[Mark, float]] = []
    mantissa, exponent = body, ""
    for e in "eE":
        if e in body:
            mantissa, _, tail = body.partition(e)
            exponent = "e" + tail
    mantissa = re.sub(r"(?<=[0-9])[ '’](?=[0-9]{3})", "", mantissa)
    for mark in MARKS:
        other = "," if mark == "." else "."
        whole, _dot, fraction = mantissa.partition(mark)
        if mark in fraction or other in fraction:
            continue
        if other in whole:
            groups = whole.split(other)
            well = 1 <= len(groups[0]) <= 3 and groups[0] != "0" and not groups[0].startswith("0")
            if not well or any(len(g) != 3 for g in groups[1:]):
                continue
            whole = "".join(groups)
        if whole or fraction:
            number = float(f"{whole or '0'}.{fraction or '0'}{exponent}")
            if number <= LARGEST:
                found.append((mark, number))
    return tuple(found)


@dataclass(frozen=True, slots=True)
class Settled:
    """The decimal mark of a column: a mark, ``"either"`` where it does not matter, or a refusal."""

    mark: Mark | Literal["either", "mixed", "ambiguous"]
    why: str = ""


def settle(bodies: Iterable[str]) -> Settled:
    """Return what the cells of one column alone say about its decimal mark.

    >>> settle(["5,1", "6"]).mark, settle(["1.234"]).mark, settle(["12"]).mark
    (',', 'ambiguous', 'either')
    >>> settle(["1.234", "0.5"]).mark
    '.'
    """
    feasible = set(MARKS)
    differ = False
    for body in bodies:
        ways = readings_of(body)
        if not ways:
            continue
        if len(ways) == 1:
            feasible &= {ways[0][0]}
        elif ways[0][1] != ways[1][1]:
            differ = True
    if not feasible:
        return Settled("mixed", "some cells have a decimal comma and some a decimal point")
    if len(feasible) == 1:
        (mark,) = feasible
        return Settled(mark, f"its cells allow only {'comma' if mark == ',' else 'point'}")
    return Settled("ambiguous" if differ else "either")


def settle_with(
    bodies: Sequence[str],
    own: Settled,
    others: set[Mark],
    possible: Callable[[float], bool],
    delimiter: str,
) -> Settled:
    """Return the mark of a column that its own cells leave open, by evidence around it.

    Parameters
    ----------
    bodies : sequence of str
        The column's digits.
    own : Settled
        What the cells alone say.
    others : set of Mark
        Marks that other columns of the file were settled to.
    possible : callable
        Whether a number is physically possible for this quantity in its unit.
    delimiter : str
        What separates the cells.
    """
    if own.mark != "ambiguous":
        return own
    ways = [dict(readings_of(b)) for b in bodies]
    left: list[Mark] = [m for m in MARKS if all(possible(w[m]) for w in ways if m in w)]
    if len(left) == 1:
        return Settled(left[0], "the other decimal mark would give impossible values")
    if len(others) == 1:
        (mark,) = others
        return Settled(mark, "the other columns of the file use this decimal mark")
    if delimiter == "," and all("," not in b for b in bodies):
        return Settled(".", "the comma separates the cells")
    return own


def value_of(parts: Parts, mark: Mark | Literal["either", "mixed"]) -> float | None:
    """Return the number of a cell under a decimal mark, None where it does not fit."""
    if parts.exact:
        number = float(parts.body)
        if not abs(number) <= LARGEST:
            return None
    else:
        ways = dict(readings_of(parts.body))
        if mark == "mixed":
            if len(set(ways.values())) != 1:
                return None
            number = next(iter(ways.values()))
        else:
            chosen = ways.get("." if mark == "either" else mark)
            if chosen is None:
                return None
            number = chosen
    return -number if parts.negative else number
