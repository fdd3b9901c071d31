"""A log's cut brought from one side to the other; where both went on, settled as a person says."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from uuid import UUID

from fluebook.client import JsonObject
from fluebook.field_book.cut_sides import CutSide, TwoCuts, across, two_cuts
from fluebook.field_book.meeting import Meeting
from fluebook.field_book.resolving import said_by
from ingest.cut_operations import operation_from
from ingest.store import StateConflict

_MOST_AT_ONCE = 500
"""Corrections in one call, as many as the API takes."""


@dataclass(frozen=True, slots=True)
class LogThere:
    """A log of a visit on both sides: its file's id in each book, and what to call it."""

    visit_id: UUID
    here: UUID
    there: str
    name: str


def cuts_of(meeting: Meeting, log: LogThere, office: JsonObject | None = None) -> TwoCuts:
    """Look at a log's cut on both sides; raise what either side refuses.

    ``office`` is the office's where it was answered just now.
    """
    cut = meeting.intake.log_cut(log.visit_id, log.here)
    if office is None:
        office = meeting.office.log_cut(log.visit_id, log.there)
    try:
        return two_cuts(meeting, cut, office)
    except (TypeError, KeyError) as error:  # of a newer program
        raise StateConflict(f"the office's cut has what is not known here: {error}") from error


def bringing(
    meeting: Meeting,
    log: LogThere,
    *,
    up: bool,
    signed: bool = False,
    office: JsonObject | None = None,
) -> Callable[[], object] | None:
    """Return what brings a log's cut up or down, None where nothing is to be done.

    Where both went on, both versions are shown, or what settles it as a person said is returned.
    ``signed`` says that the visit is handed in here: then it does not follow the office unasked.
    ``office`` as :func:`cuts_of` takes it.
    """
    cuts = cuts_of(meeting, log, office)
    ahead = cuts.ahead()
    if ahead == "same":
        _mark_past(meeting, log, cuts)
        return None
    if ahead == "mine":
        return partial(_send, meeting, log, cuts) if up else None
    if ahead == "office" and not (up and signed):
        return None if up else partial(_follow, meeting, log, cuts)
    whose = meeting.stands(log.here)
    if whose is None:
        meeting.conflict("cut", log.here, log.name, *cuts.shown())
        return None
    return partial(_settle_mine if whose == "mine" else _settle_office, meeting, log, cuts)


def _send(meeting: Meeting, log: LogThere, cuts: TwoCuts) -> None:
    """Add what the office lacks, and confirm as many corrections as were confirmed here."""
    mine, office = cuts.mine, cuts.office
    if mine.standing() == office.standing():
        return _settle_mine(meeting, log, cuts)
    _bring(
        *_lacking(mine, cuts.met[0], office, cuts.met[1]),
        after=len(office.operations),
        add=partial(_post, meeting, log),
        confirm=partial(meeting.office.confirm_cut, log.visit_id, log.there),
    )
    return None


def _bring(
    lacking: Sequence[JsonObject],
    confirmed: int | None,
    *,
    after: int,
    add: Callable[[Sequence[JsonObject], int], object],
    confirm: Callable[[int], object],
) -> None:
    """Add what a side lacks after so many of its own, and confirm it where the other side did."""
    add(lacking[:confirmed], after)
    if confirmed is not None:
        confirm(after + confirmed)
        add(lacking[confirmed:], after + confirmed)


def _lacking(
    further: CutSide, its_past: int, other: CutSide, past: int
) -> tuple[list[JsonObject], int | None]:
    """Return what one side has after the other's, and after how many of them it is confirmed."""
    known = len(other.operations) - past
    lacking = list(further.operations[its_past + known :])
    if further.confirmed is None or further.confirmed_standing() == other.confirmed_standing():
        return lacking, None
    at = further.confirmed - its_past - known
    return lacking, at if at >= 0 else None


def _post(meeting: Meeting, log: LogThere, lacking: Sequence[JsonObject], known: int) -> None:
    for n in range(0, len(lacking), _MOST_AT_ONCE):
        some = lacking[n : n + _MOST_AT_ONCE]
        meeting.office.add_corrections(log.visit_id, log.there, some, after=known + n)


