"""Readings by column that were made one by one: what a long log without a plain table stays in.

Most readings of one source are alike in all but numbers, time and line. Those share one form, and
are made of it when they are asked for; what is like no other is held as it is.
"""

from __future__ import annotations

from array import array
from collections.abc import Hashable, Iterable, Sequence
from dataclasses import replace
from datetime import datetime, timedelta, tzinfo

import numpy as np
from numpy.typing import NDArray

from parsers.model import Reading
from parsers.table import EPOCH, NO_TIME, Table, TabledReadings

_MICROSECOND = timedelta(microseconds=1)
_MOST_FORMS = 4096
_OF_VALUES = -1.0
"""Stands in a form for a firing rate that is the one among the values."""


def wall_clock(time: datetime | None) -> int:
    """Return the microseconds since ``EPOCH`` that a wall clock shows, ``NO_TIME`` without one."""
    return NO_TIME if time is None else (time.replace(tzinfo=None) - EPOCH) // _MICROSECOND


class Forms:
    """The forms of readings, each a reading with its lines counted from its first."""

    def __init__(self) -> None:
        self.patterns: list[Reading] = []
        self._known: dict[Hashable, int] = {}

    def of(self, reading: Reading) -> int:
        """Return the number of a reading's form, -1 where it is held as it is."""
        rate = reading.firing_rate
        if reading.bounds or not reading.lines or rate == _OF_VALUES:
            return -1
        first = reading.lines[0]
        told = rate is not None and reading.values.get("firing_rate") == rate
        alike: Hashable = (
            tuple(reading.values), reading.time_source, reading.phase, told or rate, reading.fuel,
            reading.burner, reading.block, tuple([n - first for n in reading.lines]),
            tuple(reading.missing.items()),
            tuple([(k, line - first, at) for k, (line, at) in reading.at.items()]),
            tuple(reading.references.items()), reading.note, reading.sheet,
        )  # fmt: skip
        found = self._known.get(alike, -1)
        if found < 0 and len(self.patterns) < _MOST_FORMS:
            found = self._known[alike] = len(self.patterns)
            self.patterns.append(
                replace(
                    reading,
                    values=dict.fromkeys(reading.values, 0.0),
                    time=None,
                    lines=tuple(n - first for n in reading.lines),
                    at={k: (line - first, at) for k, (line, at) in reading.at.items()},
                    firing_rate=_OF_VALUES if told else rate,
                )
            )
        return found

    def burners(self) -> Iterable[str | None]:
        """Return the burners of all forms."""
        return {p.burner for p in self.patterns}

    def made(self, form: int, table: Table, i: int) -> Reading:
        """Return the reading of a row that has a form."""
        pattern, line = self.patterns[form], int(table.lines[i])
        values = {key: float(table.values[key][i]) for key in pattern.values}
        return replace(
            pattern,
            values=values,
            time=table.time(i),
            lines=tuple([line + n for n in pattern.lines]),
            at={k: (line + n, at) for k, (n, at) in pattern.at.items()},
            firing_rate=(
                values["firing_rate"] if pattern.firing_rate == _OF_VALUES else pattern.firing_rate
            ),
        )


class AlikeReadings(TabledReadings):
    """Readings of which most share a form."""

    def __init__(
        self, table: Table, odd: dict[int, Reading], forms: Forms, form_of: NDArray[np.int16]
    ) -> None:
        super().__init__(table, odd)
        self._forms = forms
        self._form_of = form_of

    def _burners(self) -> Iterable[str | None]:
        return self._forms.burners()

    def _made(self, i: int) -> Reading:
        if i in self.odd:
            return self.odd[i]
        return self._forms.made(int(self._form_of[i]), self.table, i)


def fits(time: datetime | None, zone: tzinfo | None) -> bool:
    """Return whether a time is told by its wall clock in a zone."""
    return time is None or (time.tzinfo == zone and not time.fold)


def by_column(readings: Iterable[Reading]) -> Sequence[Reading]:
    """Return readings by column, made again when asked for: the same, one for one."""
    forms, odd = Forms(), dict[int, Reading]()
    numbers: dict[str, array[float]] = {}
    rows: dict[str, array[int]] = {}
    lines, times, form_of = array("q"), array("q"), array("h")
    zone: tzinfo | None = None
    timed = False
    for n, reading in enumerate(readings):
        time = reading.time
        if time is not None and not timed:
            zone, timed = time.tzinfo, True
        form = forms.of(reading) if fits(time, zone) else -1
        if form < 0:
            odd[n] = reading
        form_of.append(form)
        for key, value in reading.values.items():
            if key not in numbers:
                numbers[key], rows[key] = array("d"), array("q")
            numbers[key].append(value)
            rows[key].append(n)
        lines.append(reading.lines[0] if reading.lines else 0)
        times.append(wall_clock(time))
    values = {}
    for key, given in numbers.items():
        column = values[key] = np.full(len(lines), np.nan)
        column[np.array(rows[key])] = np.array(given)
    walls = np.array(times, dtype=np.int64).view("datetime64[us]") if timed else None
    table = Table(values, np.array(lines, dtype=np.int64), walls, zone)
    return AlikeReadings(table, odd, forms, np.array(form_of, dtype=np.int16))
