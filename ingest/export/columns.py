"""Columns of the exports: name, unit, meaning and kind, and the value of a listed row in them."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any, Literal

from combustion.quantities import MEASURED, QUANTITIES
from ingest.store import listings
from ingest.store.audit import canonical_json
from ingest.store.listings import Listing, Row

Kind = Literal["readings", "points", "visits"]
KINDS: tuple[Kind, ...] = ("readings", "points", "visits")
CellKind = Literal["text", "number", "count"]

LISTINGS: Mapping[Kind, Listing] = {
    "readings": listings.READING_ROWS,
    "points": listings.POINT_ROWS,
    "visits": listings.VISIT_ROWS,
}


@dataclass(frozen=True, slots=True)
class ExportColumn:
    """One column of an export.

    Attributes
    ----------
    unit : str or None
        The canonical unit, None for texts and counts.
    value : callable
        Gives the cell of a row of the listing: text, number or None.
    """

    name: str
    kind: CellKind
    unit: str | None
    meaning: str
    value: Callable[[Row], Any]

    @property
    def heading(self) -> str:
        """Return the heading with its unit."""
        return self.name if self.unit in (None, "1") else f"{self.name} [{self.unit}]"


_NUMBERS = {"seq", "pass", "count", "version", "imported"}
_JSON = {"missing", "bounds", "document"}


def _plain(name: str) -> ExportColumn:
    if name in _JSON:
        return ExportColumn(name, "text", None, "JSON", lambda row: canonical_json(row[name]))
    if name == "firing_rate":
        return ExportColumn(name, "number", "%", QUANTITIES[name].meaning, lambda r: r[name])
    if name in _NUMBERS:
        return ExportColumn(
            name, "count", None, "", lambda r: None if r[name] is None else int(r[name])
        )
    return ExportColumn(name, "text", None, "", lambda row: row[name])


def _value(key: str) -> ExportColumn:
    quantity = QUANTITIES[key]
    return ExportColumn(
        key, "number", quantity.unit, quantity.meaning, lambda row: row["values"].get(key)
    )


def _settled(key: str) -> list[ExportColumn]:
    quantity = QUANTITIES[key]

    def of(what: str) -> Callable[[Row], Any]:
        return lambda row: row["values"].get(key, {}).get(what)

    # A spread is a difference: of temperatures in degC it is in K.
    spread = "K" if quantity.unit == "degC" else quantity.unit
    return [
        ExportColumn(key, "number", quantity.unit, f"{quantity.meaning}, mean", of("mean")),
        ExportColumn(
            f"{key}_spread",
            "number",
            spread,
            f"{quantity.meaning}, sample standard deviation",
            of("spread"),
        ),
        ExportColumn(f"{key}_count", "count", None, "values in the mean", of("count")),
    ]


@cache
def columns_of(kind: Kind) -> tuple[ExportColumn, ...]:
    """Return the columns of an export, the same ones whatever a book holds.

    >>> [c.heading for c in columns_of("points")][9:13]
    ['phase', 'firing_rate [%]', 'pass', 'count']
    """
    listed = [name for name in LISTINGS[kind].columns if name != "document"]
    if kind == "visits":
        return tuple(_plain(name) for name in [*listed, "document"])
    measured = [key for key in MEASURED if key not in listed]
    if kind == "readings":
        values = [_value(key) for key in measured]
        return (
            tuple(map(_plain, listed))
            + tuple(values)
            + tuple(map(_plain, ["missing", "bounds", "note"]))
        )
    listed += ["count", "started", "ended"]
    settled = [column for key in measured for column in _settled(key)]
    return tuple(map(_plain, listed)) + tuple(settled) + tuple(map(_plain, ["missing", "bounds"]))
