"""A continuous log from its bytes: its columns, its readings on demand, and what tells it again.

The bytes are evidence and are read again whenever readings are needed that are not held: to
confirm a cut. To look at a cut and to correct it, the columns kept beside it do. The last logs are
held under the SHA-256 of their bytes and how they were read; what is held may go at any time.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from uuid import UUID

from ingest.capture_log import is_capture, readings_of_capture
from ingest.how_read import HowRead
from ingest.store.held import Held
from ingest.store.log_columns import BY_COLUMN, LogColumns
from ingest.store.rows import reading_json
from parsers import PointsUnclear, Problem, Reading, read
from parsers.alike import by_column
from parsers.cut_corrections import FiguresBySpan
from parsers.cut_points import Floats, burners_of, log_of_readings, why_no_log
from parsers.maps import ColumnMap
from parsers.table import Placed, TabledReadings, bounded, first_lines

_WHOLE = 50_000
"""Readings that are held as such, where a log is not columns."""


@dataclass(frozen=True, slots=True)
class Log:
    """A continuous log as it was read: seconds since ``started`` and canonical columns."""

    whole: LogColumns
    maps: tuple[ColumnMap, ...] = ()
    """Of the maps at hand, those by which it was read."""
    marks: tuple[str, ...] | None = None
    """Marks that it records for firing rates, None where its columns came without them."""

    @property
    def sha256(self) -> str:
        """Return what tells this log, read by column or by row."""
        return self.whole.sha256

    @property
    def started(self) -> datetime:
        """Return the time of second 0."""
        return self.whole.started

    @property
    def times(self) -> Floats:
        """Return seconds since ``started``, ascending."""
        return self.whole.times

    @property
    def columns(self) -> Mapping[str, Floats]:
        """Return canonical numbers by glossary key, NaN where there is none."""
        return self.whole.columns

    @property
    def count(self) -> int:
        """Return how many readings have a time."""
        return len(self.whole.times)

    @property
    def untimed(self) -> int:
        """Return how many have none, and are left out."""
        return self.whole.untimed


@dataclass(frozen=True, slots=True)
class HeldLog:
    """A log, and its readings in order of time where it was read and they are columns or few."""

    log: Log
    name: str
    how: HowRead
    timed: Sequence[Reading] | None

    def readings(self, data: Callable[[], bytes]) -> Sequence[Reading]:
        """Return the readings, read again from the bytes where they are not held."""
        if self.timed is not None:
            return self.timed
        return log_and_readings(data(), self.name, self.how)[1]

    def was_read_as(self, sha256: str, data: Callable[[], bytes]) -> bool:
        """Return whether this reading is the one that was told by a SHA-256 when it was cut."""
        if sha256.startswith(BY_COLUMN):
            return sha256 == self.log.sha256
        return sha256 == digest_by_row(self.readings(data))  # cut by a version before this one


_LOGS = 4
"""Entries held: one log has one or two."""
_held: Held[HeldLog] = Held(_LOGS)


_figures: Held[FiguresBySpan] = Held(_LOGS)
_MOST_FIGURES = 5_000
"""Stretches of a log whose figures are held; beyond, all are let go."""


def forget_held_logs() -> None:
    """Let go of the logs that are held: the next look reads the evidence."""
    global _held, _figures
    _held, _figures = Held(_LOGS), Held(_LOGS)


def held_figures(attachment: UUID, log_sha256: str) -> FiguresBySpan:
    """Return the figures taken of a log's corrected stretches, to be used and added to."""
    found = _figures.get((attachment, log_sha256))
    if found is None or len(found) > _MOST_FIGURES:
        found = _figures.put((attachment, log_sha256), {})
    return found


