"""A reading is superseded, never overwritten; and the trail of a visit says who did what."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from fastapi import APIRouter, Request, Response
from pydantic import BaseModel, ConfigDict, Field

from api.answers import refuses
from api.moments import InUtc
from api.posted import PostedReading, PostedReadings, readings_from
from api.routes.shared import Expected, IntakeOf, Who, must_be_own, tagged
from ingest.judge_json import judge_json
from ingest.sent import Sent

router = APIRouter(prefix="/v1", tags=["corrections"])


class Superseding(Sent):
    """What is put in place of a reading, and why."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {
                    "why": "two digits were exchanged",
                    "units": {"temperature": "degF"},
                    "reading": {
                        "values": {"o2_dry": 4.5, "stack_temperature": 356},
                        "firing_rate": 100,
                        "phase": "as_left",
                    },
                }
            ]
        },
    )

    why: str = Field(min_length=1, max_length=1000)
    units: dict[str, str] = Field(default_factory=dict, description="Units of bare numbers.")
    reading: PostedReading | None = Field(
        default=None, description="The corrected reading, whole; none takes the old one out."
    )
    made_at: InUtc | None = Field(
        default=None,
        description="When it was corrected in a field book, with its offset; now if absent. The "
        "trail's line keeps both times.",
    )


class Superseded(BaseModel):
    """A reading that no longer stands, and what stands in its place."""

    visit_id: UUID
    old: UUID
    new: UUID | None = Field(description="None where the old one was taken out.")
    judgement: dict[str, Any] = Field(description="fluebook.judge/1, with the correction in it.")


class TrailLine(BaseModel):
    """One line of the trail; each line's hash covers the line before it."""

    seq: int
    at: str
    who: str
    action: str
    subject: str
    details: dict[str, Any]
    hash: str


class Trail(BaseModel):
    """What was done to a visit, oldest first."""

    visit_id: UUID
    lines: list[TrailLine]


@router.post("/readings/{reading_id}/supersede", summary="Correct a reading, or take it out")
@refuses(404, 409, 412)
def supersede(
    reading_id: UUID,
    body: Superseding,
    request: Request,
    intake: IntakeOf,
    who: Who,
    expected: Expected,
    response: Response,
) -> Superseded:
    """Put a corrected reading in place of one; the old one stays in the book with who and why.

    ``If-Match`` is the version of the visit. A technician corrects in visits of their own.
    """
    visit_id = intake.visit_of_reading(reading_id)
    must_be_own(request, visit_id)
    made = None
    if body.reading is not None:
        (made,) = readings_from(PostedReadings(units=body.units, readings=[body.reading]))
    new = intake.supersede_reading(
        reading_id,
        made,
        who,
        body.why,
        identity=None if body.reading is None else body.reading.id,
        made_at=body.made_at,
        expected_version=expected,
    )
    view = intake.visit(visit_id)
    tagged(response, view.version)
    return Superseded(
        visit_id=visit_id, old=reading_id, new=new, judgement=judge_json(view.judgement)
    )


@router.get("/visits/{visit_id}/trail", summary="Who did what to a visit")
@refuses(404)
def trail(visit_id: UUID, intake: IntakeOf) -> Trail:
    """List the lines of the audit trail about a visit, oldest first."""
    lines = [TrailLine.model_validate(line) for line in intake.trail(visit_id)]
    return Trail(visit_id=visit_id, lines=lines)
