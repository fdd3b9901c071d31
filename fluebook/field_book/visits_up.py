"""A visit on its way to the office: document, files, readings, corrections, hand-in.

Its readings go up in the order in which they came here, because a rate that is measured again after
another one is a pass of its own. What the office has already is not sent again.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import datetime
from functools import partial
from itertools import groupby
from uuid import UUID

from fluebook.client import JsonObject, Refused
from fluebook.field_book.chains import (
    Chain,
    Key,
    Record,
    Step,
    batches,
    chains,
    compared,
    records_here,
    records_there,
    standing,
)
from fluebook.field_book.documents import answer_there, document_thing, send_document, up
from fluebook.field_book.files_up import cut_differs, send_cut, send_file
from fluebook.field_book.meeting import FINISHED, Meeting, last_of, plain
from fluebook.field_book.resolving import reading_conflict, settling
from ingest.dimensions import CANONICAL_UNITS
from ingest.intake import VisitView
from ingest.intake_cuts import LogCut
from ingest.store.readings import Attachment

_MOST_AT_ONCE = 1000
"""Readings in one call: each call that arrives is done with, however short the signal lasts."""


@dataclass(slots=True)
class Going:
    """One visit on its way, and what the office has of it so far."""

    meeting: Meeting
    view: VisitView
    id: UUID
    name: str
    files: list[JsonObject] = field(default_factory=list)
    there: list[Record] = field(default_factory=list)
    place: dict[UUID | str, int] = field(default_factory=dict)
    """Where each reading stands among all of the visit's, and each file with its first one."""

    def __post_init__(self) -> None:
        logs = self.meeting.intake.logs(self.id)
        for n, kept in enumerate(self.meeting.intake.all_readings(self.id)):
            self.place[str(kept.id)] = n
            # A log's cut that was confirmed anew took the readings of the one before out.
            if kept.attachment_id is not None and not (
                kept.superseded_at and kept.attachment_id in logs
            ):
                self.place.setdefault(kept.attachment_id, n)

    def look(self) -> None:
        """Look at what the office has now."""
        self.files = self.meeting.office.visit(self.id)["files"]
        self.there = records_there(self.meeting.office, self.id, self.files)

    def corrected(self, old: Record, new: Record | None) -> None:
        """Know of a correction that the office has just taken, without asking it again."""
        gone = replace(old, gone=True, by=None if new is None else new.id)
        self.there = [gone if record.id == old.id else record for record in self.there]
        if new is not None and all(record.id != new.id for record in self.there):
            self.there.append(_fresh(new))

    def file_there(self, sha256: str) -> str | None:
        """Return the office's id of a file that it holds."""
        for file in self.files:
            if file["sha256"] == sha256 and file["withdrawn_at"] is None:
                return str(file["id"])
        return None


@dataclass(frozen=True, slots=True)
class Send:
    """One thing to send; ``at`` orders it among the visit's readings."""

    at: float
    what: str
    call: Callable[[], object]


def send_visit(meeting: Meeting, visit_id: UUID) -> None:
    """Bring one visit up, and hand it in where it is handed in here."""
    view = meeting.intake.visit(visit_id)
    outcome, name = meeting.outcome, f"visit {visit_id}"
    base = meeting.common("visit", visit_id)
    if base is not None and base.local_version == view.version:
        outcome.same += 1
        return
    found = answer_there(meeting, "visit", visit_id)
    state = None if found is None else found[0]["state"]
    going = Going(meeting, view, visit_id, name)
    if found is not None:
        going.files = found[0]["files"]
        going.there = records_there(meeting.office, visit_id, going.files)
    if state in FINISHED:
        assert found is not None
        conflicts = len(outcome.conflicts)
        differs = found[0]["visit"] != plain(view.visit) or _sends(going)
        if len(outcome.conflicts) > conflicts:
            return
        if view.state not in FINISHED or differs:
            outcome.refused.append(
                f"{name}: the office has it handed in as it was before it was changed here; have "
                "it sent back, then send again"
            )
            return
    else:
        version = -1 if base is None else base.local_version
        thing = document_thing(meeting, "visit", visit_id, version=version)
        there = None if found is None else (found[0]["visit"], found[1])
        if up(meeting, thing, there) != "same" or not _sent(going):
            return
        if view.state in FINISHED and not _handed_in(going):
            return
    now = meeting.intake.visit(visit_id)
    if now.version == view.version:
        meeting.mark("visit", visit_id, plain(view.visit), view.version)
    meeting.done(f"{name} is with the office")


def _sent(going: Going) -> bool:
    """Send what the office lacks of a visit; return whether it has all of it."""
    sound = True
    conflicts = len(going.meeting.outcome.conflicts)
    for one in _sends(going):
        sound &= going.meeting.attempt(one.what, one.call)
    return sound and len(going.meeting.outcome.conflicts) == conflicts


def _sends(going: Going) -> list[Send]:
    here = records_here(going.meeting.intake, going.id)
    sends = [*_files(going), *_loose(going, here), *_corrections(going, here)]
    return sorted(sends, key=lambda one: one.at)


def _files(going: Going) -> list[Send]:
    """Return the files that the office lacks, and the cuts of logs that are ahead of its own."""
    meeting, logs = going.meeting, going.meeting.intake.logs(going.id)
    found: list[Send] = []
    for n, file in enumerate(going.view.attachments):
        there, what = going.file_there(file.sha256), f"{going.name}, {file.name}"
        if file.withdrawn_at is not None:
            _withdrawn(going, file, there)
            continue
        at = going.place.get(file.id, len(going.place) + n)
        if there is None:
            found.append(Send(at, what, partial(send_file, meeting, going.id, file)))
        if file.id in logs:
            cut = meeting.intake.log_cut(going.id, file.id)
            if cut_differs(meeting, cut, going.id, there):
                call = partial(_sent_cut, going, file, cut)
                found.append(Send(at + 0.1, f"{what}, its cut", call))
    return found


