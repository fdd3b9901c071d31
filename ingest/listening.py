"""One listening: records of a port or a capture become readings, live states and counts."""

from __future__ import annotations

import gc
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import datetime

from ingest.port import Chunk, Link
from parsers.cut_points import log_of_readings
from parsers.live import LiveQuantity, Now
from parsers.model import Reading
from parsers.plateaus import propose_cut
from parsers.segments import CutOptions, Segment
from parsers.stream_events import Event, StreamDamage, StreamReading, StreamRules
from parsers.streams import StreamReader

_THIN = 0.1
"""A trend needs no more than ten samples a second [s]."""


_COLLECT = 50_000
"""Objects made and kept before the collector looks at them: about a minute of gapless rows."""


class NotIntoTheVisit(Exception):
    """What was heard cannot go into the visit; the message says why and what becomes of it."""


@contextmanager
def collector_rests() -> Iterator[None]:
    """Let the collector of garbage rest: what is heard stays, and it would walk it in vain.

    It still looks at what is young, seldom: cycles that an error or a drawn table leaves behind do
    not pile up.
    """
    before = gc.get_threshold()
    gc.collect()
    gc.freeze()
    gc.set_threshold(_COLLECT, 1_000, 1_000)
    try:
        yield
    finally:
        gc.set_threshold(*before)
        gc.unfreeze()


@dataclass(slots=True)
class Listening:
    """What was heard so far.

    ``keep`` is called with each record before anything is made of it: that is where raw bytes are
    written. Without ``live`` no trend is kept: nobody asks for the state of the moment.
    """

    rules: StreamRules = field(default_factory=StreamRules)
    response_time: float = 30.0
    keep: Callable[[Chunk | Link], None] | None = None
    live: bool = True
    heard: list[StreamReading] = field(default_factory=list)
    damage: list[StreamDamage] = field(default_factory=list)
    links: list[Link] = field(default_factory=list)
    bytes: int = 0
    _reader: StreamReader | None = None
    _live: dict[str, LiveQuantity] = field(default_factory=dict)
    _began: datetime | None = None
    _pushed: float = -1.0
    _received: datetime | None = None

    @property
    def readings(self) -> list[Reading]:
        """Return the readings, each made of its line the first time."""
        return [one.reading for one in self.heard]

    @property
    def reader(self) -> StreamReader:
        """Return the stream reader in use."""
        if self._reader is None:
            self._reader = StreamReader(self.rules)
        return self._reader

    def take(self, record: Chunk | Link) -> list[Event]:
        """Keep a record, then return the events it completes."""
        if self.keep is not None:
            self.keep(record)
        if isinstance(record, Link):
            self.links.append(record)
            return self._noted(self.reader.interrupted() if record.state == "lost" else [])
        self.bytes += len(record.data)
        reader = self._reader or self.reader
        return self._noted(reader.feed(record.data, record.received))

    def end(self) -> list[Event]:
        """Return what was still open when listening ended."""
        return self._noted(self.reader.close())

    def _noted(self, events: list[Event]) -> list[Event]:
        heard, live = self.heard, self.live
        for event in events:
            if type(event) is StreamReading:
                heard.append(event)
                # Those of one chunk share their time.
                if live and (time := event.time) is not self._received:
                    self._received = time
                    self._live_values(event, time)
            elif isinstance(event, StreamDamage):
                self.damage.append(event)
        return events

    def _live_values(self, event: StreamReading, time: datetime | None) -> None:
        if time is None:
            return
        if self._began is None:
            self._began = time
        seconds = (time - self._began).total_seconds()
        if seconds - self._pushed < _THIN:
            return
        self._pushed = seconds
        for key, value in event.reading.values.items():
            if key not in self._live:
                self._live[key] = LiveQuantity(key, max(self.response_time, 15.0))
            self._live[key].push(seconds, value)

    def now(self) -> dict[str, Now]:
        """Return the live state of each quantity."""
        states = {key: live.now() for key, live in self._live.items()}
        return {key: state for key, state in states.items() if state is not None}

    def damage_counts(self) -> Counter[str]:
        """Return how many pieces were damaged, by why."""
        return Counter(d.code for d in self.damage)

    def cut(self, rates: tuple[float, ...] = ()) -> tuple[datetime | None, list[Segment]]:
        """Return the start and the cut of what was heard."""
        started, times, columns, _ = log_of_readings(self.readings)
        options = CutOptions(response_time=self.response_time)
        return started, propose_cut(times, columns, rates, options=options)
