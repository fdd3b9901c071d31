"""Documents both ways: sites, boilers, jobs, visits, taught maps and what the company states.

What only one side changed goes to the other; where both did, neither is overwritten.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Any, Literal
from uuid import UUID

from fluebook.client import JsonObject, Refused
from fluebook.field_book.meeting import Meeting, for_the_door, hash_of, plain
from ingest.documents import limits_from
from ingest.models import Boiler, Site, Visit
from ingest.service.job import Job
from ingest.store import NotFound
from ingest.store import field as marks
from parsers.maps import ColumnMap, map_from_json, map_json

DocumentKind = Literal["site", "boiler", "job", "visit"]
Ended = Literal["same", "kept", "missing", "conflict"]
"""Both have the same; the office refused ours and keeps its own; it has none; both changed it."""

There = tuple[JsonObject, int]
"""A document as the office has it, and its version there."""


@dataclass(frozen=True, slots=True)
class Thing:
    """A thing that both sides may have, and how either comes by the other's.

    Attributes
    ----------
    mine : dict or None
        As this book has it.
    version : int
        Of this book's when both were last the same; see ``ingest.store.field``.
    put : callable
        Gives ours to the office, over that version of it.
    take : callable
        Puts the office's in place of ours and returns our version then.
    """

    kind: marks.Kind
    id: str
    name: str
    mine: JsonObject | None
    version: int
    put: Callable[[JsonObject, int | None], object]
    take: Callable[[JsonObject], int]


def up(meeting: Meeting, thing: Thing, there: There | None) -> Ended:
    """Bring one thing up; return how both sides stand then."""
    mine, outcome = thing.mine, meeting.outcome
    assert mine is not None
    sent = f"{thing.name} sent"
    if there is None:
        if not meeting.attempt(thing.name, lambda: thing.put(mine, None)):
            return "missing"
        meeting.mark(thing.kind, thing.id, mine, thing.version)
        meeting.done(sent)
        return "same"
    office, version = there
    if hash_of(mine) == hash_of(office):
        meeting.mark(thing.kind, thing.id, mine, thing.version)
        outcome.same += 1
        return "same"
    base = meeting.common(thing.kind, thing.id)
    if base is not None and base.sha256 == hash_of(mine):
        return _taken(meeting, thing, office, "taken from the office")
    office_changed = base is None or base.sha256 != hash_of(office)
    stands = meeting.stands(thing.id) if office_changed else "mine"
    if stands == "mine":
        if not meeting.attempt(thing.name, lambda: thing.put(mine, version)):
            return "kept"
        meeting.mark(thing.kind, thing.id, mine, thing.version)
        meeting.done(sent)
        return "same"
    if stands == "office":
        return _taken(meeting, thing, office, "taken from the office")
    meeting.conflict(thing.kind, thing.id, thing.name, mine, office)
    return "conflict"


def down(meeting: Meeting, thing: Thing, office: JsonObject) -> Ended:
    """Bring one thing down; one that was changed here alone goes up with the next sending."""
    mine, outcome = thing.mine, meeting.outcome
    if mine is None:
        return _taken(meeting, thing, office, "fetched")
    if hash_of(mine) == hash_of(office):
        outcome.same += 1
        meeting.mark(thing.kind, thing.id, office, thing.version)
        return "same"
    base = meeting.common(thing.kind, thing.id)
    if base is not None and base.sha256 == hash_of(mine):
        return _taken(meeting, thing, office, "fetched")
    if base is not None and base.sha256 == hash_of(office):
        outcome.same += 1
        return "kept"
    stands = meeting.stands(thing.id)
    if stands == "office":
        return _taken(meeting, thing, office, "fetched")
    if stands == "mine":  # this of the office is known now, and ours goes over it
        meeting.mark(thing.kind, thing.id, office, thing.version)
        up = "" if thing.kind == "limits" else ", and goes up with the next sending"
        meeting.done(f"{thing.name} stays as it is here{up}")
        return "kept"
    meeting.conflict(thing.kind, thing.id, thing.name, mine, office)
    return "conflict"


def _taken(meeting: Meeting, thing: Thing, office: JsonObject, how: str) -> Ended:
    versions: list[int] = []
    if not meeting.attempt(thing.name, lambda: versions.append(thing.take(office))):
        return "kept"
    meeting.mark(thing.kind, thing.id, office, versions[0])
    meeting.done(f"{thing.name} {how}")
    return "same"


def document_thing(
    meeting: Meeting,
    kind: DocumentKind,
    identity: UUID,
    *,
    mine: JsonObject | None = None,
    version: int | None = None,
    called: str | None = None,
) -> Thing:
    """Return a site, boiler, job or visit; ``mine`` and ``version`` where not the book's own."""
    here = _here(meeting, kind, identity)
    if mine is None:
        mine = here[0]
    if version is None:
        version = here[1]
    name = called or (mine or {}).get("name") or (mine or {}).get("on") or identity
    return Thing(
        kind,
        str(identity),
        f"{kind} {name}",
        mine,
        version,
        partial(_put, meeting, kind, identity),
        partial(_take, meeting, kind),
    )