def _follow(meeting: Meeting, log: LogThere, cuts: TwoCuts) -> None:
    """Make the office's corrections here, and confirm as many as it confirmed."""
    mine, office = cuts.mine, cuts.office
    if mine.standing() == office.standing():
        return _settle_office(meeting, log, cuts)
    _bring(
        *_lacking(office, cuts.met[1], mine, cuts.met[0]),
        after=len(mine.operations),
        add=partial(_correct, meeting, log),
        confirm=lambda known: meeting.intake.confirm_cut(
            log.visit_id, log.here, "office", corrections=known
        ),
    )
    return None


def _correct(meeting: Meeting, log: LogThere, lacking: Sequence[JsonObject], known: int) -> None:
    fresh = [operation_from(one) for one in lacking]
    if not fresh:  # else the log would be cut twice, to add nothing
        return
    meeting.intake.correct_cut(log.visit_id, log.here, fresh, "office", after=known)


def _settle_mine(meeting: Meeting, log: LogThere, cuts: TwoCuts) -> None:
    mine, office = cuts.mine, cuts.office
    _must_be_confirmed(mine, office, "here", "the office's")
    way = across(office.standing(), mine.standing(mine.confirmed))
    known = len(office.operations)
    _post(meeting, log, [one.as_json() for one in way], known)
    if mine.confirmed is not None:
        meeting.office.confirm_cut(log.visit_id, log.there, known + len(way))
        _post(meeting, log, mine.operations[mine.confirmed :], known + len(way))
    _mark_past(meeting, log, cuts_of(meeting, log))


def _settle_office(meeting: Meeting, log: LogThere, cuts: TwoCuts) -> None:
    """Put the office's cut in place of ours; a visit that is handed in here is open again then."""
    intake = meeting.intake
    mine, office = cuts.mine, cuts.office
    _must_be_confirmed(office, mine, "at the office", "yours")
    if intake.visit(log.visit_id).state == "handed_in":
        by = said_by(office.who[-1] if office.who else None)
        intake.send_back(log.visit_id, by, f"{log.name} was corrected at the office")
    way = across(mine.standing(), office.standing(office.confirmed))
    known = len(mine.operations)
    if way:
        intake.correct_cut(log.visit_id, log.here, way, "office", after=known)
    if office.confirmed is not None:
        known += len(way)
        intake.confirm_cut(log.visit_id, log.here, "office", corrections=known)
        _correct(meeting, log, office.operations[office.confirmed :], known)
    _mark_past(meeting, log, cuts_of(meeting, log))


def _must_be_confirmed(stands: CutSide, gives_way: CutSide, where: str, whose: str) -> None:
    if stands.confirmed is None and gives_way.confirmed is not None:
        raise StateConflict(
            f"the cut that is to stand is not confirmed, and {whose} is judged already: confirm it "
            f"{where} first"
        )


def _mark_past(meeting: Meeting, log: LogThere, cuts: TwoCuts) -> None:
    """Write how far both lists are the same cut, where they came there on different ways."""
    if cuts.mine.standing() == cuts.office.standing() and (
        cuts.mine.operations != cuts.office.operations
    ):
        meeting.mark("cut", log.here, cuts.office.operations, len(cuts.mine.operations))


def logs_there(
    meeting: Meeting, visit_id: UUID, files: Sequence[JsonObject], name: str
) -> Iterator[LogThere]:
    """Yield the logs that both books hold, withdrawn in neither."""
    logs = meeting.intake.logs(visit_id)
    here = {
        a.sha256: a
        for a in meeting.intake.visit(visit_id).attachments
        if a.withdrawn_at is None and a.id in logs
    }
    for file in files:
        if file["withdrawn_at"] is None and file["sha256"] in here:
            mine = here[file["sha256"]]
            yield LogThere(visit_id, mine.id, file["id"], f"{name}, the cut of {mine.name}")
