"""Pictures of a visit: taken in untouched, shown on its page and in its report."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from fastapi import APIRouter, Request, Response
from starlette.concurrency import run_in_threadpool

from api.answers import refuses
from api.problems import ErrorItem, ProblemError
from api.report.pictures import can_be_set
from api.routes.files import uploaded
from api.routes.shared import Expected, IntakeOf, Who, tagged
from api.schemas import also_there
from ingest.intake import Intake, NotAPicture, PhotoTaken
from ingest.intake_service import picture_type

router = APIRouter(tags=["service"])

_PICTURE = {"schema": {"type": "string", "format": "binary"}}
_BODY: dict[str, Any] = {
    "parameters": [
        {
            "name": key,
            "in": "query",
            "schema": {"type": "string"},
            "description": "With a raw body.",
        }
        for key in ("name", "caption")
    ],
    "requestBody": {
        "required": True,
        "content": {
            "multipart/form-data": {
                "schema": {
                    "type": "object",
                    "required": ["file"],
                    "properties": {
                        "file": {"type": "string", "format": "binary"},
                        "caption": {"type": "string", "description": "What it shows."},
                    },
                }
            },
            "image/jpeg": _PICTURE,
            "image/png": _PICTURE,
            "image/webp": _PICTURE,
        },
    },
}


def taken(
    intake: Intake,
    visit_id: UUID,
    data: bytes,
    name: str,
    who: str,
    *,
    caption: str = "",
    expected: int | None = None,
) -> PhotoTaken:
    """Take a picture in, after trying whether a report can show it.

    Raises
    ------
    ProblemError
        If it is none, too large, or cut off.
    """
    try:
        if picture_type(data) is not None and not can_be_set(data):
            raise NotAPicture("it is damaged or was cut off on its way")
        return intake.add_photo(
            visit_id, data, name, who, caption=caption, expected_version=expected
        )
    except NotAPicture as error:
        step = "Send a whole JPEG, PNG or WebP picture; nothing was stored."
        item = ErrorItem(message=str(error), parameter="file", raw=name[:100], next_step=step)
        raise ProblemError("not-valid", f"{name}: {error}.", [item]) from error


@router.post(
    "/v1/visits/{visit_id}/photos",
    summary="Add a picture",
    responses=also_there(dict[str, Any]),
    status_code=201,
    openapi_extra=_BODY,
)
@refuses(404, 409, 412)
async def add_photo(
    request: Request,
    visit_id: UUID,
    intake: IntakeOf,
    who: Who,
    expected: Expected,
    response: Response,
) -> dict[str, Any]:
    """Keep a picture as evidence under the visit; its report shows it."""
    name, data, fields = await uploaded(request)
    caption = str(fields.get("caption") or "").strip()[:200]
    made = await run_in_threadpool(
        lambda: taken(intake, visit_id, data, name, who, caption=caption, expected=expected)
    )
    tagged(response, made.version)
    if made.already_there:
        response.status_code = 200
    return {
        "id": str(made.attachment_id),
        "sha256": made.sha256,
        "media_type": made.media_type,
        "already_there": made.already_there,
    }


@router.get("/visits/{visit_id}/photos/{sha256}", include_in_schema=False)
def photo(visit_id: UUID, sha256: str, intake: IntakeOf) -> Response:
    """Return a picture that is attached to the visit; nothing else has an address here."""
    for attachment in intake.visit(visit_id).attachments:
        if attachment.kind == "photo" and attachment.sha256 == sha256:
            data = intake.evidence_under(visit_id, sha256)
            media_type = picture_type(data)
            if media_type is not None:
                # The address is the picture's hash: it never changes.
                lasting = {"Cache-Control": "private, max-age=31536000, immutable"}
                return Response(data, media_type=media_type, headers=lasting)
    raise ProblemError("not-found", "There is no such picture under this visit.")
