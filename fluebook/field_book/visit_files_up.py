"""The files of a visit that the office lacks, and the cuts of its logs, as things to send."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

from fluebook.field_book.cuts import LogThere, bringing
from fluebook.field_book.files_up import same_said, send_file
from fluebook.field_book.going import Going, Send
from fluebook.field_book.meeting import FINISHED
from ingest.store.readings import Attachment


def file_sends(going: Going) -> list[Send]:
    """Return the files that the office lacks, and the cuts of logs that are ahead of its own."""
    meeting, logs = going.meeting, going.meeting.intake.logs(going.id)
    found: list[Send] = []
    for n, file in enumerate(going.view.attachments):
        there, what = going.file_there(file.sha256), f"{going.name}, {file.name}"
        if file.withdrawn_at is not None:
            _withdrawn(going, file, there)
            continue
        if _otherwise_there(going, file, there):
            continue
        at = going.place.get(file.id, len(going.place) + n)
        if there is None:
            found.append(Send(at, what, partial(send_file, meeting, going.id, file)))
        if file.id in logs:
            send = _cut_sent(going, file, there, at + 0.1)
            found += [] if send is None else [send]
    return found


def _otherwise_there(going: Going, file: Attachment, there: str | None) -> bool:
    """Return whether the office withdrew a file or holds it as stated before; say what to do."""
    told, name = going.meeting.outcome.refused, f"{going.name}: {file.name}"
    same = [
        one
        for one in going.files
        if one["sha256"] == file.sha256 and same_said(file.statement, one["statement"])
    ]
    if there is None:
        if any(one["withdrawn_at"] is not None for one in same):
            told.append(f"{name} was withdrawn at the office; fetch takes it out here, too")
            return True
    elif not any(one["id"] == there for one in same):
        told.append(
            f"{name} was handed over again here with another statement; the office has it with the "
            "former one: let it be withdrawn there, then send again"
        )
        return True
    return False


def _cut_sent(going: Going, file: Attachment, there: str | None, at: float) -> Send | None:
    """Return what brings a log's cut up; what either side refuses is said, and the rest goes on."""
    name = f"{going.name}, the cut of {file.name}"
    if there is None:
        return Send(at, name, partial(_fresh_cut, going, file, name))
    ways: list[Callable[[], object]] = []

    def look() -> None:
        log = LogThere(going.id, file.id, there, name)
        signed = going.view.state in FINISHED
        way = bringing(going.meeting, log, up=True, signed=signed)
        ways.extend([] if way is None else [way])

    going.meeting.attempt(name, look)
    return Send(at, name, ways[0]) if ways else None


def _withdrawn(going: Going, file: Attachment, there: str | None) -> None:
    again = any(a.sha256 == file.sha256 and a.withdrawn_at is None for a in going.view.attachments)
    if there is not None and not again:
        going.meeting.outcome.stays.append(
            f"{going.name}: {file.name} was withdrawn here ({file.withdrawn_why}); the office has "
            "it still, withdraw it there"
        )


def _fresh_cut(going: Going, file: Attachment, name: str) -> None:
    """Bring the cut of a log up that the office did not have before."""
    going.files = going.meeting.office.visit(going.id)["files"]
    there = going.file_there(file.sha256)
    if there is None:
        return  # it was refused, and that is said
    way = bringing(going.meeting, LogThere(going.id, file.id, there, name), up=True)
    if way is not None:
        way()
