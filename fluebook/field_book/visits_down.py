"""Visits on their way down: finished ones as history, and what became of those sent from here."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from typing import Any
from uuid import UUID

from fluebook.client import JsonObject
from fluebook.field_book.chains import (
    Chain,
    Record,
    Step,
    chains,
    compared,
    fetched,
    line_from,
    records_here,
    records_there,
    standing,
)
from fluebook.field_book.cuts import LogThere, bringing, logs_there
from fluebook.field_book.documents import document_thing, down
from fluebook.field_book.files_down import fetch_files
from fluebook.field_book.meeting import FINISHED, Meeting, for_the_door, hash_of, last_of
from fluebook.field_book.resolving import follow, reading_conflict, said_by, settling
from ingest.intake import OPEN_STATES
from ingest.models import Visit
from ingest.service.job import Job, with_job
from ingest.store import NotFound
from ingest.store.audit import canonical_json
from ingest.store.field import FETCHED_AS


def fetch_visit(meeting: Meeting, visit_id: UUID, listed: JsonObject, *, own: bool) -> None:
    """Bring down what is new at the office of one visit; ``listed`` is its row in the list."""
    stands_at = {"state": listed["state"], "version": listed["version"]}
    known = meeting.common("past_visit", visit_id)
    if known is not None and known.sha256 == hash_of(stands_at):
        meeting.outcome.same += 1
        return
    left = meeting.outcome.left
    if own:
        _follow_own(meeting, visit_id)
    else:
        _fetch_past(meeting, visit_id)
    if meeting.outcome.left == left:
        meeting.mark("past_visit", visit_id, stands_at, 0)


# Visits that were made here


def _follow_own(meeting: Meeting, visit_id: UUID) -> None:
    intake, name = meeting.intake, f"visit {visit_id}"
    office, lines = meeting.office.visit(visit_id), _trail(meeting, visit_id)
    base, before = meeting.common("visit", visit_id), intake.visit(visit_id)
    touched = base is None or base.local_version != before.version
    if _times(lines, "sent_back") > _times(intake.trail(visit_id), "sent_back"):
        last = last_of(lines, "sent_back")
        words = str(last["details"].get("words") or "")
        if before.state == "handed_in":
            intake.send_back(visit_id, said_by(last["who"]), words)
        if before.state == "handed_in" or office["state"] == "sent_back":
            meeting.done(f"{name} was sent back: {words}")
    if intake.visit(visit_id).state in OPEN_STATES:
        _bring_contents(meeting, visit_id, name, office, lines)
        if office["state"] in FINISHED:
            if touched:
                meeting.outcome.refused.append(
                    f"{name}: it is handed in at the office and was changed here; have it sent back"
                )
                return
            who = said_by(last_of(lines, "handed_in")["who"])
            if meeting.attempt(f"{name}, handing in", lambda: intake.hand_in(visit_id, who)):
                meeting.done(f"{name} was handed in at the office")
    if intake.visit(visit_id).state == "handed_in" and office["state"] == "accepted":
        last = last_of(lines, "accepted")
        note = str(last["details"].get("note") or "")
        intake.accept(visit_id, said_by(last["who"]), note or "accepted by the office")
        meeting.done(f"{name} was accepted: {note}".rstrip(": "))
    now = intake.visit(visit_id)
    if not touched and now.version != before.version and now.state in FINISHED:
        meeting.mark("visit", visit_id, office["visit"], now.version)


def _trail(meeting: Meeting, visit_id: UUID) -> list[JsonObject]:
    lines: list[JsonObject] = meeting.office.call("GET", f"visits/{visit_id}/trail")["lines"]
    return lines


def _times(lines: list[dict[str, Any]], action: str) -> int:
    return sum(line["action"] == action for line in lines)


def _bring_contents(
    meeting: Meeting, visit_id: UUID, name: str, office: JsonObject, lines: list[JsonObject]
) -> None:
    """Bring an open visit's document, files, corrections and readings down."""
    base = meeting.common("visit", visit_id)
    version = -1 if base is None else base.local_version
    down(meeting, document_thing(meeting, "visit", visit_id, version=version), office["visit"])
    taken = fetch_files(meeting, visit_id, name, office["files"], lines)
    here = records_here(meeting.intake, visit_id)
    there = records_there(meeting.office, visit_id, office["files"])
    both = {"mine": standing(here), "office": standing(there)}
    mine = chains(here)
    for key, theirs in chains(there).items():
        if key in mine:
            _corrections(meeting, visit_id, name, mine[key], theirs, both)
        elif theirs.root.file is None and theirs.last is not None:
            _add(meeting, visit_id, name, theirs.last, here)
    for log in logs_there(meeting, visit_id, office["files"], name):
        if log.there in taken:
            continue
        meeting.attempt(log.name, partial(_follow_cut, meeting, log))


