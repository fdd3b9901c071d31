"""The cut of a continuous log: looked at, corrected, confirmed. The log itself stays as it came."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from fastapi import APIRouter, Response
from pydantic import Field

from api.answers import refuses
from api.cut_json import cut_json, problem_of_correction
from api.routes.shared import Expected, IntakeOf, Who, tagged
from api.shapes import point_json
from ingest.cut_operations import CutOperation, OperationName
from ingest.intake import Intake
from ingest.intake_cuts import LogCut
from ingest.judge_json import judge_json
from ingest.sent import Sent
from parsers import Phase
from parsers.cut_corrections import CorrectionError

router = APIRouter(prefix="/v1/visits/{visit_id}/logs/{attachment_id}", tags=["logs"])


class PostedCorrection(Sent):
    """One correction of a cut; times are seconds of the log."""

    action: OperationName = Field(
        description="move: the boundary nearest `at` goes to `to`. split: at `at`. join: the "
        "boundary nearest `at` goes. rate: the plateau around `at` was fired at `rate`. drop: it "
        "is no firing point. keep: the stretch around `at` is one. phase: the plateau around "
        "`at`, or every plateau without it, was taken in `phase`. undo: the last correction that "
        "stands is taken back."
    )
    at: float | None = Field(default=None, ge=0, description="Seconds since the log's start.")
    to: float | None = Field(default=None, ge=0, description="Seconds since the log's start.")
    rate: float | None = Field(default=None, ge=0, le=110, description="Percent.")
    phase: Phase | None = None
    why: str = Field(default="", max_length=500)


class Corrections(Sent):
    """Corrections to be added to those that the cut has."""

    corrections: list[PostedCorrection] = Field(min_length=1, max_length=500)
    after: int | None = Field(
        default=None, ge=0, description="How many corrections the sender knew of."
    )


class AllCorrections(Sent):
    """Every correction of the cut from the first on; those that are there already come first."""

    corrections: list[PostedCorrection] = Field(max_length=2000)


class Confirmation(Sent):
    """What the person who confirms had in sight."""

    corrections: int | None = Field(
        default=None, ge=0, description="How many corrections the confirmed cut has."
    )


def _operations(posted: list[PostedCorrection]) -> list[CutOperation]:
    return [CutOperation(**one.model_dump()) for one in posted]


def _corrected(
    intake: Intake,
    visit_id: UUID,
    attachment_id: UUID,
    posted: list[PostedCorrection],
    who: str,
    after: int | None,
    expected: int | None,
) -> LogCut:
    """Return the cut with corrections added; raise ProblemError where one does not fit."""
    try:
        return intake.correct_cut(
            visit_id,
            attachment_id,
            _operations(posted),
            who,
            after=after,
            expected_version=expected,
        )
    except CorrectionError as error:
        raise problem_of_correction(error) from error


@router.get("/cut", summary="A log's cut as it stands")
@refuses(404)
def cut(visit_id: UUID, attachment_id: UUID, intake: IntakeOf, response: Response) -> Any:
    """Answer fluebook.cut/1: stretches, proposed and confirmed rates, phases, corrections."""
    found = intake.log_cut(visit_id, attachment_id)
    tagged(response, found.version)
    return cut_json(found)


@router.post("/cut", summary="Correct a log's cut")
@refuses(404, 409, 412)
def correct(
    visit_id: UUID,
    attachment_id: UUID,
    body: Corrections,
    intake: IntakeOf,
    who: Who,
    expected: Expected,
    response: Response,
) -> Any:
    """Add corrections, all or none, and answer the new cut; with `after` a repeat is harmless."""
    found = _corrected(intake, visit_id, attachment_id, body.corrections, who, body.after, expected)
    tagged(response, found.version)
    return cut_json(found)


@router.put("/cut", summary="Bring the list of a cut's corrections up to date")
@refuses(404, 409, 412)
def put_corrections(
    visit_id: UUID,
    attachment_id: UUID,
    body: AllCorrections,
    intake: IntakeOf,
    who: Who,
    expected: Expected,
    response: Response,
) -> Any:
    """Add what is new at the end of the list; nothing that was done is ever taken out of it."""
    found = _corrected(intake, visit_id, attachment_id, body.corrections, who, 0, expected)
    tagged(response, found.version)
    return cut_json(found)


@router.post("/cut/confirm", summary="Make the plateaus of a cut firing points, and judge")
@refuses(404, 409, 412)
def confirm(
    visit_id: UUID,
    attachment_id: UUID,
    body: Confirmation,
    intake: IntakeOf,
    who: Who,
    expected: Expected,
    response: Response,
) -> Any:
    """Answer the visit's points and judgement; plateaus without sure rate and phase stay out."""
    try:
        points, judgement, version = intake.confirm_cut(
            visit_id,
            attachment_id,
            who,
            corrections=body.corrections,
            expected_version=expected,
        )
    except CorrectionError as error:
        raise problem_of_correction(error) from error
    tagged(response, version)
    return {
        "points": [point_json(p) for p in points],
        "judgement": judge_json(judgement),
        "cut": cut_json(intake.log_cut(visit_id, attachment_id)),
    }
