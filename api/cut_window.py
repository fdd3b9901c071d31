"""The part of a log that its page shows: its ends, what lies in it, and the ways to other parts.

Each part is a page of its own, drawn by the server from the samples in it; so looking closer works
by plain links.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from urllib.parse import urlencode

from api.cut_chart import MOST_APART, clock
from api.pages.cut_form import seconds_of
from api.words import N_, _
from ingest.intake_cuts import LogCut

CLOSEST = 20.0
"""Length of the shortest part [s]."""
_WAYS = (
    (N_("earlier"), -0.75, 1.0),
    (N_("later"), 0.75, 1.0),
    (N_("closer"), 0.0, 0.5),
    (N_("wider"), 0.0, 2.0),
)
"""In words, moved by so much of the length, and so much as long."""


@dataclass(frozen=True, slots=True)
class Way:
    """A link to another part of the log."""

    words: str
    query: str


@dataclass(frozen=True, slots=True)
class Window:
    """A part of a log from ``begin`` to ``end``, within ``first`` to ``last`` [s]."""

    begin: float
    end: float
    first: float
    last: float

    @property
    def whole(self) -> bool:
        """Return whether it is all of the log."""
        return self.begin <= self.first and self.end >= self.last

    @property
    def query(self) -> str:
        """Return what names this part in an address, empty for the whole log."""
        if self.whole:
            return ""
        return "?" + urlencode({"from": f"{self.begin:.1f}", "to": f"{self.end:.1f}"})

    def placed(self, begin: float, end: float) -> Window:
        """Return another part of the log: within it, and never shorter than ``CLOSEST``."""
        longest = self.last - self.first
        long = min(max(end - begin, CLOSEST), longest)
        begin = min(max((begin + end - long) / 2, self.first), self.last - long)
        return Window(begin, begin + long, self.first, self.last)

    def shows(self, begin: float, end: float) -> bool:
        """Return whether a span reaches into this part."""
        return end > self.begin and begin < self.end


def window_of(given: Mapping[str, str], cut: LogCut) -> Window:
    """Return the part that an address or a form names, the whole log where it names none.

    ``from`` and ``to`` are seconds of the log, or times of day.
    """
    first, last = float(cut.log.times[0]), float(cut.log.times[-1])
    whole = Window(first, last, first, last)
    ends = [
        seconds_of(given.get(name, ""), cut, near) for name, near in (("from", first), ("to", last))
    ]
    if ends[0] is None or ends[1] is None or ends[0] >= ends[1]:
        return whole
    return whole.placed(ends[0], ends[1])


def ways_of(window: Window) -> list[Way]:
    """Return the links to the parts beside, closer and wider, as far as there are any."""
    long, middle = window.end - window.begin, (window.begin + window.end) / 2
    out = []
    for words, moved, times in _WAYS:
        half, at = long * times / 2, middle + moved * long
        there = window.placed(at - half, at + half)
        if (there.begin, there.end) != (window.begin, window.end):
            out.append(Way(_(words), there.query))
    if not window.whole:
        out.append(Way(_("whole log"), ""))
    return out


def parts_of(window: Window, cut: LogCut) -> list[Way]:
    """Return parts of a window with few enough stretches to correct, none where it is one."""
    seen = [s for s in cut.segments if window.shows(s.start, s.end)]
    if len(seen) <= MOST_APART:
        return []
    # One less than the most: the end of a part touches the stretch after it.
    count = -(-len(seen) // (MOST_APART - 1))
    each = -(-len(seen) // count)
    out = []
    for n in range(0, len(seen), each):
        begin, end = seen[n].start, seen[min(n + each, len(seen)) - 1].end
        ends = [clock(cut.log.started, at)[:5] for at in (begin, end)]
        words = _("{start} to {end}", start=ends[0], end=ends[1])
        out.append(Way(words, window.placed(begin, end).query))
    return out
