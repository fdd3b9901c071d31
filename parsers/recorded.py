"""Readings of a stream as columns: what a long capture stays in, as a long file does.

Rows under one heading share all but numbers, time and line; a reading is made of them when it is
asked for. Blocks that are alike in all but those share a form as well (``parsers.alike``). Whatever
is like no other (marks, another time zone) is held as it is.
"""

from __future__ import annotations

from array import array
from collections.abc import Iterable
from datetime import datetime, tzinfo

import numpy as np
from numpy.typing import NDArray

from parsers.alike import Forms, fits, wall_clock
from parsers.model import Reading, TimeSource
from parsers.stream_events import Layout, PlainRow, StreamReading
from parsers.table import Table, TabledReadings


class _Form:
    """The rows of one layout: which of all they are, and their numbers one after the other.

    ``what`` is a layout and where its times come from, or the number of a form of blocks.
    """

    def __init__(self, keys: tuple[str, ...], what: tuple[Layout, TimeSource] | int) -> None:
        self.keys, self.what = keys, what
        self.rows, self.numbers = array("q"), array("d")


class RecordedReadings(TabledReadings):
    """The readings of a recording."""

    def __init__(
        self,
        table: Table,
        odd: dict[int, Reading],
        forms: list[_Form],
        form_of: NDArray[np.int32],
        alike: Forms,
    ) -> None:
        super().__init__(table, odd)
        self._forms = forms
        self._alike = alike
        self._form_of = form_of

    def _burners(self) -> Iterable[str | None]:
        return self._alike.burners()

    def _made(self, i: int) -> Reading:
        if i in self.odd:
            return self.odd[i]
        form, table = self._forms[self._form_of[i]], self.table
        if isinstance(form.what, int):
            return self._alike.made(form.what, table, i)
        layout, source = form.what
        texts = tuple(repr(float(table.values[key][i])) for key in form.keys)
        return PlainRow(texts, int(table.lines[i]), table.time(i), source, layout).reading()


class Recording:
    """Takes readings of a stream as they come, and hands them on as columns."""

    def __init__(self) -> None:
        # A form holds its layout, so that ids last.
        self._forms: dict[tuple[int, TimeSource] | int, _Form] = {}
        self._alike = Forms()
        self._odd: dict[int, Reading] = {}
        self._lines, self._times = array("q"), array("q")
        self._keys: dict[str, None] = {}
        self._zone: tzinfo | None = None
        self.values = 0
        """How many values were read."""

    def take(self, events: Iterable[object]) -> None:
        """Take the readings among events of one stream."""
        for event in events:
            if isinstance(event, StreamReading):
                self._take(event)

    def _take(self, event: StreamReading) -> None:
        kept, n = event.kept, len(self._lines)
        time = kept.time
        if time is not None and not self._times:
            self._zone = time.tzinfo
        if isinstance(kept, PlainRow) and time is not None and self._fits(time):
            key = id(kept.layout), kept.time_source
            form = self._forms.get(key)
            if form is None:
                form = self._form(key, kept.layout.keys, (kept.layout, kept.time_source))
            form.rows.append(n)
            form.numbers.extend(map(float, kept.texts))
            self._lines.append(kept.line)
            self.values += len(kept.texts)
        else:
            self._take_whole(n, event.reading)
        self._times.append(wall_clock(time))

    def _form(
        self,
        key: tuple[int, TimeSource] | int,
        keys: tuple[str, ...],
        what: tuple[Layout, TimeSource] | int,
    ) -> _Form:
        form = self._forms[key] = _Form(keys, what)
        self._keys |= dict.fromkeys(keys)
        return form

    def _take_whole(self, n: int, reading: Reading) -> None:
        number = self._alike.of(reading) if fits(reading.time, self._zone) else -1
        if number < 0:
            self._odd[n] = reading
            self._keys |= dict.fromkeys(reading.values)
        else:
            form = self._forms.get(number) or self._form(number, tuple(reading.values), number)
            form.rows.append(n)
            form.numbers.extend(reading.values.values())
        self._lines.append(reading.lines[0] if reading.lines else 0)
        self.values += len(reading.values)

    def _fits(self, time: datetime) -> bool:
        return time.tzinfo is self._zone and not time.fold

    def readings(self) -> RecordedReadings:
        """Return what was taken, in order; to be asked for once."""
        count = len(self._lines)
        values = {key: np.full(count, np.nan) for key in self._keys}
        form_of = np.zeros(count, dtype=np.int32)
        forms = list(self._forms.values())
        for k, form in enumerate(forms):
            rows = np.array(form.rows, dtype=np.int64)
            form_of[rows] = k
            matrix = np.array(form.numbers).reshape(len(rows), len(form.keys))
            for j, key in enumerate(form.keys):
                values[key][rows] = matrix[:, j]
            form.rows, form.numbers = array("q"), array("d")
        for n, reading in self._odd.items():
            for key, value in reading.values.items():
                values[key][n] = value
        times = np.array(self._times, dtype=np.int64).view("datetime64[us]")
        lines = np.array(self._lines, dtype=np.int64)
        table = Table(values, lines, times, self._zone)
        return RecordedReadings(table, self._odd, forms, form_of, self._alike)
