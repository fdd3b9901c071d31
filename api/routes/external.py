"""Sites, boilers and visits under the id that an integrator has for them.

The ids of one key are its own; the office has its own, too. A ``/`` in an external id cannot stand
in an address: put such a thing by the id that fluebook knows it under.
"""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Path, Request
from fastapi.responses import JSONResponse

from api.answers import refuses
from api.problems import ErrorItem, ProblemError
from api.routes.shared import Expected, IntakeOf, Owner, Who, kept_answer
from api.routes.sites import JsonObject
from api.routes.visits import written
from api.schemas import answer_of, body_of
from ingest.documents import boiler_from, site_from
from ingest.external import Doc, found_by_external_id, put_by_external_id
from ingest.intake import Kept

router = APIRouter(prefix="/v1", tags=["external ids"])
ExternalId = Annotated[str, Path(min_length=1, max_length=200, examples=["BLR-0041"])]


def _answers(model: str, *others: str) -> dict[int | str, dict[str, Any]]:
    there = answer_of(200, model, "As kept; it was there.", *others)
    return there | answer_of(201, model, "Made now.", *others)


def _there(model: str) -> dict[int | str, dict[str, Any]]:
    return answer_of(200, model, "As kept.")


def _mine(body: dict[str, Any], external_id: str) -> dict[str, Any]:
    inside = body.get("external_id")
    if inside is not None and inside != external_id:
        item = ErrorItem(
            message="another external id than in the address",
            pointer="/external_id",
            raw=str(inside)[:100],
            expected=external_id,
            next_step="Leave it out, or send the same.",
        )
        raise ProblemError("not-valid", "The external id is not the one in the address.", [item])
    return {**body, "external_id": external_id}


def _answer(done: tuple[Kept[Doc], bool], at: str) -> JSONResponse:
    kept, made = done
    return kept_answer(kept, 201 if made else 200, at if made else None)


@router.put(
    "/sites/by-external-id/{external_id}",
    summary="Make or change a site under your id",
    openapi_extra=body_of("Site"),
    responses=_answers("Site"),
)
@refuses(404, 409, 412)
def put_site(
    external_id: ExternalId,
    body: JsonObject,
    intake: IntakeOf,
    who: Who,
    owner: Owner,
    expected: Expected,
) -> JSONResponse:
    """Write a site; the same body again changes nothing."""
    site = site_from(_mine(body, external_id), "body")
    done = put_by_external_id(
        intake, site, external_id, who, owner=owner, expected_version=expected
    )
    return _answer(done, "/v1/sites")


@router.put(
    "/boilers/by-external-id/{external_id}",
    summary="Make or change a boiler under your id",
    openapi_extra=body_of("Boiler"),
    responses=_answers("Boiler"),
)
@refuses(404, 409, 412)
def put_boiler(
    external_id: ExternalId,
    body: JsonObject,
    intake: IntakeOf,
    who: Who,
    owner: Owner,
    expected: Expected,
) -> JSONResponse:
    """Write a boiler; visits that waited for it are put under it and judged."""
    boiler = boiler_from(_mine(body, external_id), "body")
    done = put_by_external_id(
        intake, boiler, external_id, who, owner=owner, expected_version=expected
    )
    return _answer(done, "/v1/boilers")


@router.put(
    "/visits/by-external-id/{external_id}",
    summary="Open or change a visit under your id",
    openapi_extra=body_of("VisitWithReadings"),
    responses=_answers("Visit", "VisitTaken"),
)
@refuses(404, 409, 412)
async def put_visit(
    external_id: ExternalId,
    body: JsonObject,
    request: Request,
    who: Who,
    expected: Expected,
) -> JSONResponse:
    """Write a visit, with readings or without; one for a boiler not known yet waits for it."""
    mine = _mine(body, external_id)
    return await written(mine, request, who, expected, external_id=external_id)


@router.get(
    "/sites/by-external-id/{external_id}",
    summary="One site by your id",
    responses=_there("Site"),
)
@refuses(404)
def site(external_id: ExternalId, intake: IntakeOf, owner: Owner) -> JSONResponse:
    """Return a site."""
    return kept_answer(intake.site(found_by_external_id(intake, "site", external_id, owner)))


@router.get(
    "/boilers/by-external-id/{external_id}",
    summary="One boiler by your id",
    responses=_there("Boiler"),
)
@refuses(404)
def boiler(external_id: ExternalId, intake: IntakeOf, owner: Owner) -> JSONResponse:
    """Return a boiler."""
    return kept_answer(intake.boiler(found_by_external_id(intake, "boiler", external_id, owner)))


@router.get(
    "/visits/by-external-id/{external_id}",
    summary="One visit's document by your id",
    responses=_there("Visit"),
)
@refuses(404)
def visit(external_id: ExternalId, intake: IntakeOf, owner: Owner) -> JSONResponse:
    """Return a visit's document; its points and flags stand under the id in it."""
    view = intake.visit(found_by_external_id(intake, "visit", external_id, owner))
    return kept_answer(Kept(view.visit, view.version))
