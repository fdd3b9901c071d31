"""The one schema of readings: what every parser returns and every later floor takes.

A reading holds canonical numbers under glossary keys and knows where each came from. Large logs
stay columnar (see ``parsers.table``); ``Reading`` objects are made when asked for.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from parsers.table import Table

Phase = Literal["as_found", "trial", "as_left"]
PHASES: tuple[Phase, ...] = ("as_found", "trial", "as_left")

TimeSource = Literal["file", "file_and_site_zone", "elapsed", "received", "stated", "none"]


@dataclass(frozen=True, slots=True)
class Bound:
    """An instrument's "more than" or "less than" mark: the value lies beyond what it can show."""

    above: float | None = None
    below: float | None = None


@dataclass(frozen=True, slots=True)
class Reading:
    """One sample of several quantities at one time.

    Attributes
    ----------
    values : Mapping of str to float
        Canonical numbers by glossary key; a quantity that was not read is absent.
    missing : Mapping of str to str
        Key to the reason why an expected value is absent ("sensor off", "over range", ...).
    bounds : Mapping of str to Bound
        Values known only to lie beyond the instrument's range.
    at : Mapping of str to (line, column)
        Physical place of each value, from 1.
    lines : tuple of int
        Every physical line that the reading spans; empty for readings typed or posted.
    firing_rate : float or None
        Percent, where the source states it.
    references : Mapping of str to float
        Reference O2 [% dry] of values already corrected by the instrument.
    """

    values: Mapping[str, float]
    time: datetime | None = None
    time_source: TimeSource = "none"
    phase: Phase | None = None
    firing_rate: float | None = None
    fuel: str | None = None
    burner: str | None = None
    block: int = 0
    lines: tuple[int, ...] = ()
    missing: Mapping[str, str] = field(default_factory=dict)
    bounds: Mapping[str, Bound] = field(default_factory=dict)
    at: Mapping[str, tuple[int, int]] = field(default_factory=dict)
    references: Mapping[str, float] = field(default_factory=dict)
    note: str | None = None
    sheet: str | None = None


@dataclass(frozen=True, slots=True)
class Column:
    """How one column of a file was understood."""

    block: int
    index: int
    heading: str
    unit: str | None
    quantity: str | None
    confidence: float
    why: str


@dataclass(frozen=True, slots=True)
class NotRead:
    """A line, or one cell of it, that is not in the readings, and why."""

    line: int
    column: int | None
    raw: str
    code: str
    why: str


@dataclass(frozen=True, slots=True)
class ReadWarning:
    """Something read, but with a decision the person should know of."""

    code: str
    message: str
    line: int | None = None
    column: int | None = None


@dataclass(frozen=True, slots=True)
class LineCount:
    """Physical lines by class; the classes add up to ``physical``."""

    physical: int
    reading: int = 0
    heading: int = 0
    units: int = 0
    preamble: int = 0
    summary: int = 0
    blank: int = 0
    not_read: int = 0


@dataclass(frozen=True, slots=True)
class ReadResult:
    """Everything that was understood of one input, and everything that was not."""

    name: str
    sha256: str
    lines: LineCount
    columns: Sequence[Column]
    readings: Sequence[Reading]
    not_read: Sequence[NotRead]
    warnings: Sequence[ReadWarning]
    preamble: Mapping[str, str] = field(default_factory=dict)
    rate_marks: Sequence[str] = ()
    """Marks that stand for firing rates in place of percents (``parsers.rate_marks``)."""

    @property
    def table(self) -> Table:
        """Return the readings by column: quantity to float64 array, lines, times."""
        from parsers.table import table_of

        return table_of(self.readings)