def held_log(
    sha256: str,
    name: str,
    how: HowRead,
    data: Callable[[], bytes],
    kept: Callable[[], LogColumns | None] = lambda: None,
) -> HeldLog:
    """Return a log by the SHA-256 of its bytes: held, by its ``kept`` columns, or read.

    Raises
    ------
    parsers.ReadError
        If the bytes cannot be read, or fewer than two readings have a time.
    """
    found = _held.get((sha256, how))
    if found is not None:
        return found
    columns = kept()
    if columns is None:
        return log_read_again(sha256, name, how, data)
    copied = HeldLog(Log(columns, how.maps), name, how, None)
    return _held.put((sha256, how), copied)


def log_read_again(sha256: str, name: str, how: HowRead, data: Callable[[], bytes]) -> HeldLog:
    """Return a log as its bytes say, read where not even its readings are held.

    Raises as :func:`held_log` does.
    """
    found = _held.get((sha256, how))
    if found is None or found.timed is None:
        log, timed = log_and_readings(data(), name, how)
        objects = timed.whole if isinstance(timed, Placed) else len(timed)
        held = objects <= _WHOLE
        found = HeldLog(log, name, how, timed if held else None)
        # A cut keeps only the maps by which its log was read, and asks for the log by them.
        _held.put((sha256, how), found)
        _held.put((sha256, replace(how, maps=log.maps)), found)
    return found


def read_log(data: bytes, name: str, how: HowRead) -> Log:
    """Return a log from its bytes, held afterwards; raises as :func:`held_log` does."""
    return held_log(hashlib.sha256(data).hexdigest(), name, how, lambda: data).log


def log_and_readings(data: bytes, name: str, how: HowRead) -> tuple[Log, Sequence[Reading]]:
    """Return a log from its bytes, and its readings in order of time."""
    if is_capture(data):
        taken, maps = readings_of_capture(data, name, how)
        return _log_of(name, taken, maps, (), "nothing in it can be read as readings with a time")
    result = read(data, name, options=how.options())
    used = "".join(w.message for w in result.warnings if w.code == "map_used")
    maps = tuple(m for m in how.maps if repr(m.name) in used)
    why, start_helps = why_no_log(result.warnings)
    step = "State when it started, such as 2026-03-04 09:30." if start_helps else ""
    taken = result.readings
    if len(taken) > _WHOLE and not isinstance(taken, TabledReadings):
        taken = by_column(taken)  # read row by row
    return _log_of(name, taken, maps, tuple(result.rate_marks), why, step)


def _log_of(
    name: str,
    taken: Sequence[Reading],
    maps: tuple[ColumnMap, ...],
    marks: tuple[str, ...],
    why: str,
    step: str = "",
) -> tuple[Log, Sequence[Reading]]:
    try:
        started, times, columns, timed = log_of_readings(taken)
    except TypeError as error:
        if len({r.time.tzinfo is None for r in taken if r.time is not None}) > 1:
            mixed = "some of its times carry an offset from UTC and others do not"
            raise _no_log(name, mixed) from error
        raise
    if started is None or len(timed) < 2:
        raise _no_log(name, why, step)
    burners = burners_of(timed)
    if len(burners) > 1:
        raise _no_log(
            name,
            f"it is of several burners: {', '.join(burners)}",
            "Hand over a log of each burner on its own.",
            "readings of one burner",
        )
    marked = [reading_json(timed[n]) for n in bounded(timed)]
    whole = LogColumns(started, times, columns, first_lines(timed), marked, len(taken) - len(timed))
    return Log(whole, maps, marks), timed


def digest_by_row(timed: Sequence[Reading]) -> str:
    """Return the SHA-256 by which a log was told before: over each reading as the book keeps it."""
    digest = hashlib.sha256()
    for reading in timed:
        digest.update(reading_json(reading).encode())
    return digest.hexdigest()


def _no_log(
    name: str,
    why: str,
    step: str = "",
    expected: str = "a time for every reading, all with an offset or all without",
) -> PointsUnclear:
    return PointsUnclear(
        name,
        [
            Problem(
                "no_continuous_log",
                f"it cannot be cut as a continuous log: {why}",
                expected,
                step or "Export the log with its times, or state a firing rate for each reading.",
            )
        ],
    )
