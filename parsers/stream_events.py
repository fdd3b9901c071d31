"""What comes out of a byte stream, and what may be stated about it beforehand."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Literal, NamedTuple

from parsers.line_rules import LINE_ENDS, Checksum, ParityBit
from parsers.maps import ColumnMap
from parsers.model import Reading, TimeSource


@dataclass(frozen=True, slots=True)
class StreamRules:
    """Statements that settle what the bytes alone cannot; a column map may carry them.

    Attributes
    ----------
    line_end : bytes or None
        None takes CR, LF and CR LF each as one end.
    checksum : str or None
        Every line ends with ``*`` and hex digits over all bytes before it: ``xor8`` and ``sum8``
        two digits, ``crc16`` (CCITT, start 0) four, ``crc32`` (as in Ethernet) eight. None finds
        it out from the first line that verifies.
    parity_bit : str or None
        ``"even"`` or ``"odd"`` where bit 7 of each byte is a parity bit that the port did not take
        off: bytes that fail damage their line.
    headings : tuple of str
        Headings of an instrument that sends none.
    delimiter, decimal : str or None
        None settles them by evidence.
    units : Mapping of str to str
        Quantity key to unit, for columns without one.
    map : ColumnMap or None
        A taught map for headings that the glossary does not know; how it says that lines end and
        are guarded holds where nothing else is stated here.
    longest : int
        Bytes; more without a line end is damage.
    """

    line_end: bytes | None = None
    checksum: Checksum | None = None
    parity_bit: ParityBit | None = None
    headings: tuple[str, ...] = ()
    delimiter: str | None = None
    decimal: Literal[".", ","] | None = None
    units: Mapping[str, str] = field(default_factory=dict)
    map: ColumnMap | None = None
    longest: int = 4096

    def __post_init__(self) -> None:
        if self.map is None:
            return
        taught = self.map.lines
        if self.line_end is None and taught.line_end is not None:
            object.__setattr__(self, "line_end", LINE_ENDS[taught.line_end])
        if self.checksum is None:
            object.__setattr__(self, "checksum", taught.checksum)
        if self.parity_bit is None:
            object.__setattr__(self, "parity_bit", taught.parity_bit)


class Layout(NamedTuple):
    """What the rows under one heading share."""

    keys: tuple[str, ...]
    columns: Mapping[str, int]
    references: Mapping[str, float]
    missing: Mapping[str, str]


class PlainRow(NamedTuple):
    """A row of plain numbers as it was read: canonical, in the order of its layout's keys.

    Each number is its shortest text, which reads back to the same number: rows share the texts.
    """

    texts: tuple[str, ...]
    line: int
    time: datetime | None
    time_source: TimeSource
    layout: Layout

    def reading(self) -> Reading:
        """Return the row as a reading."""
        layout = self.layout
        values = dict(zip(layout.keys, map(float, self.texts), strict=True))
        return Reading(
            values,
            time=self.time,
            time_source=self.time_source,
            firing_rate=values.get("firing_rate"),
            lines=(self.line,),
            at=_Places(self.line, layout.columns),
            references=layout.references,
            missing=layout.missing,
        )


class _Places(Mapping[str, tuple[int, int]]):
    """Where the values of one row stand; the columns are shared by all rows of a heading.

    A dictionary of pairs for each line is seven objects more for the collector of garbage to walk
    while a capture grows, which was a third of the time a line took.
    """

    __slots__ = ("_columns", "_line")

    def __init__(self, line: int, columns: Mapping[str, int]) -> None:
        self._line, self._columns = line, columns

    def __getitem__(self, key: str) -> tuple[int, int]:
        return self._line, self._columns[key]

    def __iter__(self) -> Iterator[str]:
        return iter(self._columns)

    def __len__(self) -> int:
        return len(self._columns)

    def __repr__(self) -> str:
        return repr(dict(self))


class StreamReading:
    """One reading, and the raw bytes of its lines without their ends.

    A plain row is kept as its numbers, and the reading made of it when it is asked for: while bytes
    flow densely, most are only written on.
    """

    __slots__ = ("kept", "raw")

    def __init__(self, reading: Reading | PlainRow, raw: bytes) -> None:
        self.raw = raw
        self.kept = reading

    @property
    def reading(self) -> Reading:
        """Return the reading, made once."""
        kept = self.kept
        if isinstance(kept, PlainRow):
            self.kept = kept = kept.reading()
        return kept

    @property
    def time(self) -> datetime | None:
        """Return the time of the reading without making it."""
        return self.kept.time

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, StreamReading):
            return NotImplemented
        return self.raw == other.raw and self.reading == other.reading

    def __hash__(self) -> int:
        return hash(self.raw)

    def __repr__(self) -> str:
        return f"StreamReading({self.reading!r}, {self.raw!r})"


@dataclass(frozen=True, slots=True)
class StreamHeading:
    """A heading that now holds; ``unread`` says of a heading why its column is not read."""

    line: int
    quantities: tuple[str | None, ...]
    unread: Mapping[str, str]
    raw: bytes


@dataclass(frozen=True, slots=True)
class StreamText:
    """A line that is neither reading nor damage: a banner, a blank, a repeated heading, units."""

    line: int
    raw: bytes


@dataclass(frozen=True, slots=True)
class StreamDamage:
    """Bytes that are no reading, kept raw, with why and, where there is one, what to do."""

    line: int
    raw: bytes
    code: str
    why: str
    next_step: str = ""


Event = StreamReading | StreamHeading | StreamText | StreamDamage
