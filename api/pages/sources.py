"""Where a number comes from: the line of a file, or who typed or sent it; and how sure it is."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from api.chart_spec import COVERAGE
from api.pages.derived import DERIVED, derived_u
from api.pages.show import Shown
from api.words import Words, _, _n, words
from ingest.accuracy import Accuracies
from ingest.intake_shapes import VisitView
from ingest.models import Visit
from ingest.rules.point import Point
from ingest.store.behind import Part
from ingest.store.readings import Attachment
from parsers import FiringPoint

Origin = Callable[[FiringPoint, str], str | None]
"""The address of the line that a point's quantity came from, on this page or the file's own."""

_MEASURED = {
    "co_air_free": "co_dry",
    "excess_air": "o2_dry",
    "efficiency_gross": "stack_temperature",
    "efficiency_net": "stack_temperature",
}
"""Computed quantity -> the reading that a reader is led to."""


@dataclass(frozen=True, slots=True)
class Whence:
    """Where a value comes from, in words, and the address of its evidence ("" for none)."""

    text: str
    href: str = ""


Sources = Callable[[FiringPoint, str], Whence]


def measured(key: str) -> str:
    """Return the reading that stands behind a quantity: itself, or what it is computed from."""
    return _MEASURED.get(key, key)


def plain_source(point: FiringPoint, key: str) -> Whence:
    """Return what a point itself knows: computed or read, of how many readings and lines."""
    return Whence(_computed(point, key, _readings_words(point)))


def _computed(point: FiringPoint, key: str, said: str) -> str:
    return said if key in point.values or key in point.bounds else _("computed; {of}", of=said)


def _readings_words(point: FiringPoint) -> str:
    of = _n("{n} reading", "{n} readings", max(point.count, 1))
    lines = line_words(point.lines)
    return _("{readings}, {lines} of the file", readings=of, lines=lines) if lines else of


def line_words(lines: Sequence[int]) -> str:
    """Return lines of a file in words, a run of them by its ends.

    >>> line_words([4]), line_words([4, 5, 6, 7]), line_words([2, 5])
    ('line 4', 'lines 4 to 7', 'lines 2, 5')
    """
    return _line_words(tuple(lines), words())


@lru_cache(maxsize=4096)
def _line_words(lines: tuple[int, ...], _spoken: Words) -> str:
    found = sorted(set(lines))
    if not found:
        return ""
    if len(found) == 1:
        return _("line {line}", line=str(found[0]))
    if found[-1] - found[0] == len(found) - 1 or len(found) > 4:
        return _("lines {first} to {last}", first=str(found[0]), last=str(found[-1]))
    return _("lines {lines}", lines=", ".join(map(str, found)))


Made = Callable[[FiringPoint], Sequence[Part]]
"""What a point of one visit is made of."""


def made_of(view: VisitView) -> Made:
    """Return what says of each point of a visit what it is made of."""
    found = {id(point): parts for point, parts in zip(view.points, view.parts, strict=True)}
    return lambda point: found.get(id(point), ())


def origins(made: Made, files: Sequence[Attachment], shown_lines: int = 0) -> Origin:
    """Return where a point's quantity stands in files of its visit.

    A line among a file's first ``shown_lines`` stands on the visit's own page.
    """
    known = {file.id: (n, file.visit_id) for n, file in enumerate(files, start=1)}

    def origin(point: FiringPoint, key: str) -> str | None:
        for part in made(point):
            lines = part.lines_of(key)
            if part.attachment_id not in known or not lines:
                continue
            number, visit = known[part.attachment_id]
            if lines[0] <= shown_lines:
                return f"#f{number}-line-{lines[0]}"
            at = f"line={lines[0]}#line-{lines[0]}"
            return f"/visits/{visit}/files/{part.attachment_id}?{at}"
        return None

    return origin


def sources(
    made: Made,
    files: Sequence[Attachment],
    trail: Sequence[Mapping[str, Any]] = (),
    origin: Origin | None = None,
) -> Sources:
    """Return where each value of a visit comes from.

    Parameters
    ----------
    made : Made
        What each point is made of.
    files : sequence of Attachment
        Those that stand.
    trail : sequence of lines
        Its audit lines, which say who typed or sent what belongs to no file.
    origin : Origin or None
        Address of a value's line, where there is one to lead to.
    """
    names = {file.id: file.name for file in files}
    senders = {
        identity: str(line["who"])
        for line in trail
        if line["action"] == "readings_added"
        for identity in line["details"].get("ids", ())
    }

    def source(point: FiringPoint, key: str) -> Whence:
        told = measured(key)
        said = []
        for part in made(point):
            if not any(told in r.values or told in r.bounds for r in part.readings):
                continue
            if part.attachment_id is not None:
                lines = line_words(part.lines_of(told))
                name = names.get(part.attachment_id, "")
                said.append(", ".join(filter(None, [name, lines])))
                continue
            by = dict.fromkeys(senders.get(identity, "") for identity in part.ids)
            who = ", ".join(filter(None, by))
            said.append(_("typed or sent by {who}", who=who) if who else _("typed or sent"))
        text = "; ".join(filter(None, said)) or _readings_words(point)
        href = origin(point, told) if origin is not None else None
        return Whence(_computed(point, key, text), href or "")

    return source


class Spreads:
    """Expanded uncertainties of one visit's points, in the unit shown.

    What is computed of ``points`` gets its uncertainties in one go, when first asked for.
    """

    def __init__(self, visit: Visit, shown: Shown, points: Sequence[FiringPoint] = ()) -> None:
        self._visit, self._shown = visit, shown
        self._accuracies = Accuracies(visit.instrument)
        self._points = points
        self._seen: dict[int, tuple[FiringPoint, Point]] = {}
        self._derived: dict[int, Mapping[str, float]] = {}

    @classmethod
    def together(
        cls, visits: Sequence[tuple[Visit, Sequence[FiringPoint]]], shown: Shown
    ) -> list[Spreads]:
        """Return those of many visits, with one computation for all of them."""
        out = [cls(visit, shown, points) for visit, points in visits]
        every = [(one, point) for one in out for point in one._points]
        found = derived_u([one.seen(point) for one, point in every])
        for (one, point), u in zip(every, found, strict=True):
            one._derived[id(point)] = u
        return out

    def seen(self, point: FiringPoint) -> Point:
        """Return a point with its numbers as the rules see them, made once."""
        held = self._seen.get(id(point))
        if held is None:
            seen = Point(point, self._accuracies, self._visit)
            held = self._seen[id(point)] = (point, seen)
        return held[1]

    def _of_computed(self, point: FiringPoint) -> Mapping[str, float]:
        if id(point) not in self._derived:
            every = [p for p in self._points if id(p) not in self._derived]
            every = every if any(p is point for p in every) else [point]
            found = derived_u([self.seen(p) for p in every])
            self._derived |= {id(p): u for p, u in zip(every, found, strict=True)}
        return self._derived[id(point)]

    def standard(self, point: FiringPoint, key: str) -> float:
        """Return the standard uncertainty in the canonical unit; 0 where it is not known."""
        bound = point.bounds.get(measured(key))
        if bound is not None and bound.above is not None:
            return 0.0
        if key == "co_air_free":
            return self.seen(point).u_co_af
        if key in DERIVED and key not in point.values:
            return self._of_computed(point).get(key, 0.0)
        return self.seen(point).u(key) if key in point.values else 0.0

    def expanded(self, point: FiringPoint, key: str) -> float:
        """Return the expanded uncertainty in the unit shown; 0 where it is not known."""
        return COVERAGE * self._shown.spread(key, self.standard(point, key))
