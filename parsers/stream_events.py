"""What comes out of a byte stream, and what may be stated about it beforehand."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from parsers.line_rules import LINE_ENDS, Checksum, ParityBit
from parsers.maps import ColumnMap
from parsers.model import Reading


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


@dataclass(frozen=True, slots=True)
class StreamReading:
    """One reading, and the raw bytes of its lines without their ends."""

    reading: Reading
    raw: bytes


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
