"""Rows under a heading on a stream: what each column is, and a fast way for plain rows."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import datetime
from operator import getitem

from combustion.quantities import QUANTITIES
from combustion.units import Conversion, is_unit
from parsers.line_rules import Checksum
from parsers.model import Bound, Reading, TimeSource
from parsers.stream_columns import Refused, StreamColumn, column_of, number_of
from parsers.stream_events import (
    Event,
    Layout,
    PlainRow,
    StreamHeading,
    StreamReading,
    StreamRules,
)
from parsers.stream_lines import CHECKSUM_DIGITS, SUMS, parts_of

_DELIMITERS = (";", "\t", "|", ",")
_PLAIN = rb"[ \t]*+([-+]?[0-9]{1,9}+(?:\.[0-9]{1,6}+)?+)[ \t]*+"
_REMEMBERED = 4096
"""Cells of one column; rubbish must not fill the memory."""
_LINE_END = rb"(?:\r\n|\n|\r)"
_SOURCES: tuple[TimeSource, TimeSource] = ("received", "none")
_row = tuple.__new__
"""A row as a tuple is made, without the call that a named one's constructor costs."""


def _cells(text: str, delimiter: str) -> list[str]:
    if delimiter == " ":
        return re.split(r"\s{2,}|\t", text.strip())
    return [c.strip().strip('"') for c in text.split(delimiter)]


class _Numbers(dict[bytes, str]):
    """Plain cells of one column to their plausible canonical numbers, as shortest texts.

    An instrument says the same few hundred numbers again and again: they are remembered.
    """

    def __init__(self, quantity: str, convert: Conversion) -> None:
        self._convert = convert
        self._low, self._high = QUANTITIES[quantity].plausible

    def __missing__(self, cell: bytes) -> str:
        value = self._convert(float(cell))
        if not self._low <= value <= self._high:
            raise KeyError(cell)
        if len(self) >= _REMEMBERED:
            self.clear()
        text = self[cell] = repr(value)
        return text


