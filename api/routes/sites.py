"""Sites: made and changed by PUT with the sender's id, or by POST without one."""

from __future__ import annotations

from typing import Annotated, Any
from uuid import UUID

from fastapi import APIRouter, Body, Query
from fastapi.responses import JSONResponse
from pydantic import BaseModel, Field

from api.answers import refuses
from api.routes.lists import SiteList, place_list
from api.routes.shared import Expected, IntakeOf, Owner, Who, kept_answer, same_id
from api.schemas import answer_of, body_of
from ingest.documents import site_from

router = APIRouter(prefix="/v1/sites", tags=["sites"])
JsonObject = Annotated[dict[str, Any], Body()]


class SitePage(BaseModel):
    """Sites as documents."""

    sites: list[dict[str, Any]]
    next: str | None = Field(description="Cursor of the next page, null on the last.")


_SITE = answer_of(200, "Site", "The site as kept.")
_MADE = answer_of(201, "Site", "The site as kept.")


@router.get("", summary="Sites, all of them by name or by pages", response_model=SitePage)
def all_sites(asked: Annotated[SiteList, Query()], intake: IntakeOf) -> dict[str, Any]:
    """List the sites; sorts: name, changed_at, id. Without ``limit`` all are answered."""
    return place_list(intake, "sites", asked)


@router.post(
    "", summary="Make a site", status_code=201, openapi_extra=body_of("Site"), responses=_MADE
)
@refuses(404, 409)
def make_site(body: JsonObject, intake: IntakeOf, who: Who, owner: Owner) -> JSONResponse:
    """Make a site; without an id one is made for it."""
    site = site_from(body, "body")
    return kept_answer(intake.put_site(site, who, owner=owner), 201, "/v1/sites")


@router.get("/{site_id}", summary="One site", responses=_SITE)
@refuses(404)
def one_site(site_id: UUID, intake: IntakeOf) -> JSONResponse:
    """Return a site."""
    return kept_answer(intake.site(site_id))


@router.put(
    "/{site_id}", summary="Make or change a site", openapi_extra=body_of("Site"), responses=_SITE
)
@refuses(404, 409, 412)
def put_site(
    site_id: UUID,
    body: JsonObject,
    intake: IntakeOf,
    who: Who,
    owner: Owner,
    expected: Expected,
) -> JSONResponse:
    """Write a site; the same body again changes nothing."""
    site = site_from(same_id(body, site_id), "body")
    return kept_answer(intake.put_site(site, who, owner=owner, expected_version=expected))
