"""Jobs: what the visits of one plant and day share, entered once."""

from __future__ import annotations

from typing import Annotated, Any
from uuid import UUID

from fastapi import APIRouter, Query
from fastapi.responses import JSONResponse

from api.answers import refuses
from api.routes.shared import Expected, IntakeOf, Owner, Who, kept_answer, same_id
from api.routes.sites import JsonObject
from api.schemas import answer_of, body_of
from ingest.documents import job_from

router = APIRouter(prefix="/v1/jobs", tags=["jobs"])
_JOB = answer_of(200, "Job", "The job as kept.")
_MADE = answer_of(201, "Job", "The job as kept.")
_EXAMPLE: dict[str, Any] = {
    "on": "2026-11-20",
    "people": ["A. Mayer"],
    "room_co": [{"value": 0, "when": "arrival"}],
    "gas": {"inlet_burners_off": "7 inWC"},
    "vent": {"spillage": "none"},
    "water": [{"key": "ph", "value": 8.4, "unit": "pH"}],
}
_BODY = body_of("Job")
_BODY["requestBody"]["content"]["application/json"]["example"] = _EXAMPLE


@router.get("", summary="All jobs, newest day first")
def all_jobs(
    intake: IntakeOf,
    site_id: Annotated[UUID | None, Query(description="Only jobs of this site.")] = None,
) -> dict[str, Any]:
    """List the jobs."""
    found = intake.jobs(site_id)
    return {"jobs": [j.model_dump(mode="json", exclude_none=True) for j in found]}


@router.post("", summary="Make a job", status_code=201, openapi_extra=_BODY, responses=_MADE)
@refuses(404, 409)
def make_job(body: JsonObject, intake: IntakeOf, who: Who, owner: Owner) -> JSONResponse:
    """Make a job; without an id one is made for it. A visit joins it by its ``job_id``."""
    return kept_answer(intake.put_job(job_from(body, "body"), who, owner=owner), 201, "/v1/jobs")


@router.get("/{job_id}", summary="One job", responses=_JOB)
@refuses(404)
def one_job(job_id: UUID, intake: IntakeOf) -> JSONResponse:
    """Return a job."""
    return kept_answer(intake.job(job_id))


@router.put("/{job_id}", summary="Make or change a job", openapi_extra=_BODY, responses=_JOB)
@refuses(404, 409, 412)
def put_job(
    job_id: UUID,
    body: JsonObject,
    intake: IntakeOf,
    who: Who,
    owner: Owner,
    expected: Expected,
) -> JSONResponse:
    """Write a job; its open visits are judged again with it, handed-in ones keep what it said."""
    job = job_from(same_id(body, job_id), "body")
    return kept_answer(intake.put_job(job, who, owner=owner, expected_version=expected))
