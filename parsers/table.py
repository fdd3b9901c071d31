"""Readings as columns: what a long log stays in, and what bulk users take.

``TabledReadings`` look like a list of readings, each made when it is asked for.
"""

from __future__ import annotations

from abc import abstractmethod
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta, tzinfo
from typing import overload

import numpy as np
from numpy.typing import NDArray

from parsers.model import Phase, Reading, TimeSource

EPOCH = datetime(1970, 1, 1)  # noqa: DTZ001 (a wall clock, the zone is put on later)
NO_TIME = int(np.datetime64("NaT").astype("int64"))
"""Microseconds since ``EPOCH`` as they stand for a reading without a time."""


@dataclass(slots=True)
class Table:
    """Readings by column.

    Attributes
    ----------
    values : Mapping of str to array
        Canonical numbers by glossary key, NaN where a reading has none.
    lines : array
        First physical line of each reading.
    times : array or None
        Wall clock in ``zone`` as datetime64[us], NaT where a reading has none.
    zone : tzinfo or None
        None where the file states none and no site zone was given.
    """

    values: Mapping[str, NDArray[np.float64]]
    lines: NDArray[np.int64]
    times: NDArray[np.datetime64] | None = None
    zone: tzinfo | None = None

    def time(self, i: int) -> datetime | None:
        """Return the time of a reading, None where it has none."""
        micro = NO_TIME if self.times is None else int(self.times[i].astype("int64"))
        if micro == NO_TIME:
            return None
        return (EPOCH + timedelta(microseconds=micro)).replace(tzinfo=self.zone)


def table_of(readings: Sequence[Reading]) -> Table:
    """Return readings as columns."""
    if isinstance(readings, TabledReadings):
        return readings.table
    keys = list(dict.fromkeys(q for r in readings for q in r.values))
    values = {
        q: np.array([r.values.get(q, np.nan) for r in readings], dtype=np.float64) for q in keys
    }
    lines = np.array([r.lines[0] if r.lines else 0 for r in readings], dtype=np.int64)
    zone = next((r.time.tzinfo for r in readings if r.time is not None), None)
    times = None
    if any(r.time is not None for r in readings):
        walls = [
            np.datetime64("NaT") if r.time is None
            else np.datetime64((r.time.astimezone(zone) if zone else r.time).replace(tzinfo=None))
            for r in readings
        ]  # fmt: skip
        times = np.array(walls, dtype="datetime64[us]")
    return Table(values, lines, times, zone)


@dataclass(slots=True)
class Words:
    """A text column by codes into its distinct texts."""

    codes: NDArray[np.int32]
    texts: list[str | None] = field(default_factory=lambda: [None])


class TabledReadings(Sequence[Reading]):
    """Readings that stay columns, each made when asked for.

    ``odd`` holds whole readings for the rows that columns cannot hold (bounds, marks, texts).
    """

    def __init__(self, table: Table, odd: Mapping[int, Reading]) -> None:
        self.table = table
        self.odd = odd

    def __len__(self) -> int:
        return len(self.table.lines)

    @overload
    def __getitem__(self, index: int) -> Reading: ...
    @overload
    def __getitem__(self, index: slice) -> list[Reading]: ...
    def __getitem__(self, index: int | slice) -> Reading | list[Reading]:
        if isinstance(index, slice):
            return [self._made(i) for i in range(*index.indices(len(self)))]
        if index < 0:
            index += len(self)
        if not 0 <= index < len(self):
            raise IndexError(index)
        return self._made(index)

    def __iter__(self) -> Iterator[Reading]:
        return map(self._made, range(len(self)))

    def burners(self) -> set[str]:
        """Return the burners that they name."""
        held = {r.burner for r in self.odd.values() if r.burner}
        return held | {b for b in self._burners() if b}

    @abstractmethod
    def _burners(self) -> Iterable[str | None]:
        """Return the burners of those that columns hold."""

    @abstractmethod
    def _made(self, i: int) -> Reading:
        """Return the reading of a row."""


