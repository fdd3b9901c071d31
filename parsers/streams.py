"""Bytes in, readings out, with no port and no clock: what an instrument sends on a line.

Feed bytes as they come, in any pieces; each call returns the events that are complete (a reading, a
heading, text, damage), and an empty list where more is needed. Three shapes are told apart line by
line: rows under a heading, ``key=value`` lines, and blocks of printed labels and values. Every byte
ends up in exactly one event (a heading found out later to be damaged: in a second one).
A line is taken whole or not at all: one doubtful cell damages it.
Damage that turns one digit into another cannot be seen without a checksum or parity; both are taken
where the instrument sends them.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import datetime

from parsers.stream_blocks import Labels
from parsers.stream_columns import Refused
from parsers.stream_events import (
    Event,
    StreamDamage,
    StreamHeading,
    StreamReading,
    StreamRules,
    StreamText,
)
from parsers.stream_lines import (
    checksum_found,
    had_checksum,
    pairs_of,
    parity_removed,
    salvaged,
    verified,
    with_parity,
)
from parsers.stream_table import Table

_CONTROL = re.compile(rb"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f]")
_HELD = 1000
_BAUD = "Look at the baud rate, data bits, parity and stop bits: they may not be the instrument's."


class StreamReader:
    """A reader of one instrument's bytes.

    Parameters
    ----------
    rules : StreamRules, optional
        What is known about the instrument.

    Examples
    --------
    >>> reader = StreamReader()
    >>> reader.feed(b"O2 %;CO ppm;Stack C\\r\\n5.1;1")[0].quantities
    ('o2_dry', 'co_dry', 'stack_temperature')
    >>> dict(reader.feed(b"2;180.5\\r\\n")[0].reading.values)
    {'o2_dry': 5.1, 'co_dry': 12.0, 'stack_temperature': 180.5}
    """

    def __init__(self, rules: StreamRules | None = None) -> None:
        self.rules = rules or StreamRules()
        self._checksum = self.rules.checksum
        parity = self.rules.parity_bit
        end = self.rules.line_end
        # Where bit 7 carries parity, the bytes of a line's end have it as well.
        self._end = end if end is None or parity is None else with_parity(end, parity)
        self._cr = b"\r" if parity is None else with_parity(b"\r", parity)
        self._lf = b"\n" if parity is None else with_parity(b"\n", parity)
        self._ends = re.compile(b"|".join((self._cr + self._lf, self._lf, self._cr)))
        self._rest = b""
        self._swallow = False
        self.line = 0
        self._table: Table | None = None
        if self.rules.headings:
            self._table = Table.of_cells(self.rules.headings, self.rules, None)
        self._labels = Labels(self.rules)
        self._held: list[tuple[int, bytes, str, datetime | None]] = []
        self._doubted: list[str] | None = None
        self._unproven: tuple[int, bytes] | None = None

    def feed(self, data: bytes, received: datetime | None = None) -> list[Event]:
        """Return the events that the bytes complete.

        ``received`` is kept as the time of readings whose line states none.
        """
        end = self._end
        if self._swallow and data:
            self._swallow = False
            if data[:1] == self._lf:
                data = data[1:]
        buffer = self._rest + data
        events: list[Event] = []
        table = self._table
        if table is not None and self.rules.parity_bit is None:
            used, events = table.plain_rows(buffer, end, self._checksum, self.line, received)
            if events:
                self.line += len(events)
                rest = buffer[used:]
                if end is None and not rest:
                    self._swallow = buffer.endswith(self._cr)
                    self._rest = b""
                    return events
                buffer = rest
        if end is None:
            if self._lf not in buffer and self._cr not in buffer:
                lines, self._rest = [], buffer
            else:
                *lines, self._rest = self._ends.split(buffer)
                # The line is complete at its CR; an LF that follows belongs to the same end.
                self._swallow = buffer.endswith(self._cr)
        else:
            *lines, self._rest = buffer.split(end)
        for raw in lines:
            self.line += 1
            self._take(raw, received, events)
        while len(self._rest) > self.rules.longest:
            self.line += 1
            head, self._rest = self._rest[: self.rules.longest], self._rest[self.rules.longest :]
            events.append(
                StreamDamage(self.line, head, "no_line_end", "too long for a line", _BAUD)
            )
        return events

    def close(self) -> list[Event]:
        """Return what is left when the stream ends: an unfinished block, half a line, held rows."""
        events: list[Event] = []
        self._labels.finish(events)
        if self._rest:
            self.line += 1
            events.append(
                StreamDamage(self.line, self._rest, "half_line", "the stream ended in it")
            )
            self._rest = b""
        self._swallow = False
        self._doubted = None
        for line, raw, _, _ in self._held:
            events.append(_no_heading(line, raw))
        self._held = []
        return events

    def interrupted(self) -> list[Event]:
        """Return the half line left by a cable that was pulled; headings stay known."""
        events: list[Event] = []
        if self._rest:
            self.line += 1
            events.append(StreamDamage(self.line, self._rest, "half_line", "the line broke off"))
            self._rest = b""
        self._swallow = False
        return events

    def _take(self, raw: bytes, received: datetime | None, events: list[Event]) -> None:
        line = raw
        if self.rules.parity_bit is not None:
            stripped = parity_removed(raw, self.rules.parity_bit)
            if stripped is None:
                events.append(
                    StreamDamage(self.line, raw, "parity", "a byte's parity is wrong", _BAUD)
                )
                return
            line = stripped
        if not line.strip(b" \t\x0c"):
            self._labels.finish(events)
            events.append(StreamText(self.line, raw))
            return
        if self._checksum is None:
            found, looks_so = checksum_found(line)
            if looks_so and found is None:
                events.append(_wrong_checksum(self.line, raw))
                return
            self._checksum = found
            if found is not None and self._unproven and had_checksum(found, self._unproven[1]):
                # The heading in force was hit where its checksum stands: rows wait for the next.
                self._table = None
                events.append(_wrong_checksum(*self._unproven))
        if self._checksum is None:
            self._understand(raw, line, received, events)
            return
        body = verified(self._checksum, line)
        if body is not None:
            self._understand(raw, body, received, events)
            return
        for piece, inner in salvaged(self._checksum, line):
            if inner is None:
                events.append(_wrong_checksum(self.line, piece))
            else:
                self._understand(piece, inner, received, events)

    def _understand(
        self, raw: bytes, line: bytes, received: datetime | None, events: list[Event]
    ) -> None:
        table = self._table
        if table is not None:
            fast = table.plain(line, self.line, received)
            if fast is not None:
                events.append(StreamReading(fast, raw))
                return
        text = _text(line)
        if text is None:
            events.append(StreamDamage(self.line, raw, "not_text", "bytes that are no text", _BAUD))
            return
        pairs = pairs_of(text)
        if pairs is not None:
            events.append(self._labels.line_of_pairs(self.line, raw, pairs, received))
            return
        if table is not None:
            if table.is_heading(text):
                events.append(StreamText(self.line, raw))
                return
            if table.awaits_units and table.take_units(text):
                events.append(table.event(self.line, raw))
                return
        fresh = Table.of_line(text, self.rules)
        if fresh is not None:
            if table is not None and table.resembles(fresh) and fresh.cells != self._doubted:
                self._doubted = fresh.cells  # twice the same is a change, not damage
                why = "it resembles the heading in force but differs from it"
                events.append(StreamDamage(self.line, raw, "heading_damaged", why))
                return
            self._table = fresh
            self._unproven = (self.line, raw) if self._checksum is None else None
            self._labels.finish(events)
            events.append(fresh.event(self.line, raw))
            self._release(fresh, events)
            return
        if table is not None and table.may_be_row(text):
            got = table.row(text, self.line, received)
            if isinstance(got, Refused):
                events.append(StreamDamage(self.line, raw, got.code, got.why, got.next_step))
            else:
                events.append(StreamReading(got, raw))
            return
        if self._labels.takes(self.line, raw, text, received, events):
            return
        self._left_over(raw, text, received, events)

    def _left_over(
        self, raw: bytes, text: str, received: datetime | None, events: list[Event]
    ) -> None:
        digits = sum(c.isdigit() for c in text)
        if digits < 2 or digits < 0.2 * len(text):
            events.append(StreamText(self.line, raw))
        elif self._table is None and self._checksum is not None and len(self._held) < _HELD:
            # Proven whole, but the heading that names its columns was lost: it will come again.
            self._held.append((self.line, raw, text, received))
        elif self._table is None:
            events.append(_no_heading(self.line, raw))
        else:
            events.append(
                StreamDamage(self.line, raw, "not_understood", "neither a row nor a heading")
            )

    def _release(self, table: Table, events: list[Event]) -> None:
        """Read the rows that came before their heading, where they fit it."""
        held, self._held = self._held, []
        for line, raw, text, received in held:
            got = table.row(text, line, received)
            if isinstance(got, Refused):
                events.append(StreamDamage(line, raw, got.code, got.why, got.next_step))
            else:
                events.append(StreamReading(got, raw))


def _text(line: bytes) -> str | None:
    """Return the text of a line, None where it holds control or undecodable bytes."""
    if _CONTROL.search(line):
        return None
    try:
        text = line.decode("utf-8")
    except UnicodeDecodeError:
        text = line.decode("cp1252", errors="replace")
        odd = sum(1 for c in text if not c.isascii() and c not in "°²³µºäöüÄÖÜßéèêàçáíóúñ")
        if odd:
            return None
    return text


def _wrong_checksum(line: int, raw: bytes) -> StreamDamage:
    return StreamDamage(line, raw, "checksum", "its checksum does not verify")


def _no_heading(line: int, raw: bytes) -> StreamDamage:
    return StreamDamage(
        line,
        raw,
        "no_heading",
        "numbers without a heading that names them",
        "Restart the instrument's output so that it sends its heading, or state the headings.",
    )


def readings_of(events: Sequence[Event]) -> list[StreamReading]:
    """Return the readings among events."""
    return [e for e in events if isinstance(e, StreamReading)]


__all__ = [
    "Event",
    "StreamDamage",
    "StreamHeading",
    "StreamReader",
    "StreamReading",
    "StreamRules",
    "StreamText",
    "readings_of",
]
