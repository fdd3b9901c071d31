"""Boilers: made and changed by PUT with the sender's id, or by POST without one."""

from __future__ import annotations

from typing import Annotated, Any
from uuid import UUID

from fastapi import APIRouter, Query
from fastapi.responses import JSONResponse
from pydantic import BaseModel, Field

from api.answers import refuses
from api.routes.lists import BoilerList, place_list
from api.routes.shared import Expected, IntakeOf, Owner, Who, kept_answer, same_id
from api.routes.sites import JsonObject
from api.schemas import answer_of, body_of
from ingest.documents import boiler_from

router = APIRouter(prefix="/v1/boilers", tags=["boilers"])


class BoilerPage(BaseModel):
    """Boilers as documents."""

    boilers: list[dict[str, Any]]
    next: str | None = Field(description="Cursor of the next page, null on the last.")


_BOILER = answer_of(200, "Boiler", "The boiler as kept.")
_MADE = answer_of(201, "Boiler", "The boiler as kept.")


@router.get("", summary="Boilers, all of them by name or by pages", response_model=BoilerPage)
def all_boilers(asked: Annotated[BoilerList, Query()], intake: IntakeOf) -> dict[str, Any]:
    """List the boilers; sorts: name, changed_at, id. Without ``limit`` all are answered."""
    return place_list(intake, "boilers", asked)


@router.post(
    "", summary="Make a boiler", status_code=201, openapi_extra=body_of("Boiler"), responses=_MADE
)
@refuses(404, 409)
def make_boiler(body: JsonObject, intake: IntakeOf, who: Who, owner: Owner) -> JSONResponse:
    """Make a boiler; without an id one is made for it."""
    boiler = boiler_from(body, "body")
    return kept_answer(intake.put_boiler(boiler, who, owner=owner), 201, "/v1/boilers")


@router.get("/{boiler_id}", summary="One boiler", responses=_BOILER)
@refuses(404)
def one_boiler(boiler_id: UUID, intake: IntakeOf) -> JSONResponse:
    """Return a boiler."""
    return kept_answer(intake.boiler(boiler_id))


@router.put(
    "/{boiler_id}",
    summary="Make or change a boiler",
    openapi_extra=body_of("Boiler"),
    responses=_BOILER,
)
@refuses(404, 409, 412)
def put_boiler(
    boiler_id: UUID,
    body: JsonObject,
    intake: IntakeOf,
    who: Who,
    owner: Owner,
    expected: Expected,
) -> JSONResponse:
    """Write a boiler with its limits; the same body again changes nothing."""
    boiler = boiler_from(same_id(body, boiler_id), "body")
    return kept_answer(intake.put_boiler(boiler, who, owner=owner, expected_version=expected))
