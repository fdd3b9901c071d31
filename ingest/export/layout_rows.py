"""The rows of a layout: texts and numbers as they stand in its table, and back.

Numbers are written so that reading them and writing them again gives the same characters: with
twelve digits, and in units with another zero (degF) with at most six decimals.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Sequence
from datetime import datetime
from itertools import groupby
from typing import Any

from combustion.quantities import QUANTITIES
from combustion.units import conversion
from ingest.export.layout import Layout, LayoutColumn
from ingest.store.layout_rows import point_rows
from ingest.store.listings import Row
from ingest.store.lists import Wanted
from parsers.model import Bound

Cells = list[str]


def shown(value: float, key: str, unit: str) -> str:
    """Return a canonical number in a unit, as text.

    >>> shown(180.0, "stack_temperature", "degF"), shown(-2.5, "stack_draft", "Pa")
    ('356', '-2.5')
    >>> shown(-0.0, "stack_draft", "Pa"), shown(-0.0, "stack_draft", "mbar")  # 0 has no sign
    ('0', '0')
    """
    to = conversion(QUANTITIES[key].unit, unit)
    if to.factor == 1.0 and to.offset == 0.0:
        return repr(float(value) + 0.0).removesuffix(".0")
    number = to(value)
    return format((number if to.offset == 0.0 else round(number, 6)) + 0.0, ".12g")


def canonical(text: str, key: str, unit: str) -> float:
    """Return the canonical number of a text in a unit.

    >>> round(canonical("356", "stack_temperature", "degF"), 9)
    180.0
    """
    return conversion(unit, QUANTITIES[key].unit)(float(text))


def cell_of(column: LayoutColumn, values: dict[str, Any], bounds: dict[str, Any]) -> str:
    """Return the cell of a quantity: a number, or what it lies above or below."""
    key, unit = column.field, column.shown_unit
    settled = values.get(key)
    if settled is not None:
        return shown(settled["mean"], key, unit)
    bound = bounds.get(key) or {}
    parts = [
        mark + shown(bound[side], key, unit)
        for side, mark in (("above", ">"), ("below", "<"))
        if bound.get(side) is not None
    ]
    return " ".join(parts)


def quantity_of(text: str, column: LayoutColumn) -> float | Bound | None:
    """Return what a cell of a quantity says.

    Raises
    ------
    ValueError
        If it is no number and no bound.
    """
    if not text:
        return None
    key, unit = column.field, column.shown_unit
    if text[0] not in "<>":
        return canonical(text, key, unit)
    found: dict[str, float] = {}
    for part in text.split(" "):
        if part[:1] not in ("<", ">"):
            raise ValueError(f"{text!r} is no bound")
        found["above" if part[0] == ">" else "below"] = canonical(part[1:], key, unit)
    return Bound(found.get("above"), found.get("below"))


def rows_of(sql: sqlite3.Connection, layout: Layout, wanted: Wanted) -> Iterator[Cells]:
    """Yield the rows of a layout, oldest visit first; a visit without any value has no row."""
    for _, group in groupby(point_rows(sql, wanted), key=lambda row: row["visit_id"]):
        points = in_order(list(group))
        if layout.rows == "point":
            for point in points:
                yield [_point_cell(column, point) for column in layout.columns]
            continue
        cells = [
            _visit_cell(column, points) if column.is_quantity else _plain(column, points[0])
            for column in layout.columns
        ]
        if any(c for c, column in zip(cells, layout.columns, strict=True) if column.is_quantity):
            yield cells


def in_order(points: Sequence[Row]) -> list[Row]:
    """Return a visit's points by time where all have a comparable one, as readings are ordered."""
    times = [None if p["started"] is None else datetime.fromisoformat(p["started"]) for p in points]
    known = [t for t in times if t is not None]
    if len(known) == len(times) and len({t.tzinfo is None for t in known}) == 1:
        order = sorted(range(len(points)), key=lambda n: known[n])
        return [points[n] for n in order]
    return list(points)


def _plain(column: LayoutColumn, row: Row) -> str:
    document = row["visit"]
    if column.field == "visit":
        return str(row["visit_id"])
    if column.field == "visit_external_id":
        return document.get("external_id") or ""
    if column.field in ("site", "boiler", "boiler_external_id"):
        return row[column.field] or ""
    if column.field == "time":
        return row["started"] or ""
    if column.field == "firing_rate":
        return repr(float(row["firing_rate"])).removesuffix(".0")
    if column.field in ("phase", "burner", "fuel"):
        return str(row[column.field])
    return document.get(column.field) or ""


def _point_cell(column: LayoutColumn, point: Row) -> str:
    if column.is_quantity:
        return cell_of(column, point["values"], point["bounds"])
    return _plain(column, point)


def _visit_cell(column: LayoutColumn, points: Sequence[Row]) -> str:
    for point in points:
        if (point["phase"], point["firing_rate"]) == (column.phase, column.firing_rate):
            cell = cell_of(column, point["values"], point["bounds"])
            if cell:
                return cell
    return ""