def _here(meeting: Meeting, kind: DocumentKind, identity: UUID) -> tuple[JsonObject | None, int]:
    """Return a document as this book has it, and its version; none and 0 where it has none."""
    intake = meeting.intake
    try:
        if kind == "visit":
            view = intake.visit(identity)
            return plain(view.visit), view.version
        read: Any = {"site": intake.site, "boiler": intake.boiler, "job": intake.job}[kind]
        kept = read(identity)
    except NotFound:
        return None, 0
    return plain(kept.document), kept.version


def answer_there(meeting: Meeting, kind: DocumentKind, identity: UUID) -> There | None:
    """Return what the office answers of a document, and its version; None where it has none."""
    try:
        return meeting.office.get_tagged(f"{kind}s/{identity}")
    except Refused as error:
        if error.status == 404:
            return None
        raise


def there(meeting: Meeting, kind: DocumentKind, identity: UUID) -> There | None:
    """Return a document as the office has it, None where it has none."""
    answer = answer_there(meeting, kind, identity)
    if answer is None or kind != "visit":
        return answer
    return answer[0]["visit"], answer[1]


def _put(
    meeting: Meeting, kind: DocumentKind, identity: UUID, mine: JsonObject, version: int | None
) -> None:
    try:
        meeting.office.put_tagged(f"{kind}s/{identity}", for_the_door(mine), version)
    except Refused as error:
        if error.status != 412:
            raise
        # A first try may have been taken while its answer was lost.
        now = there(meeting, kind, identity)
        if now is None or hash_of(now[0]) != hash_of(mine):
            raise


def _take(meeting: Meeting, kind: DocumentKind, office: JsonObject) -> int:
    intake, stated = meeting.intake, for_the_door(office)
    if kind == "site":
        return intake.put_site(Site.model_validate(stated), "office").version
    if kind == "boiler":
        return intake.put_boiler(Boiler.model_validate(stated), "office").version
    if kind == "job":
        return intake.put_job(Job.model_validate(stated), "office").version
    return intake.put_visit(Visit.model_validate(stated), "office").version


def send_document(
    meeting: Meeting, kind: DocumentKind, identity: UUID, *, mine: JsonObject | None = None
) -> Ended:
    """Bring a site, boiler or job up."""
    thing = document_thing(meeting, kind, identity, mine=mine)
    return up(meeting, thing, there(meeting, kind, identity))


def fetch_document(meeting: Meeting, kind: DocumentKind, office: JsonObject) -> Ended:
    """Bring a site, boiler or job down."""
    identity = UUID(office["id"])
    called = office.get("name") or office.get("on")
    return down(meeting, document_thing(meeting, kind, identity, called=called), office)


# Taught maps


def _map_thing(meeting: Meeting, taught: ColumnMap, mine: JsonObject | None) -> Thing:
    def take(office: JsonObject) -> int:
        meeting.intake.put_map(map_from_json(office), "office")
        return 0

    def put(document: JsonObject, version: int | None) -> None:
        meeting.office.teach(document)

    return Thing("map", taught.fingerprint, f"map {taught.name}", mine, 0, put, take)


def _maps_there(meeting: Meeting) -> dict[str, ColumnMap]:
    taught = map(map_from_json, meeting.office.call("GET", "maps")["maps"])
    return {one.fingerprint: one for one in taught}


def send_maps(meeting: Meeting) -> None:
    """Teach the office what was taught here."""
    known = _maps_there(meeting)
    for taught in meeting.intake.maps():
        thing = _map_thing(meeting, taught, map_json(taught))
        office = known.get(taught.fingerprint)
        up(meeting, thing, None if office is None else (map_json(office), 0))


def fetch_maps(meeting: Meeting) -> None:
    """Learn what the office was taught."""
    mine = {one.fingerprint: map_json(one) for one in meeting.intake.maps()}
    for taught in _maps_there(meeting).values():
        thing = _map_thing(meeting, taught, mine.get(taught.fingerprint))
        down(meeting, thing, map_json(taught))


# What the company states for all its boilers


def fetch_company_limits(meeting: Meeting) -> None:
    """Hold boilers here to what the office holds them to."""
    found, _ = meeting.office.limits()
    office = {k: v for k, v in found["limits"].items() if k != "units"}
    if not office:
        return
    kept = meeting.intake.company_limits()
    mine = kept.limits.model_dump(mode="json", exclude={"units"}, exclude_none=True)

    def take(stated: JsonObject) -> int:
        limits = limits_from(for_the_door(stated), "limits of the company")
        why = "as the office states them"
        return meeting.intake.keep_company_limits(limits, "office", why).version

    def put(document: JsonObject, version: int | None) -> None:
        raise AssertionError("a field book states no limits for the company")

    name = "limits of the company"
    thing = Thing("limits", "company", name, mine or None, kept.version, put, take)
    down(meeting, thing, office)
