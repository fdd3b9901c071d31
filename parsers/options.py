"""What a person or program may state about an input before it is read."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from parsers.maps import ColumnMap


@dataclass(frozen=True, slots=True)
class ReadOptions:
    """Statements that settle what the bytes alone cannot.

    Attributes
    ----------
    site_zone : str or None
        IANA zone of the site, or an offset such as +01:00; times without an offset are taken in it,
        and that is said.
    day_first : bool or None
        True for 03/04/2026 = 3 April, False for 4 March; None lets the file's own evidence decide
        and refuses where it does not.
    decimal : str or None
        ``","`` or ``"."`` where the person states the decimal mark; None settles it by evidence.
    map : ColumnMap or None
        A taught column map for headings that the glossary does not know.
    maps : tuple of ColumnMap
        Saved maps; the one whose fingerprint is the file's is used, and that is said.
    units : Mapping of str to str
        Quantity key to the unit that the person declares for a column without one.
    started : datetime or None
        Start of a log whose times are counted from a start that the file does not state; its day
        is that of clock times without a date.
    marks : Mapping of str to float
        Percent of the marks by which a file records its firing rate (``parsers.rate_marks``).
    max_unpacked : int
        Bytes; a packed upload that unpacks to more is refused.
    max_careful : int
        Bytes of text that is no plain long table (tickets, pairs, clocks that need each row looked
        at); more is refused, because reading it takes up to 250 times its size in memory.
    """

    site_zone: str | None = None
    day_first: bool | None = None
    decimal: str | None = None
    map: ColumnMap | None = None
    maps: tuple[ColumnMap, ...] = ()
    units: Mapping[str, str] = field(default_factory=dict)
    started: datetime | None = None
    marks: Mapping[str, float] = field(default_factory=dict)
    max_unpacked: int = 256 * 1024 * 1024
    max_careful: int = 16 * 1024 * 1024
