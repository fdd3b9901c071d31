"""A technician's own book, without signal, and the office's: sent up and fetched down.

Sending may stop anywhere and be repeated: documents are compared first, a file is known by its
bytes, a reading by its id, a correction of a cut by its words. Where both sides changed the same
document since they last had it in common, neither is overwritten: both versions are shown and a
person says whose stands.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import Any, Literal
from uuid import UUID

from fluebook.client import Client, JsonObject, Refused
from ingest.dimensions import CANONICAL_UNITS, Document
from ingest.intake import Intake
from ingest.models import Boiler, Site, Visit
from ingest.store import NotFound
from ingest.store import field as marks
from ingest.store.audit import canonical_json
from ingest.store.readings import Attachment, KeptReading
from ingest.store.rows import reading_from
from parsers.maps import map_json

Whose = Literal["mine", "office"]
_FINISHED = ("handed_in", "accepted")


@dataclass(frozen=True, slots=True)
class Conflict:
    """One document that both sides changed; ``differences`` names each place with both values."""

    kind: marks.Kind
    id: UUID
    name: str
    differences: Mapping[str, tuple[Any, Any]]


@dataclass(slots=True)
class Outcome:
    """What was sent or fetched, what stands in conflict, and what could not be and why."""

    done: list[str] = field(default_factory=list)
    same: int = 0
    conflicts: list[Conflict] = field(default_factory=list)
    refused: list[str] = field(default_factory=list)

    @property
    def clean(self) -> bool:
        """Return whether nothing is left that a person has to look at."""
        return not self.conflicts and not self.refused


def differences(mine: Any, office: Any, at: str = "") -> dict[str, tuple[Any, Any]]:
    """Return each place, as a JSON pointer, at which two documents differ, with both values.

    >>> differences({"a": 1, "b": [1, 2]}, {"a": 1, "b": [1, 3], "c": "x"})
    {'/b/1': (2, 3), '/c': (None, 'x')}
    """
    if isinstance(mine, dict) and isinstance(office, dict):
        found: dict[str, tuple[Any, Any]] = {}
        for key in [*mine, *(k for k in office if k not in mine)]:
            found |= differences(mine.get(key), office.get(key), f"{at}/{key}")
        return found
    if isinstance(mine, list) and isinstance(office, list) and len(mine) == len(office):
        found = {}
        for n, (one, other) in enumerate(zip(mine, office, strict=True)):
            found |= differences(one, other, f"{at}/{n}")
        return found
    return {} if mine == office else {at or "/": (mine, office)}


def _plain(document: Document) -> JsonObject:
    return document.model_dump(mode="json", exclude_none=True)


def _hash(document: JsonObject) -> str:
    return hashlib.sha256(canonical_json(document).encode()).hexdigest()


def _for_the_door(document: JsonObject) -> JsonObject:
    """Return a document in canonical units, as the API takes it: with its units said."""
    return {**document, "units": dict(CANONICAL_UNITS)}


class FieldBook:
    """One field book and the office it belongs to.

    Parameters
    ----------
    intake : Intake
        Of the technician's own book.
    office : Client
        Connected to the office.
    address : str
        Of the office: marks of what both have are kept under it.
    who : str
        For the trail of the field book.
    whose : mapping
        Which side stands, by id, where both changed a document.
    """

    def __init__(
        self,
        intake: Intake,
        office: Client,
        address: str,
        who: str,
        *,
        whose: Mapping[UUID, Whose] | None = None,
        told: Callable[[str], None] = lambda _: None,
    ) -> None:
        self._intake = intake
        self._office = office
        self._address = address.rstrip("/")
        self._who = who
        self._whose = dict(whose or {})
        self._told = told

    # Up

    def send(self) -> Outcome:
        """Send every visit that was made here, with its boiler, files, pictures and readings.

        Raises
        ------
        Unreachable
            If the signal is gone; what was sent stays sent, and a repeat goes on from there.
        """
        outcome = Outcome()
        there = [canonical_json(m) for m in self._office.call("GET", "maps")["maps"]]
        for taught in (map_json(one) for one in self._intake.maps()):
            if canonical_json(taught) not in there:
                self._try(outcome, "a column map", partial(self._office.teach, taught))
        places: set[UUID] = set()
        for visit_id in marks.own_visits(self._intake.book.reader):
            view = self._intake.visit(visit_id)
            site, boiler = view.site, view.boiler
            known = True
            for kind, place in (("site", site), ("boiler", boiler)):
                if place is None or place.id is None or place.id in places:
                    continue
                places.add(place.id)
                known = self._send_document(outcome, kind, place, None) and known
            if known:
                self._send_visit(outcome, visit_id)
        return outcome

    def _try(self, outcome: Outcome, what: str, call: Callable[[], object]) -> bool:
        try:
            call()
        except Refused as error:
            outcome.refused.append(f"{what}: {error}")
            return False
        return True

    def _send_document(
        self,
        outcome: Outcome,
        kind: Any,
        document: Site | Boiler | Visit,
        version: int | None,
    ) -> bool:
        """Bring one document up; return whether both sides have it the same now."""
        assert document.id is not None
        identity, mine = document.id, _plain(document)
        name = f"{kind} {getattr(document, 'name', None) or identity}"
        local = version if version is not None else self._local_version(kind, identity)
        there = self._there(kind, identity)
        if there is None:
            sent = self._try(outcome, name, lambda: self._put(kind, identity, mine, None))
            if sent:
                self._mark(kind, identity, mine, local)
                outcome.done.append(f"{name} sent")
            return sent
        office, office_version = there
        if _hash(mine) == _hash(office):
            self._mark(kind, identity, mine, local)
            outcome.same += 1
            return True
        base = marks.common(self._intake.book.reader, self._address, kind, identity)
        mine_changed = base is None or base.sha256 != _hash(mine)
        office_changed = base is None or base.sha256 != _hash(office)
        stands = self._whose.get(identity)
        if (mine_changed and not office_changed) or stands == "mine":
            sent = self._try(outcome, name, lambda: self._put(kind, identity, mine, office_version))
            if sent:
                self._mark(kind, identity, mine, local)
                outcome.done.append(f"{name} sent")
            return sent
        if not mine_changed or stands == "office":
            self._take(kind, identity, office)
            outcome.done.append(f"{name} taken from the office")
            return True
        outcome.conflicts.append(Conflict(kind, identity, name, differences(mine, office)))
        return False

    def _there(self, kind: str, identity: UUID) -> tuple[JsonObject, int] | None:
        try:
            found, version = self._office.get_tagged(f"{kind}s/{identity}")
        except Refused as error:
            if error.status == 404:
                return None
            raise
        return (found["visit"] if kind == "visit" else found), version

    def _put(self, kind: str, identity: UUID, mine: JsonObject, version: int | None) -> JsonObject:
        return self._office.put_tagged(f"{kind}s/{identity}", _for_the_door(mine), version)

    def _local_version(self, kind: str, identity: UUID) -> int:
        if kind == "site":
            return self._intake.site(identity).version
        if kind == "boiler":
            return self._intake.boiler(identity).version
        return self._intake.visit(identity).version

    def _mark(self, kind: Any, identity: UUID, document: JsonObject, version: int) -> None:
        with self._intake.book.change(self._who) as change:
            marks.mark(change, self._address, kind, identity, _hash(document), version)

    def _take(self, kind: str, identity: UUID, office: JsonObject) -> None:
        """Put the office's document in place of ours."""
        stated = _for_the_door(office)
        if kind == "site":
            version = self._intake.put_site(Site.model_validate(stated), "office").version
        elif kind == "boiler":
            version = self._intake.put_boiler(Boiler.model_validate(stated), "office").version
        else:
            version = self._intake.put_visit(Visit.model_validate(stated), "office").version
        self._mark(kind, identity, office, version)

    def _send_visit(self, outcome: Outcome, visit_id: UUID) -> None:
        view = self._intake.visit(visit_id)
        name = f"visit {visit_id}"
        base = marks.common(self._intake.book.reader, self._address, "visit", visit_id)
        if base is not None and base.local_version == view.version:
            outcome.same += 1
            return
        there = self._there("visit", visit_id)
        state = None if there is None else self._office.visit(visit_id)["state"]
        if state in _FINISHED and view.state not in _FINISHED:
            outcome.refused.append(f"{name}: the office has it handed in; have it sent back")
            return
        if state not in _FINISHED and not self._send_document(
            outcome, "visit", view.visit, -1 if base is None else base.local_version
        ):
            return
        if state not in _FINISHED and not self._send_contents(outcome, name, visit_id):
            return
        if view.state in _FINISHED and not self._try(
            outcome, f"{name}, handing in", lambda: self._office.hand_in(visit_id)
        ):
            return
        self._mark("visit", visit_id, _plain(view.visit), view.version)
        outcome.done.append(f"{name} is with the office")
        self._told(outcome.done[-1])

    def _send_contents(self, outcome: Outcome, name: str, visit_id: UUID) -> bool:
        view = self._intake.visit(visit_id)
        logs = self._intake.logs(visit_id)
        sound = True
        for file in view.attachments:
            if file.withdrawn_at is not None:
                continue
            data = self._intake.evidence(file.sha256)
            what = f"{name}, {file.name}"
            if file.id in logs:
                sound &= self._send_log(outcome, what, visit_id, file, data)
            elif file.kind == "photo":
                caption = str(file.statement.get("caption", ""))
                sound &= self._try(
                    outcome,
                    what,
                    partial(self._office.send_photo, visit_id, data, file.name, caption=caption),
                )
            else:
                sound &= self._try(
                    outcome,
                    what,
                    partial(
                        self._office.send_stated,
                        visit_id,
                        data,
                        file.name,
                        _statement(file.statement),
                    ),
                )
        loose = [kept for kept in view.readings if kept.attachment_id is None]
        if loose:
            body = {"readings": [_posted(kept) for kept in loose], "units": dict(CANONICAL_UNITS)}
            send = partial(self._office.post_readings, visit_id, body)
            sound &= self._try(outcome, f"{name}, readings", send)
        return sound

    def _send_log(
        self, outcome: Outcome, what: str, visit_id: UUID, file: Attachment, data: bytes
    ) -> bool:
        cut = self._intake.log_cut(visit_id, file.id)
        stated = {**_statement(file.statement), "as_log": "true"}

        def call() -> None:
            self._office.send_stated(visit_id, data, file.name, stated)
            files = self._office.visit(visit_id)["files"]
            there = next(
                f["id"] for f in files if f["sha256"] == file.sha256 and f["withdrawn_at"] is None
            )
            corrections = [dict(c.operation) for c in cut.corrections]
            self._office.put_corrections(visit_id, there, corrections)
            if cut.confirmation is not None:
                self._office.confirm_cut(visit_id, there, len(corrections))

        return self._try(outcome, what, call)

    # Down

    def fetch(self, *, boiler_ids: Sequence[UUID] = ()) -> Outcome:
        """Bring sites, boilers and finished visits down, and what became of visits sent from here.

        What is due is then told by this book itself, also without signal.

        Raises
        ------
        Unreachable
            If the signal is gone; what was fetched stays.
        """
        outcome = Outcome()
        wanted = {str(b) for b in boiler_ids}
        for kind in ("site", "boiler"):
            for document in self._office.all(f"{kind}s", f"{kind}s"):
                if kind == "boiler" and wanted and document["id"] not in wanted:
                    continue
                self._fetch_document(outcome, kind, document)
        mine = set(marks.own_visits(self._intake.book.reader))
        for listed in self._office.all("visits", "visits", fields="id,boiler_id,state"):
            if wanted and listed["boiler_id"] not in wanted:
                continue
            visit_id = UUID(listed["id"])
            if visit_id in mine:
                self._fetch_decision(outcome, visit_id, listed["state"])
            elif listed["state"] in _FINISHED and listed["boiler_id"] is not None:
                self._fetch_past(outcome, visit_id)
        return outcome

    def _fetch_document(self, outcome: Outcome, kind: Any, office: JsonObject) -> None:
        identity = UUID(office["id"])
        name = f"{kind} {office.get('name', identity)}"
        try:
            kept: Any = (self._intake.site if kind == "site" else self._intake.boiler)(identity)
        except NotFound:
            self._take(kind, identity, office)
            outcome.done.append(f"{name} fetched")
            return
        mine = _plain(kept.document)
        if _hash(mine) == _hash(office):
            outcome.same += 1
            self._mark(kind, identity, office, kept.version)
            return
        base = marks.common(self._intake.book.reader, self._address, kind, identity)
        stands = self._whose.get(identity)
        if stands == "office" or (base is not None and base.sha256 == _hash(mine)):
            self._take(kind, identity, office)
            outcome.done.append(f"{name} fetched")
        elif stands == "mine" or (base is not None and base.sha256 == _hash(office)):
            outcome.same += 1  # ours goes up with the next sending
        else:
            outcome.conflicts.append(Conflict(kind, identity, name, differences(mine, office)))

    def _fetch_decision(self, outcome: Outcome, visit_id: UUID, state: str) -> None:
        """Follow what the office decided of a visit that was sent from here."""
        here = self._intake.visit(visit_id)
        if here.state != "handed_in" or state not in ("accepted", "sent_back"):
            return
        lines = self._office.call("GET", f"visits/{visit_id}/trail")["lines"]
        last = next(line for line in reversed(lines) if line["action"] == state)
        words = str(last["details"].get("words") or last["details"].get("note") or "")
        by = f"office: {last['who']}"[:100]
        if state == "accepted":
            self._intake.accept(visit_id, by, words or "accepted by the office")
        else:
            self._intake.send_back(visit_id, by, words)
        outcome.done.append(f"visit {visit_id} was {state.replace('_', ' ')}: {words}".rstrip(": "))

    def _fetch_past(self, outcome: Outcome, visit_id: UUID) -> None:
        try:
            self._intake.visit(visit_id)
            outcome.same += 1
            return
        except NotFound:
            pass
        whole = self._office.visit(visit_id)
        rows = list(self._office.all("readings", "readings", visit_id=str(visit_id)))
        visit = Visit.model_validate(_for_the_door(whole["visit"]))
        data = canonical_json({"visit": whole, "readings": rows}).encode()
        self._intake.bring_visit(
            visit.model_copy(update={"external_id": None, "job_id": None}),
            [_fetched(row) for row in rows],
            data,
            f"office-{visit_id}.json",
            self._who,
            owner="",
        )
        outcome.done.append(f"visit {visit_id} fetched")


