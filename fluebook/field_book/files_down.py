"""Files and pictures of a visit that only the office has: fetched whole, each in one change.

Each is known by its bytes and looked at by its hash before it is taken in. A transfer that broke
off goes on where it was; a file that is in this book is not fetched again.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from uuid import UUID

from fluebook.client import JsonObject
from fluebook.field_book.cuts import LogThere, bringing
from fluebook.field_book.files_up import same_said, statement_from
from fluebook.field_book.meeting import Meeting, last_of
from fluebook.field_book.resolving import said_by
from ingest.how_read import HowRead
from ingest.store.readings import Attachment

MOST = 64 * 1024 * 1024
"""Bytes of one file that is fetched: as many as an office takes where it states nothing else."""


def fetch_files(
    meeting: Meeting,
    visit_id: UUID,
    name: str,
    files: Sequence[JsonObject],
    lines: Sequence[JsonObject],
) -> set[str]:
    """Bring the office's files of an open visit down; take out here what it withdrew.

    ``files`` are those of the office's answer, ``lines`` those of its trail. What was withdrawn
    here does not come back. Returns the office's ids of those that were taken, logs with their
    cuts.
    """
    taken = set()
    here = {a.sha256: a for a in meeting.intake.visit(visit_id).attachments}
    live = {file["sha256"] for file in files if file["withdrawn_at"] is None}
    for file in files:
        mine, what = here.get(file["sha256"]), f"{name}, {file['name']}"
        if file["withdrawn_at"] is not None:
            gone = mine is not None and mine.withdrawn_at is None and file["sha256"] not in live
            if mine is not None and gone and same_said(mine.statement, file["statement"]):
                call = partial(_withdraw, meeting, visit_id, mine, lines)
                if meeting.attempt(what, call):
                    meeting.done(f"{what} was withdrawn at the office")
        elif mine is None and file["size"] > MOST:
            meeting.outcome.stays.append(
                f"{what} was added at the office and is larger than {MOST // 1024**2} MB; look at "
                "it there"
            )
        elif mine is None and meeting.attempt(what, partial(_take, meeting, visit_id, what, file)):
            meeting.done(f"{what} was added at the office and is fetched")
            taken.add(str(file["id"]))
    return taken


def _withdraw(
    meeting: Meeting, visit_id: UUID, file: Attachment, lines: Sequence[JsonObject]
) -> None:
    of_it = [one for one in lines if one["details"].get("sha256") == file.sha256]
    last = last_of(of_it, "file_withdrawn")
    why = str(last["details"].get("why") or "withdrawn at the office")
    meeting.intake.withdraw_file(visit_id, file.id, said_by(last["who"]), why)


def _take(meeting: Meeting, visit_id: UUID, what: str, file: JsonObject) -> None:
    intake, data = meeting.intake, meeting.office.evidence(file["sha256"], MOST)
    who, called, kept = said_by(file["added_by"]), str(file["name"]), file["statement"]
    if file["kind"] == "photo":
        caption = str(kept.get("caption", ""))
        intake.add_photo(visit_id, data, called, who, caption=caption)
        return
    stated = statement_from(kept)
    how = HowRead.from_json({"zone": None, **kept["read"]}) if kept.get("read") else None
    if not kept.get("as_log"):
        options = None if how is None else how.options()
        intake.add_file(visit_id, data, called, who, statement=stated, options=options)
        return
    office = meeting.office.log_cut(visit_id, file["id"])
    time = office.get("response_time")
    cut, _ = intake.add_log(
        visit_id, data, called, who, statement=stated, options=how, response_time=time
    )
    log = LogThere(visit_id, cut.attachment.id, file["id"], f"{what}, its cut")
    way = bringing(meeting, log, up=False, office=office)
    if way is not None:
        way()
