"""A visit on its way to the office: document, files, readings, corrections, hand-in.

Its readings go up in the order in which they came here, because a rate that is measured again after
another one is a pass of its own. What the office has already is not sent again.
"""

from __future__ import annotations

from datetime import datetime
from functools import partial
from itertools import groupby
from uuid import UUID

from fluebook.client import Refused
from fluebook.field_book.chains import (
    Chain,
    Key,
    Record,
    Step,
    batches,
    chains,
    compared,
    fresh,
    records_here,
    records_there,
    standing,
)
from fluebook.field_book.documents import answer_there, document_thing, send_document, up
from fluebook.field_book.going import Going, Send
from fluebook.field_book.meeting import FINISHED, Meeting, last_of, plain
from fluebook.field_book.resolving import reading_conflict, settling
from fluebook.field_book.visit_files_up import file_sends
from ingest.dimensions import CANONICAL_UNITS

_MOST_AT_ONCE = 1000
"""Readings in one call: each call that arrives is done with, however short the signal lasts."""


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
        left = outcome.left
        differs = found[0]["visit"] != plain(view.visit) or _sends(going)
        if outcome.left > left:
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
    left = going.meeting.outcome.left
    for one in _sends(going):
        going.meeting.attempt(one.what, one.call)
    return going.meeting.outcome.left == left


def _sends(going: Going) -> list[Send]:
    here = records_here(going.meeting.intake, going.id)
    sends = [*file_sends(going), *_loose(going, here), *_corrections(going, here)]
    return sorted(sends, key=lambda one: one.at)


def _loose(going: Going, here: list[Record]) -> list[Send]:
    """Return the typed and posted readings that the office lacks, in the order they came."""
    known = {record.id for record in going.there}
    roots = {chain.root.id for chain in chains(here).values()}
    found: list[Send] = []
    new = [r for r in here if r.file is None and r.id in roots and r.id not in known]
    # Readings that stand one behind the other go together.
    for _, run in groupby(enumerate(new), lambda one: going.place[one[1].id] - one[0]):
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
        theirs = office.get(key) or Chain(key, [fresh(mine.root)])
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
