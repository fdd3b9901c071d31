"""What is due in one book, gathered once for the command, the API and the page."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any
from uuid import UUID

from api.key_words import key_said
from api.words import _
from ingest.intake import Intake
from ingest.service.calendar import calendar, in_english
from ingest.service.due import (
    BoilerHistory,
    Due,
    Pick,
    Place,
    due,
    no_longer_due,
    pick_list,
    readings_wanted,
)
from ingest.service.kept import boiler_history
from ingest.service.plans import Plan

FORMAT = "fluebook.due/1"


@dataclass(frozen=True, slots=True)
class DueList:
    """Everything due until a day, what to pack for it, and which boilers could not be looked at."""

    until: date
    items: Sequence[Due]
    picks: Sequence[Pick]
    readings: Mapping[Place, Sequence[str]]
    not_looked_at: Mapping[str, str]
    histories: Sequence[BoilerHistory] = ()


def due_in_book(
    intake: Intake, until: date, plans: Mapping[str, Plan], *, site_id: UUID | None = None
) -> DueList:
    """Return what is due until a day, by the finished visits of the book."""
    sites = {site.id: site for site in intake.sites()}
    histories, unknown = [], {}
    boilers = intake.boilers(site_id)
    names = Counter(b.name for b in boilers)
    for boiler in boilers:
        if boiler.id is None:
            continue
        first, served = intake.served_visits(boiler.id)
        site = sites.get(boiler.site_id)
        called = boiler.name
        if names[called] > 1:
            called = f"{called}, {site.name if site else boiler.id}"
            called = f"{called} ({boiler.id})" if called in unknown else called
        try:
            history = boiler_history(boiler, served, plans, site=site, first=first)
        except KeyError as error:
            unknown[called] = str(error.args[0])
            continue
        if history is None:
            unknown[called] = _("neither a day of installation nor a finished visit is known")
        elif not history.plans:
            unknown[called] = _("no plan is for {fuel} and its kind", fuel=key_said(boiler.fuel))
        else:
            histories.append(history)
    items = due(histories, until, known=plans)
    picks, wanted = pick_list(items, plans), readings_wanted(items, plans)
    return DueList(until, items, picks, wanted, unknown, histories)


def due_ics(
    intake: Intake,
    found: DueList,
    plans: Mapping[str, Plan],
    said: Callable[[Due], tuple[str, str]] = in_english,
) -> bytes:
    """Return a due list as an iCalendar file, of the revision that the book is at."""
    last = intake.trail_lines(most=1)
    return calendar(
        found.items,
        datetime.fromisoformat(last[0]["at"]) if last else intake.book.clock(),
        gone=no_longer_due(found.histories, found.until, known=plans),
        revision=last[0]["seq"] if last else 0,
        said=said,
    )


def _by_name(found: DueList) -> dict[str, list[str]]:
    """Return wanted readings by the boilers' names; boilers of one name share an entry."""
    named: dict[str, list[str]] = {}
    for (_site, name, _identity), keys in found.readings.items():
        held = named.setdefault(name, [])
        held += [k for k in keys if k not in held]
    return named


def due_json(found: DueList) -> dict[str, Any]:
    """Return a due list as fluebook.due/1."""
    return {
        "format": FORMAT,
        "until": found.until.isoformat(),
        "due": [
            {
                "boiler": i.boiler,
                "boiler_id": i.boiler_id or None,
                "site": i.site,
                "van": i.van,
                "kind": i.kind,
                "key": i.key,
                "title": i.title,
                "on": i.on.isoformat(),
                "why": i.why,
                "plan": i.plan,
                "estimated": i.estimated,
                "parts": dict(i.parts),
                "not_computed": i.not_computed,
            }
            for i in found.items
        ],
        "pick": [
            {
                "van": p.van or None,
                "kit": p.kit or None,
                "part": p.part,
                "title": p.title,
                "quantity": p.quantity,
            }
            for p in found.picks
        ],
        "readings": _by_name(found),
        "readings_wanted": [
            {
                "boiler": name,
                "boiler_id": identity or None,
                "site": site or None,
                "keys": list(keys),
            }
            for (site, name, identity), keys in found.readings.items()
        ],
        "not_looked_at": dict(found.not_looked_at),
    }
