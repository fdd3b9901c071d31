"""A saved layout: which columns a table of firing points or of visits has, in which units.

A layout holds what is needed to read its table again: which boiler, which visit, and for a point
its phase, rate, burner and fuel. Without those columns it is refused, so that every table that was
written by a layout can be brought in by the same layout.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Literal

from pydantic import ConfigDict, Field, model_validator

from combustion.quantities import MEASURED, QUANTITIES
from combustion.units import UnitError, conversion
from ingest.sent import Sent
from parsers.model import Phase

VISIT_FIELDS: Mapping[str, str] = {
    "visit": "id of the visit",
    "visit_external_id": "its integrator's id",
    "site": "name of the site",
    "boiler": "name of the boiler",
    "boiler_external_id": "the boiler's own id, asset number",
    "started": "start of the visit, with its offset from UTC",
    "technician": "who was there",
    "note": "note of the visit",
}
POINT_FIELDS: Mapping[str, str] = {
    "phase": "as_found, trial or as_left",
    "firing_rate": "percent",
    "burner": "name of the burner",
    "fuel": "fuel of the point",
    "time": "start of the point",
}
NEEDED: Mapping[str, tuple[str, ...]] = {
    "visit": ("visit", "site", "boiler", "started"),
    "point": ("visit", "site", "boiler", "started", "phase", "firing_rate", "burner", "fuel"),
}
"""Columns without which a table could not be read again."""


class LayoutColumn(Sent):
    """One column: a field of the visit or point, or a measured quantity in a unit."""

    model_config = ConfigDict(frozen=True)

    field: str = Field(
        description="One of "
        + ", ".join([*VISIT_FIELDS, *POINT_FIELDS])
        + ", or a measured quantity of the glossary.",
        examples=["stack_temperature"],
    )
    heading: str = Field(
        default="", max_length=100, description="Own words; the field and its unit if absent."
    )
    unit: str | None = Field(
        default=None, description="Of a quantity; its canonical unit if absent.", examples=["degF"]
    )
    phase: Phase | None = Field(default=None, description="Of a quantity, in rows of visits.")
    firing_rate: float | None = Field(
        default=None, ge=0, le=110, description="Percent; of a quantity, in rows of visits."
    )

    @property
    def is_quantity(self) -> bool:
        """Return whether the column holds a measured number with a unit."""
        return self.field in MEASURED and self.field != "firing_rate"

    @property
    def shown_unit(self) -> str:
        """Return the unit that the column's numbers are in."""
        return self.unit or QUANTITIES[self.field].unit

    @property
    def words(self) -> str:
        """Return the heading."""
        if self.heading:
            return self.heading
        at = "" if self.phase is None else f" {self.phase} at {self.firing_rate:g} %"
        unit = f" [{self.shown_unit}]" if self.is_quantity else ""
        return f"{self.field}{at}{unit}"


class Layout(Sent):
    """A table's shape."""

    model_config = ConfigDict(frozen=True)

    name: str = Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9 _.-]{0,79}$", examples=["monthly"])
    rows: Literal["point", "visit"] = Field(description="What one row is.")
    columns: tuple[LayoutColumn, ...] = Field(min_length=1, max_length=200)

    @model_validator(mode="after")
    def _readable_again(self) -> Layout:
        missing = [name for name in NEEDED[self.rows] if name not in self.fields]
        if missing:
            raise ValueError(
                f"without {', '.join(missing)} the table could not be read again; add them"
            )
        for n, column in enumerate(self.columns):
            _fit(column, self.rows, n)
        headings = self.headings
        twice = sorted({h for h in headings if headings.count(h) > 1})
        if twice:
            raise ValueError(f"the heading {twice[0]!r} stands over two columns")
        plain = [c.field for c in self.columns if not c.is_quantity]
        if len(set(plain)) < len(plain):
            raise ValueError("a field stands in two columns")
        if self.rows == "visit" and not any(c.is_quantity for c in self.columns):
            raise ValueError("a table of visits needs at least one quantity at a phase and rate")
        places = [(c.field, c.phase, c.firing_rate) for c in self.columns if c.is_quantity]
        if len(set(places)) < len(places):
            raise ValueError("a quantity stands in two columns")
        return self

    @property
    def fields(self) -> set[str]:
        """Return the fields of all columns."""
        return {column.field for column in self.columns}

    @property
    def headings(self) -> list[str]:
        """Return the headings in order."""
        return [column.words for column in self.columns]

    def document(self) -> dict[str, Any]:
        """Return the layout as JSON, what is absent left out."""
        return self.model_dump(mode="json", exclude_none=True)


def _fit(column: LayoutColumn, rows: str, n: int) -> None:
    where = f"column {n + 1}, {column.field!r}"
    if any(c in column.heading for c in "\r\n") or column.heading != column.heading.strip():
        raise ValueError(f"{where}: a heading is one line without spaces around it")
    if column.is_quantity:
        try:
            conversion(QUANTITIES[column.field].unit, column.shown_unit)
        except UnitError as error:
            raise ValueError(f"{where}: {error}") from error
        placed = column.phase is not None and column.firing_rate is not None
        unplaced = column.phase is None and column.firing_rate is None
        if not (placed if rows == "visit" else unplaced):
            raise ValueError(
                f"{where}: in rows of visits a quantity has a phase and a firing rate, in rows of "
                "points it has none"
            )
        return
    known = VISIT_FIELDS if rows == "visit" else {**VISIT_FIELDS, **POINT_FIELDS}
    if column.field not in known:
        raise ValueError(f"{where}: no such field in rows of {rows}s; there are {', '.join(known)}")
    if column.unit is not None or column.phase is not None or column.firing_rate is not None:
        raise ValueError(f"{where}: only a quantity has a unit, a phase or a rate")