def _corrections(
    meeting: Meeting,
    visit_id: UUID,
    name: str,
    mine: Chain,
    theirs: Chain,
    both: dict[str, set[str]],
) -> None:
    ahead = compared(mine, theirs, both)
    if ahead == "office":
        _follow_steps(meeting, name, mine.records[-1].id, theirs.steps(len(mine.path)))
    elif ahead == "apart":
        call = settling(meeting, visit_id, mine, theirs)
        if call is None:
            reading_conflict(meeting, name, mine, theirs)
        elif meeting.attempt(f"{name}, a correction", call):
            meeting.done(f"{name}: of two corrections one stands now")


def _follow_steps(
    meeting: Meeting, name: str, old: str, steps: Sequence[Step], *, past: bool = False
) -> None:
    """Make corrections of the office here, from our reading of that id on."""
    for step in steps:
        call = partial(follow, meeting, old, step, past=past)
        if not meeting.attempt(f"{name}, a correction", call):
            return
        old = "" if step.new is None else step.new.id
        meeting.done(f"{name}: a reading was corrected at the office: {step.old.why}")


def _add(meeting: Meeting, visit_id: UUID, name: str, record: Record, here: list[Record]) -> None:
    if any(one.id == record.id for one in here):
        return
    given = [(UUID(record.id), fetched(record.body))]
    if meeting.attempt(
        f"{name}, a reading of the office",
        lambda: meeting.intake.add_readings(visit_id, given, meeting.who),
    ):
        meeting.done(f"{name}: a reading of the office was fetched")


def _follow_cut(meeting: Meeting, log: LogThere) -> None:
    way = bringing(meeting, log, up=False)
    if way is not None:
        way()
        meeting.done(f"{log.name} is the same on both sides now")


# History


def _fetch_past(meeting: Meeting, visit_id: UUID) -> None:
    """Bring a finished visit down once, and later what was corrected of it."""
    whole = meeting.office.visit(visit_id)
    name = f"visit {visit_id}"
    try:
        meeting.intake.visit(visit_id)
    except NotFound:
        pass
    else:
        _correct_past(meeting, visit_id, name, whole)
        return
    rows = list(meeting.office.all("readings", "readings", visit_id=str(visit_id)))
    visit = Visit.model_validate(for_the_door(whole["visit"]))
    if whole["job"] is not None:  # as it was when the visit was handed in
        visit = with_job(visit, Job.model_validate(for_the_door(whole["job"])))

    def call() -> None:
        meeting.intake.bring_visit(
            visit.model_copy(update={"external_id": None, "job_id": None}),
            [fetched(row) for row in rows],
            canonical_json({"visit": whole, "readings": rows}).encode(),
            FETCHED_AS.format(visit_id),
            meeting.who,
            owner="",
            ids=[UUID(row["id"]) for row in rows],
        )

    if meeting.attempt(name, call):
        meeting.done(f"{name} fetched")


def _correct_past(meeting: Meeting, visit_id: UUID, name: str, whole: JsonObject) -> None:
    there = records_there(meeting.office, visit_id, whole["files"], by_file=False)
    by_id = {record.id: record for record in there}
    lost = 0
    for record in records_here(meeting.intake, visit_id):
        if record.gone:
            continue
        theirs = by_id.get(record.id)
        if theirs is None:
            lost += 1
            continue
        steps = Chain(("", record.id), line_from(theirs, by_id)).steps()
        _follow_steps(meeting, name, record.id, steps, past=True)
    here = standing(records_here(meeting.intake, visit_id))
    if here != standing(there) or lost:
        meeting.outcome.stays.append(
            f"{name}: its history here was fetched before it was changed at the office; look it "
            "up there"
        )
    else:
        meeting.outcome.same += 1
