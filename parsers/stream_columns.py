"""Columns, labels and keys of a stream: what each one means, and what one of its cells says."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

from combustion.quantities import QUANTITIES
from combustion.units import Conversion, UnitError, conversion
from parsers.model import Bound
from parsers.numbers import Mark, is_sentinel, no_value
from parsers.stream_events import StreamRules
from parsers.stream_lines import marks_of, parts_of
from parsers.vocabulary import meaning

_UNIT_FREE = ("%", "ppm", "1", "uA")
"""Canonical units in which analyzers give a bare number: percent and ppm. Common practice."""


@dataclass(frozen=True, slots=True)
class Refused:
    """Why a line makes no reading."""

    code: str
    why: str
    next_step: str = ""


@dataclass(slots=True)
class StreamColumn:
    """One column, label or key of a stream."""

    heading: str
    role: str
    quantity: str | None
    convert: Conversion | None
    reference: float | None
    unread: str = ""


def column_of(heading: str, rules: StreamRules, unit: str | None = None) -> StreamColumn:
    """Return what a heading means on a stream; ``unit`` from a row of units or from the value."""
    found = rules.map.understand(heading) if rules.map is not None else meaning(heading)
    quantity = found.quantity if found.role == "quantity" else None
    if quantity is None:
        why = "" if found.role in ("time", "date", "number", "elapsed", "ignored") else found.why
        return StreamColumn(heading, found.role, None, None, None, why)
    given = unit or found.unit or rules.units.get(quantity)
    canonical = QUANTITIES[quantity].unit
    if given is None:
        if canonical not in _UNIT_FREE:
            return StreamColumn(heading, "quantity", quantity, None, found.reference_o2, "no unit")
        return StreamColumn(heading, "quantity", quantity, Conversion(1, 0), found.reference_o2)
    try:
        convert = conversion(given, canonical)
    except UnitError as error:
        return StreamColumn(heading, "quantity", quantity, None, found.reference_o2, str(error))
    return StreamColumn(heading, "quantity", quantity, convert, found.reference_o2)


class HoldsMark(Protocol):
    """Whatever keeps the decimal mark in force: a table, or a holder where there is none."""

    mark: Mark | None


def number_of(
    cell: str, quantity: str, convert: Conversion, holder: HoldsMark
) -> float | str | Bound | Refused:
    """Return a cell's canonical value, a bound, the reason of none, or why it damages the line.

    The decimal mark is learned from the first cell that allows only one, and held from then on.
    """
    reason = no_value(cell)
    if reason is not None:
        return "empty cell" if reason == "empty" else f"{reason}: {cell}"
    parts = parts_of(cell)
    if parts is None or not cell.isprintable():
        return Refused("not_a_number", f"{cell!r} is no number")
    if parts.unit is not None:
        try:
            convert = conversion(parts.unit, QUANTITIES[quantity].unit)
        except UnitError as error:
            return Refused("unit", str(error))
    ways = marks_of(parts.body)
    if "either" in ways:
        number = ways["either"]
    elif len(ways) == 1:
        (mark, number), *_ = ways.items()
        if holder.mark is not None and mark != holder.mark:
            return Refused("decimal_mark", f"{cell!r} has another decimal mark than before")
        holder.mark = "," if mark == "," else "."
    elif holder.mark is not None and holder.mark in ways:
        number = ways[holder.mark]
    else:
        return Refused(
            "ambiguous",
            f"{cell!r} can be read in two ways",
            "State the decimal mark of the instrument.",
        )
    number = -number if parts.negative else number
    value = convert(number)
    if parts.bound is not None:
        return Bound(above=value) if parts.bound == "above" else Bound(below=value)
    low, high = QUANTITIES[quantity].plausible
    if not low <= value <= high:
        if is_sentinel(number):
            return f"no reading: {number:g} stands for no value here"
        return Refused("implausible", f"{quantity} {value:g} lies outside {low:g} to {high:g}")
    return value


@dataclass(slots=True)
class MarkHolder:
    """The decimal mark in force where there is no table."""

    mark: Mark | None = None
