"""Readings as columns: what a long log stays in, and what bulk users take.

``LogReadings`` looks like a list of readings and makes each one when it is asked for.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta, tzinfo
from typing import overload

import numpy as np
from numpy.typing import NDArray

from parsers.model import Phase, Reading, TimeSource

_EPOCH = datetime(1970, 1, 1)  # noqa: DTZ001 (a wall clock, the zone is put on later)


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


def table_of(readings: Sequence[Reading]) -> Table:
    """Return readings as columns."""
    if isinstance(readings, LogReadings):
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


class LogReadings(Sequence[Reading]):
    """The readings of a long log, each made when asked for.

    ``odd`` holds whole readings for the rows that columns cannot hold (bounds, marks, texts).
    """

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
        self.table = table
        self._columns = columns
        self._source = source
        self._odd = odd
        self._reasons = reasons
        self._references = references
        self._phases = phases
        self._phase_names = phase_names
        self._texts = texts
        self._stated = stated
        self._phase = phase

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

    def _word(self, role: str, i: int) -> str | None:
        words = self._texts.get(role)
        text = None if words is None else words.texts[words.codes[i]]
        return text or self._stated.get(role)

    def _made(self, i: int) -> Reading:
        if i in self._odd:
            return self._odd[i]
        line = int(self.table.lines[i])
        values, missing, at = {}, {}, {}
        for key, column in self.table.values.items():
            value = float(column[i])
            if value == value:
                values[key] = value
                at[key] = (line, self._columns[key])
            else:
                missing[key] = self._reasons.get(key, {}).get(i, "empty cell")
        time = None
        if self.table.times is not None and not np.isnat(self.table.times[i]):
            micro = int(self.table.times[i].astype("int64"))
            time = (_EPOCH + timedelta(microseconds=micro)).replace(tzinfo=self.table.zone)
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