class LogReadings(TabledReadings):
    """The readings of a long file."""

    def __init__(
        self,
        table: Table,
        columns: Mapping[str, int],
        *,
        source: TimeSource,
        odd: Mapping[int, Reading],
        reasons: Mapping[str, Mapping[int, str]],
        references: Mapping[str, float],
        phases: Words | None,
        phase_names: Mapping[str, Phase | None],
        texts: Mapping[str, Words],
        stated: Mapping[str, str | None],
        phase: Phase | None,
    ) -> None:
        super().__init__(table, odd)
        self._columns = columns
        self._source = source
        self._reasons = reasons
        self._references = references
        self._phases = phases
        self._phase_names = phase_names
        self._texts = texts
        self._stated = stated
        self._phase = phase

    def _word(self, role: str, i: int) -> str | None:
        words = self._texts.get(role)
        text = None if words is None else words.texts[words.codes[i]]
        return text or self._stated.get(role)

    def _burners(self) -> Iterable[str | None]:
        words = self._texts.get("burner")
        return [self._stated.get("burner")] if words is None else words.texts

    def _made(self, i: int) -> Reading:
        if i in self.odd:
            return self.odd[i]
        line = int(self.table.lines[i])
        values, missing, at = {}, {}, {}
        for key, column in self.table.values.items():
            value = float(column[i])
            if value == value:
                values[key] = value
                at[key] = (line, self._columns[key])
            else:
                missing[key] = self._reasons.get(key, {}).get(i, "empty cell")
        time = self.table.time(i)
        phase = self._phase
        if self._phases is not None:
            text = self._phases.texts[self._phases.codes[i]]
            if text:
                phase = self._phase_names.get(text)
        return Reading(
            values, time, self._source if time is not None else "none", phase,
            values.get("firing_rate"), self._word("fuel", i), self._word("burner", i), 0, (line,),
            missing, {}, at, {q: r for q, r in self._references.items() if q in values},
            self._word("note", i),
        )  # fmt: skip


class Placed(Sequence[Reading]):
    """Readings in another order, or some of them: made when asked for, as those they come from."""

    def __init__(self, readings: TabledReadings, rows: NDArray[np.int64]) -> None:
        self._readings = readings
        self._rows = rows

    def __len__(self) -> int:
        return len(self._rows)

    @overload
    def __getitem__(self, index: int) -> Reading: ...
    @overload
    def __getitem__(self, index: slice) -> list[Reading]: ...
    def __getitem__(self, index: int | slice) -> Reading | list[Reading]:
        if isinstance(index, slice):
            return [self._readings[int(i)] for i in self._rows[index]]
        return self._readings[int(self._rows[index])]

    @property
    def lines(self) -> NDArray[np.int64]:
        """Return the first physical line of each."""
        return self._readings.table.lines[self._rows]

    @property
    def whole(self) -> int:
        """Return how many of those they come from are held whole, not as columns."""
        return len(self._readings.odd)

    def burners(self) -> set[str]:
        """Return the burners that those name which they come from."""
        return self._readings.burners()

    def bounded(self) -> list[int]:
        """Return the places of those with a value known only to lie beyond a range."""
        wanted = [i for i, r in self._readings.odd.items() if r.bounds]
        return [] if not wanted else np.flatnonzero(np.isin(self._rows, wanted)).tolist()


def first_lines(readings: Sequence[Reading]) -> NDArray[np.int64]:
    """Return the first physical line of each reading, 0 where it was typed or posted."""
    if isinstance(readings, Placed):
        return readings.lines
    return np.array([r.lines[0] if r.lines else 0 for r in readings], dtype=np.int64)


def bounded(readings: Sequence[Reading]) -> list[int]:
    """Return the places of the readings with a value known only to lie beyond a range."""
    if isinstance(readings, Placed):
        return readings.bounded()
    return [i for i, r in enumerate(readings) if r.bounds]