def _statement(kept: Mapping[str, Any]) -> dict[str, str]:
    """Return a file's statement in the words of the upload."""
    stated = {k: str(kept[k]) for k in ("phase", "fuel", "burner", "response_time") if kept.get(k)}
    if kept.get("rates"):
        stated["rates"] = ",".join(f"{rate:g}" for rate in kept["rates"])
    if kept.get("line_ranges"):
        stated["line_ranges"] = canonical_json(kept["line_ranges"])
    return stated


def _posted(kept: KeptReading) -> JsonObject:
    reading = kept.reading
    found: JsonObject = {
        "id": str(kept.id),
        "values": dict(reading.values),
        "firing_rate": reading.firing_rate,
        "phase": reading.phase,
        "time": None if reading.time is None else reading.time.isoformat(),
        "fuel": reading.fuel,
        "burner": reading.burner,
        "missing": dict(reading.missing),
        "bounds": {k: {"above": b.above, "below": b.below} for k, b in reading.bounds.items()},
        "note": reading.note,
    }
    return {key: value for key, value in found.items() if value not in (None, {})}


def _fetched(row: JsonObject) -> Any:
    document = {
        "values": row["values"],
        "missing": row.get("missing") or {},
        "bounds": row.get("bounds") or {},
        "note": row.get("note"),
        "time": row.get("time"),
        "time_source": "stated" if row.get("time") else "none",
    }
    return reading_from(
        canonical_json({k: v for k, v in document.items() if v is not None}),
        phase=row.get("phase"),
        burner=row.get("burner"),
        fuel=row.get("fuel"),
        firing_rate=row.get("firing_rate"),
    )


def conflict_lines(conflict: Conflict) -> Iterator[str]:
    """Yield a conflict in words: each place with both versions."""
    yield f"{conflict.name} was changed here and at the office since both had it the same:"
    for place, (mine, office) in conflict.differences.items():
        yield f"  {place}: here {mine!r}, office {office!r}"
    yield f"  say whose stands: --mine {conflict.id} or --theirs {conflict.id}"
