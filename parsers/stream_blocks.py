"""``key=value`` lines, and blocks of printed labels and values that end at a blank or a repeat."""

from __future__ import annotations

from datetime import datetime

from combustion.units import Conversion
from parsers.model import Bound, Reading
from parsers.numbers import no_value
from parsers.stream_columns import MarkHolder, Refused, StreamColumn, column_of, number_of
from parsers.stream_events import Event, StreamDamage, StreamReading, StreamRules, StreamText
from parsers.stream_lines import labelled, parts_of

_SILENT = ("time", "date", "number", "elapsed", "ignored", "note", "fuel", "burner", "phase")


class Labels:
    """Reader of labelled values: a whole line of pairs, or a block of one label a line."""

    def __init__(self, rules: StreamRules) -> None:
        self.rules = rules
        self._holder = MarkHolder(rules.decimal)
        self._known: frozenset[str] | None = None
        self._columns: dict[tuple[str, str | None], StreamColumn] = {}
        self._values: dict[str, float] = {}
        self._missing: dict[str, str] = {}
        self._bounds: dict[str, Bound] = {}
        self._at: dict[str, tuple[int, int]] = {}
        self._references: dict[str, float] = {}
        self._lines: list[int] = []
        self._raw: list[bytes] = []
        self._received: datetime | None = None

    def _column(self, label: str, unit: str | None) -> StreamColumn:
        key = (label, unit)
        if key not in self._columns:
            if len(self._columns) > 1000:  # rubbish must not fill the memory
                self._columns.clear()
            self._columns[key] = column_of(label, self.rules, unit)
        return self._columns[key]

    def _value(self, label: str, cell: str) -> tuple[StreamColumn, float | str | Bound | Refused]:
        parts = parts_of(cell)
        column = self._column(label, None if parts is None else parts.unit)
        if column.quantity is None:
            if column.role in _SILENT:
                return column, "not a quantity"
            return column, Refused("unknown", f"{label!r} is no known quantity")
        if column.convert is None:
            if no_value(cell) is not None:
                return column, f"no reading: {cell}"
            if column.unread == "no unit":
                return column, Refused(
                    "units_missing",
                    f"{label!r} stands without its unit",
                    "State the unit of this quantity.",
                )
            return column, Refused("unit", column.unread)
        plain = Conversion(column.convert.factor, column.convert.offset)
        return column, number_of(cell, column.quantity, plain, self._holder)

    def line_of_pairs(
        self, line: int, raw: bytes, pairs: list[tuple[str, str]], received: datetime | None
    ) -> Event:
        """Return the reading of a ``key=value`` line, or damage: one bad pair damages the line.

        Once a line has been read its set of keys is expected; a key never seen before with another
        one absent is a key that was hit.
        """
        values: dict[str, float] = {}
        missing: dict[str, str] = {}
        bounds: dict[str, Bound] = {}
        references: dict[str, float] = {}
        at: dict[str, tuple[int, int]] = {}
        keys = frozenset(k for k, _ in pairs)
        if self._known is not None and keys != self._known and (keys - self._known):
            return StreamDamage(line, raw, "keys", "its keys are not those of the lines before")
        if len(keys) < len(pairs):
            return StreamDamage(line, raw, "keys", "a key stands twice in it")
        for n, (label, cell) in enumerate(pairs, 1):
            column, taken = self._value(label, cell)
            if isinstance(taken, Refused):
                if taken.code == "unknown":
                    continue  # a quantity that fluebook does not keep
                return StreamDamage(line, raw, taken.code, taken.why, taken.next_step)
            if column.quantity is None:
                continue
            if column.quantity in at:
                return StreamDamage(line, raw, "twice", f"{column.quantity} stands twice in it")
            at[column.quantity] = (line, n)
            if isinstance(taken, str):
                missing[column.quantity] = taken
            elif isinstance(taken, Bound):
                bounds[column.quantity] = taken
            else:
                values[column.quantity] = taken
            if column.reference is not None:
                references[column.quantity] = column.reference
        if not values and not bounds:
            return StreamDamage(line, raw, "no_value", "no pair of it is a known quantity")
        if self._known is None or keys > self._known:
            self._known = keys
        return StreamReading(
            Reading(
                values,
                time=received,
                time_source="received" if received else "none",
                firing_rate=values.get("firing_rate"),
                lines=(line,),
                missing=missing,
                bounds=bounds,
                at=at,
                references=references,
            ),
            raw,
        )

    def takes(
        self, line: int, raw: bytes, text: str, received: datetime | None, events: list[Event]
    ) -> bool:
        """Take a printed line of a label and its value; return whether it was one."""
        pair = labelled(text)
        if pair is None:
            if self._lines and set(text.strip()) <= set("-=*_. "):
                self.finish(events)
                events.append(StreamText(line, raw))
                return True
            return False
        column, taken = self._value(*pair)
        if isinstance(taken, Refused):
            if taken.code == "unknown" and not self._lines:
                return False
            if taken.code == "unknown":
                events.append(StreamText(line, raw))
            else:
                events.append(StreamDamage(line, raw, taken.code, taken.why, taken.next_step))
                if column.quantity is not None:
                    self._missing[column.quantity] = taken.why
            return True
        if column.quantity is None:
            events.append(StreamText(line, raw))
            return True
        if column.quantity in self._at:
            self.finish(events)  # the same label again: the next block has begun
        self._lines.append(line)
        self._raw.append(raw)
        self._received = self._received or received
        self._at[column.quantity] = (line, 2)
        if isinstance(taken, str):
            self._missing[column.quantity] = taken
        elif isinstance(taken, Bound):
            self._bounds[column.quantity] = taken
        else:
            self._values[column.quantity] = taken
        if column.reference is not None:
            self._references[column.quantity] = column.reference
        return True

    def finish(self, events: list[Event]) -> None:
        """Give the block out as one reading, where there is one."""
        if self._values or self._bounds:
            reading = Reading(
                dict(self._values),
                time=self._received,
                time_source="received" if self._received else "none",
                firing_rate=self._values.get("firing_rate"),
                lines=tuple(self._lines),
                missing={k: v for k, v in self._missing.items() if k not in self._values},
                bounds=dict(self._bounds),
                at=dict(self._at),
                references=dict(self._references),
            )
            events.append(StreamReading(reading, b"\n".join(self._raw)))
        elif self._lines:
            why = "a block without a value"
            events.append(StreamDamage(self._lines[0], b"\n".join(self._raw), "no_value", why))
        self._values, self._missing, self._bounds = {}, {}, {}
        self._at, self._references, self._lines, self._raw = {}, {}, [], []
        self._received = None
