"""The glossary: every measured or computed quantity, once.

The schema of readings, the heading vocabulary, database columns, API descriptions, page labels
and the table in ``docs/`` are derived from this list, which is read from ``quantities.toml`` beside
this file. A second list of quantities anywhere is a defect.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from importlib.resources import files
from types import MappingProxyType
from typing import Any, Literal, cast, get_args

Basis = Literal["none", "dry", "wet", "air_free", "dry_at_reference", "gross", "net"]
Role = Literal["measured", "setting", "computed"]
Language = Literal["en", "de", "fr", "es"]

LANGUAGES: tuple[Language, ...] = get_args(Language)


@dataclass(frozen=True, slots=True)
class Quantity:
    """One quantity of the trade.

    Attributes
    ----------
    key : str
        The name used in code, files, database and API.
    label : str
        Short form for a table heading or a page.
    meaning : str
        One sentence saying what the number is.
    unit : str
        Canonical unit; stored and exchanged numbers are in it. ``"1"`` is a pure number.
    basis : Basis
        What the number refers to: dry or wet gas, air-free, a reference O2, gross or net heat.
    plausible : tuple of float
        Values outside are doubtful (a flag), never unreadable.
    decimals : int
        Digits shown after the point, in the canonical unit.
    role : Role
        Measured, set by a person, or computed by fluebook.
    words : Mapping of language to tuple of str
        Headings and phrases that mean this quantity, lower case, without units.
    """

    key: str
    label: str
    meaning: str
    unit: str
    basis: Basis
    plausible: tuple[float, float]
    decimals: int
    role: Role
    words: Mapping[Language, tuple[str, ...]]

    def shown(self, value: float) -> str:
        """Return the value in the canonical unit as text, with the unit behind it.

        >>> QUANTITIES["o2_dry"].shown(5.04)
        '5.0 %'
        """
        number = f"{value:.{self.decimals}f}"
        return number if self.unit == "1" else f"{number} {self.unit}"


def _quantity(key: str, entry: Mapping[str, Any]) -> Quantity:
    low, high = entry["plausible"]
    if entry["basis"] not in get_args(Basis) or entry["role"] not in get_args(Role):
        raise ValueError(f"quantities.toml, [{key}]: unknown basis or role")
    words = {
        cast(Language, language): tuple(phrases)
        for language, phrases in entry.get("words", {}).items()
    }
    return Quantity(
        key=key,
        label=entry["label"],
        meaning=entry["meaning"],
        unit=entry["unit"],
        basis=entry["basis"],
        plausible=(float(low), float(high)),
        decimals=entry["decimals"],
        role=entry["role"],
        words=MappingProxyType(words),
    )


def _read_glossary() -> Mapping[str, Quantity]:
    text = files(__package__).joinpath("quantities.toml").read_text(encoding="utf-8")
    return MappingProxyType({k: _quantity(k, e) for k, e in tomllib.loads(text).items()})


QUANTITIES: Mapping[str, Quantity] = _read_glossary()
"""All quantities by key, in the order of the file."""

MEASURED: tuple[str, ...] = tuple(k for k, q in QUANTITIES.items() if q.role != "computed")
"""Keys that a reading may carry."""