class Table:
    """A heading in force, and rows read by it."""

    def __init__(
        self, cells: Sequence[str], columns: list[StreamColumn], rules: StreamRules, delimiter: str
    ) -> None:
        self.cells = list(cells)
        self.columns = columns
        self.rules = rules
        self.delimiter = delimiter
        self.mark = rules.decimal
        self.awaits_units = any(c.unread == "no unit" for c in columns)
        self._prepare()

    def _prepare(self) -> None:
        self.quantities = tuple(c.quantity if not c.unread else None for c in self.columns)
        wanted = [
            (i, c.quantity, c.convert)
            for i, c in enumerate(self.columns)
            if c.quantity is not None and c.convert is not None
        ]
        self._wanted = wanted
        self._keys = tuple(q for _, q, _ in wanted)
        self._numbers = tuple(_Numbers(q, convert) for _, q, convert in wanted)
        self._references = {
            c.quantity: c.reference
            for c in self.columns
            if c.quantity is not None and c.reference is not None
        }
        self._missing = {
            c.quantity: f"{c.unread}: state the unit of {c.heading!r}"
            for c in self.columns
            if c.quantity is not None and c.unread
        }
        self._pattern: re.Pattern[bytes] | None = None
        self._whole: tuple[Checksum | None, re.Pattern[bytes]] | None = None
        if self.delimiter != " " and self.mark != ",":
            other = rb"[ \t]*[-0-9T:./+Z ]{0,40}[ \t]*"
            parts = [
                _PLAIN if c.quantity is not None and not c.unread else other for c in self.columns
            ]
            row = re.escape(self.delimiter).encode().join(parts)
            self._pattern = re.compile(row)
            self._row = row
        self._time = next((i for i, c in enumerate(self.columns) if c.role == "time"), None)
        places = {q: i + 1 for i, q, _ in wanted}
        self._layout = Layout(self._keys, places, self._references, self._missing)

    @classmethod
    def of_cells(cls, cells: Sequence[str], rules: StreamRules, delimiter: str | None) -> Table:
        """Return the table of stated headings."""
        return cls(
            cells, [column_of(c, rules) for c in cells], rules, delimiter or rules.delimiter or ";"
        )

    @classmethod
    def of_line(cls, text: str, rules: StreamRules) -> Table | None:
        """Return the table that a line heads, None where it is no heading.

        A heading has two cells that name quantities, no cell that is a number, and names nothing
        twice.
        """
        for delimiter in (rules.delimiter,) if rules.delimiter else (*_DELIMITERS, " "):
            cells = _cells(text, delimiter)
            while len(cells) > 2 and not cells[-1]:
                cells.pop()
            if len(cells) < 2 or any(parts_of(c) is not None for c in cells if c):
                continue
            columns = [column_of(c, rules) for c in cells]
            named = [c.quantity for c in columns if c.quantity is not None]
            if len(named) >= 2 and len(set(named)) == len(named):
                return cls(cells, columns, rules, delimiter)
        return None

    def is_heading(self, text: str) -> bool:
        """Return whether a line repeats this heading."""
        cells = _cells(text, self.delimiter)
        while len(cells) > len(self.cells) and not cells[-1]:
            cells.pop()
        return cells == self.cells

    def resembles(self, other: Table) -> bool:
        """Return whether another heading looks like this one with a few characters wrong."""
        if len(other.cells) != len(self.cells):
            return False
        same = sum(a == b for a, b in zip(self.cells, other.cells, strict=True))
        return len(self.cells) > same >= max(1, len(self.cells) - 1)

    def take_units(self, text: str) -> bool:
        """Take a row of units under the heading; return whether the line was one."""
        cells = [c.strip("[]() ") for c in _cells(text, self.delimiter)]
        if len(cells) != len(self.cells) or not any(cells):
            return False
        if not all(not c or is_unit(c) for c in cells):
            return False
        self.columns = [
            column_of(h, self.rules, u or None) for h, u in zip(self.cells, cells, strict=True)
        ]
        self.awaits_units = False
        self._prepare()
        return True

    def event(self, line: int, raw: bytes) -> StreamHeading:
        """Return the event that says what this heading means."""
        unread = {c.heading: c.unread for c in self.columns if c.unread}
        return StreamHeading(line, self.quantities, unread, raw)

    def may_be_row(self, text: str) -> bool:
        """Return whether a line has the shape of a row, damaged or not."""
        if self.delimiter == " ":
            return len(_cells(text, " ")) >= max(2, len(self.cells) - 1)
        return self.delimiter in text

    def plain(self, line: bytes, number: int, received: datetime | None) -> PlainRow | None:
        """Return a row of plain numbers, None where it takes a closer look."""
        if self._pattern is None:
            return None
        match = self._pattern.fullmatch(line)
        if match is None:
            return None
        return self._plain(line, match.groups(), number, received)

    def plain_rows(
        self,
        buffer: bytes,
        end: bytes | None,
        kind: Checksum | None,
        number: int,
        received: datetime | None,
    ) -> tuple[int, list[Event]]:
        """Return (bytes used, readings) of the plain rows that a buffer begins with.

        One pattern takes row, checksum and line end at once: woken for each few lines, a program
        has its code no longer in the processor's cache, and what it runs through costs five times
        what it costs from memory. Where a row is anything but plain it stops.
        """
        out: list[Event] = []
        if self._pattern is None:
            return 0, out
        if self._whole is None or self._whole[0] != kind:
            digits = b"" if kind is None else rb"\*([0-9A-F]{%d})" % CHECKSUM_DIGITS[kind]
            ends = _LINE_END if end is None else re.escape(end)
            self._whole = kind, re.compile(b"((" + self._row + b")" + digits + b")" + ends)
        match_at, at = self._whole[1].match, 0
        sum_of = None if kind is None else SUMS[kind]
        numbers, layout, source = self._numbers, self._layout, _SOURCES[received is None]
        timed = self._time is not None
        while (match := match_at(buffer, at)) is not None:
            raw, body, *cells = match.groups()  # behind the cells the digits of the checksum
            if sum_of is not None and int(cells[-1], 16) != sum_of(body):
                break
            number += 1
            if timed:
                row = self._plain(body, cells, number, received)
                if row is None:
                    break
            else:
                try:
                    texts = tuple(map(getitem, numbers, cells))
                except KeyError:
                    break
                row = _row(PlainRow, (texts, number, received, source, layout))
            out.append(StreamReading(row, raw))
            at = match.end()
        return at, out

    def _plain(
        self, line: bytes, cells: Sequence[bytes], number: int, received: datetime | None
    ) -> PlainRow | None:
        try:
            texts = tuple(map(getitem, self._numbers, cells))
        except KeyError:
            return None
        if self._time is not None:
            stated = _iso(line.split(self.delimiter.encode())[self._time].strip().decode())
            if stated is not None:
                return PlainRow(texts, number, stated, "file", self._layout)
        return _row(PlainRow, (texts, number, received, _SOURCES[received is None], self._layout))

    def row(self, text: str, number: int, received: datetime | None) -> Reading | Refused:
        """Return the reading of a row, or why it makes none."""
        cells = _cells(text, self.delimiter)
        if len(cells) == len(self.cells) + 1 and not cells[-1]:
            cells.pop()
        if len(cells) != len(self.cells):
            wanted = len(self.cells)
            return Refused("cells", f"{len(cells)} cells where the heading has {wanted}")
        values: dict[str, float] = {}
        missing: dict[str, str] = dict(self._missing)
        bounds: dict[str, Bound] = {}
        at: dict[str, tuple[int, int]] = {}
        for i, quantity, convert in self._wanted:
            taken = number_of(cells[i], quantity, convert, self)
            if isinstance(taken, Refused):
                return taken
            at[quantity] = (number, i + 1)
            if isinstance(taken, str):
                missing[quantity] = taken
            elif isinstance(taken, Bound):
                bounds[quantity] = taken
            else:
                values[quantity] = taken
        if not values and not bounds:
            return Refused("no_value", "no cell of it holds a value")
        stated = _iso(cells[self._time]) if self._time is not None else None
        return Reading(
            values,
            time=stated or received,
            time_source="file" if stated else "received" if received else "none",
            firing_rate=values.get("firing_rate"),
            lines=(number,),
            missing=missing,
            bounds=bounds,
            at=at,
            references=self._references,
        )


def _iso(text: str) -> datetime | None:
    if len(text) < 16 or text[4:5] != "-":
        return None
    try:
        return datetime.fromisoformat(text)
    except ValueError:
        return None
