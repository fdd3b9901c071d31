"""What is due, laid out for reading: boiler by boiler, day by day."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from itertools import groupby

from api.due_list import DueList
from api.findings import reason_said
from api.pages.show import label
from api.plan_words import named
from api.words import N_, _, _n, words
from ingest.service.due import Due, Kind, Place

KIND_WORDS: dict[Kind, str] = {
    "task": N_("task"),
    "test": N_("test"),
    "part": N_("part"),
    "finding": N_("finding"),
}


@dataclass(frozen=True, slots=True)
class ItemView:
    """One thing due, and what stands beside it: its kind, why, and what could not be told."""

    title: str
    beside: str


@dataclass(frozen=True, slots=True)
class DayView:
    """What is due at one boiler on one day; ``told`` says how much of each kind."""

    title: str
    due: Sequence[ItemView]
    told: str


@dataclass(frozen=True, slots=True)
class BoilerView:
    """One boiler with something due."""

    name: str
    readings: str
    days: Sequence[DayView]


def shown_day(day: date) -> str:
    """Return a date without ambiguity.

    >>> shown_day(date(2027, 3, 1))
    '1 Mar 2027'
    """
    return words().day(day)


def sentence(found: DueList) -> str:
    """Return how much is due, as a sentence."""
    count, boilers = len(found.items), len({i.place for i in found.items})
    if not count:
        return _("Nothing known is due.")
    where = _n("at {n} boiler", "at {n} boilers", boilers)
    return _n("{n} thing is due {where}.", "{n} things are due {where}.", count, where=where)


def _title(kind: str, on: date, estimated: bool, today: date) -> str:
    if kind == "finding":
        return _("Open since {day}", day=shown_day(on))
    said = _("About {day}", day=shown_day(on)) if estimated else shown_day(on)
    return _("{day}, overdue", day=said) if on < today else said


def due_title(item: Due) -> str:
    """Return what is due in the reader's language; a finding in the words of who wrote it."""
    return item.title if item.kind == "finding" else named(item.title)


def calendar_words(item: Due) -> tuple[str, str]:
    """Return what is due and why, for a calendar in the reader's language."""
    why = reason_said(item.why)
    return due_title(item), _("{why}, estimated", why=why) if item.estimated else why


def _item(item: Due) -> ItemView:
    said = [f"{_(KIND_WORDS[item.kind])}, {reason_said(item.why)}"]
    if item.not_computed:
        said.append(reason_said(item.not_computed))
    return ItemView(due_title(item), "; ".join(said))


def _told(items: Sequence[Due]) -> str:
    number = Counter(item.kind for item in items)
    said = {
        "task": _n("{n} task", "{n} tasks", number["task"]),
        "test": _n("{n} test", "{n} tests", number["test"]),
        "part": _n("{n} part", "{n} parts", number["part"]),
        "finding": _n("{n} finding", "{n} findings", number["finding"]),
    }
    return ", ".join(said[kind] for kind in KIND_WORDS if number[kind])


def _day(title: str, items: Sequence[Due]) -> DayView:
    return DayView(title, [_item(one) for one in items], _told(items))


def boiler_views(found: DueList, *, today: date | None = None) -> list[BoilerView]:
    """Return the boilers in order of their first due day."""
    now = today or datetime.now(UTC).date()
    by_boiler: dict[Place, list[Due]] = {}
    for item in found.items:
        by_boiler.setdefault(item.place, []).append(item)
    out = []
    for at, items in by_boiler.items():
        days = [
            _day(title, list(group))
            for title, group in groupby(items, key=lambda i: _title(i.kind, i.on, i.estimated, now))
        ]
        place = f", {items[0].site}" if items[0].site else ""
        wanted = ", ".join(label(k) for k in found.readings.get(at, ()))
        out.append(BoilerView(items[0].boiler + place, wanted, days))
    return out