def _withdrawn(going: Going, file: Attachment, there: str | None) -> None:
    again = any(a.sha256 == file.sha256 and a.withdrawn_at is None for a in going.view.attachments)
    if there is not None and not again:
        going.meeting.outcome.stays.append(
            f"{going.name}: {file.name} was withdrawn here ({file.withdrawn_why}); the office has "
            "it still, withdraw it there"
        )


def _sent_cut(going: Going, file: Attachment, cut: LogCut) -> None:
    there = going.file_there(file.sha256)
    if there is None:
        going.files = going.meeting.office.visit(going.id)["files"]
        there = going.file_there(file.sha256)
    if there is not None:  # else it was refused, and that is said
        send_cut(going.meeting, going.id, there, cut)


def _loose(going: Going, here: list[Record]) -> list[Send]:
    """Return the typed and posted readings that the office lacks, in the order they came."""
    known = {record.id for record in going.there}
    roots = {chain.root.id for chain in chains(here).values()}
    found: list[Send] = []
    fresh = [r for r in here if r.file is None and r.id in roots and r.id not in known]
    # Readings that stand one behind the other go together.
    for _, run in groupby(enumerate(fresh), lambda one: going.place[one[1].id] - one[0]):
        together = [record for _, record in run]
        for body in batches(together, _MOST_AT_ONCE):
            post = partial(going.meeting.office.post_readings, going.id, body)
            found.append(Send(going.place[together[0].id], f"{going.name}, readings", post))
    return found


def _corrections(going: Going, here: list[Record]) -> list[Send]:
    """Return the corrections that the office lacks; show those that both made differently."""
    end = len(going.place)
    office, both = chains(going.there), _standing(going, here)
    found: list[Send] = []
    for key, mine in chains(here).items():
        theirs = office.get(key) or Chain(key, [_fresh(mine.root)])
        ahead = compared(mine, theirs, both)
        if ahead == "mine":
            for step in mine.steps(len(theirs.path)):
                at = end if step.new is None else going.place[step.new.id]
                call = partial(_superseded, going, key, step)
                found.append(Send(at + 0.2, f"{going.name}, a correction", call))
        elif ahead == "apart" or (ahead == "office" and going.view.state in FINISHED):
            settle = settling(going.meeting, going.id, mine, theirs)
            if settle is None:
                reading_conflict(going.meeting, going.name, mine, theirs)
            else:
                found.append(Send(end, f"{going.name}, a correction", settle))
    return found


def _standing(going: Going, here: list[Record]) -> dict[str, set[str]]:
    return {"mine": standing(here), "office": standing(going.there)}


def _fresh(root: Record) -> Record:
    """Return a reading as it first comes to the office."""
    return replace(root, gone=False, by=None)


def _superseded(going: Going, key: Key, step: Step) -> None:
    """Send one correction, once: looked for at the office before, and after a lost answer."""
    old = _old_there(going, key, step)
    if old is None:
        going.look()
        old = _old_there(going, key, step)
    if old is None:
        return  # its file was refused, and that is said
    if step.old.id != old.id and step.old.says != old.says:
        raise Refused(409, {"title": "the file is read otherwise", "detail": _OTHERWISE})
    if old.gone:
        return
    body = None if step.new is None else step.new.body
    if step.new is not None and any(r.id == step.new.id for r in going.there):
        body = None  # an older program sent it as a reading of its own
    try:
        going.meeting.office.supersede(
            old.id,
            body,
            step.old.why or "corrected in the field book",
            units=CANONICAL_UNITS,
            who=step.old.who,
            made_at=step.old.gone_at,
        )
    except Refused as error:
        going.look()
        now = _old_there(going, key, step)
        if error.status != 409 or now is None or not now.gone:
            raise
    else:
        going.corrected(old, step.new)


_OTHERWISE = (
    "the office's program reads this file otherwise than this one; correct the reading there"
)


def _old_there(going: Going, key: Key, step: Step) -> Record | None:
    chain = chains(going.there).get(key)
    if chain is not None and (step.old.id == chain.root.id or (key[0] and step.old.file == key[0])):
        return chain.root
    return next((record for record in going.there if record.id == step.old.id), None)


def _handed_in(going: Going) -> bool:
    """Hand the visit in as it was handed in here: under that name, with what was signed."""
    meeting = going.meeting
    line = last_of(meeting.intake.trail(going.id), "handed_in")
    signed = line["details"]
    if not _job_as_signed(going):
        return False
    call = partial(
        meeting.office.hand_in,
        going.id,
        who=str(line["who"]),
        printed_name=str(signed.get("printed_name") or ""),
        signed_at=datetime.fromisoformat(line["at"]),
        signed_report_sha256=signed.get("report_sha256"),
    )
    return meeting.attempt(f"{going.name}, handing in", call)


def _job_as_signed(going: Going) -> bool:
    """Let the office judge with the job as it was at hand-in here, where it was changed since."""
    job, meeting = going.view.job, going.meeting
    if job is None or job.id is None:
        return True
    if plain(job) == plain(meeting.intake.job(job.id).document):
        return True
    return send_document(meeting, "job", job.id, mine=plain(job)) in ("same", "kept")
