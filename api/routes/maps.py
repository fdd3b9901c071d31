"""Taught column maps: what unknown headings mean, as a Frictionless Table Schema."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter, Response

from api.answers import refuses
from api.problems import ErrorItem, ProblemError
from api.routes.shared import IntakeOf, Who
from api.routes.sites import JsonObject
from parsers.maps import ColumnMap, map_from_json, map_json

router = APIRouter(prefix="/v1/maps", tags=["files"])


def map_given(document: dict[str, Any]) -> ColumnMap:
    """Return the map of a Table Schema; raise ProblemError where it is none."""
    try:
        return map_from_json(document)
    except ValueError as error:
        item = ErrorItem(
            message=str(error),
            pointer="/fields",
            expected="a Table Schema whose fields name a quantity by fluebook:quantity",
            next_step="Correct the field named and send the map again; nothing was stored.",
        )
        raise ProblemError("not-valid", str(error), [item]) from error


@router.get("", summary="All taught maps by name")
def all_maps(intake: IntakeOf) -> dict[str, Any]:
    """List the maps that are used for files with the same headings."""
    return {"maps": [map_json(one) for one in intake.maps()]}


@router.get("/{fingerprint}", summary="One taught map")
@refuses(404)
def one_map(fingerprint: str, intake: IntakeOf) -> dict[str, Any]:
    """Return a map as a Table Schema."""
    return map_json(intake.map_of(fingerprint))


@router.post("", summary="Teach a map", status_code=201)
def teach(body: JsonObject, intake: IntakeOf, who: Who) -> dict[str, Any]:
    """Keep a map; one for the same headings takes the place of the one before."""
    taught = map_given(body)
    intake.put_map(taught, who)
    return map_json(taught)


@router.delete("/{fingerprint}", summary="Forget a map", status_code=204)
@refuses(404)
def forget(fingerprint: str, intake: IntakeOf, who: Who) -> Response:
    """Take a map out of use; the audit trail keeps it."""
    intake.forget_map(fingerprint, who)
    return Response(status_code=204)
