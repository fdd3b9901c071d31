"""The lines of a file as they came, with the one that a number stands in marked."""

from __future__ import annotations

from uuid import UUID

from fastapi import APIRouter, Request, Response
from fastapi.responses import RedirectResponse

from api.pages.curves import last_pass
from api.pages.facts import LINES_SHOWN
from api.pages.file_lines import lines_of
from api.pages.render import page
from api.pages.sources import made_of, origins
from api.routes.shared import IntakeOf
from api.words import _
from ingest.store import NotFound
from parsers import Phase

router = APIRouter(include_in_schema=False)
AROUND = 100
"""Lines shown before and after the one asked for."""


@router.get("/visits/{visit_id}/files/{attachment_id}")
def lines(request: Request, visit_id: UUID, attachment_id: UUID, intake: IntakeOf) -> Response:
    """Show the lines of one file around the line asked for."""
    try:
        view = intake.visit(visit_id)
    except NotFound:
        return _missing(request)
    file = next((a for a in view.attachments if a.id == attachment_id), None)
    if file is None or file.kind == "photo":
        return _missing(request)
    asked = request.query_params.get("line", "")
    marked = int(asked) if asked.isascii() and asked.isdigit() and len(asked) < 10 else 1
    first, data = max(1, marked - AROUND), intake.evidence_under(visit_id, file.sha256)
    found, total = lines_of(data, first, marked + AROUND)
    if marked > total:
        marked = max(total, 1)
        first = max(1, marked - AROUND)
        found, total = lines_of(data, first, marked + AROUND)
    last = first + len(found) - 1
    return page(
        request,
        "evidence.html",
        title=file.name,
        file=file,
        visit_id=visit_id,
        marked=marked,
        total=total,
        lines=list(enumerate(found, start=first)),
        before=first - 1 if first > 1 else None,
        behind=last + 1 if last < total else None,
    )


@router.get("/visits/{visit_id}/evidence")
def evidence(
    request: Request,
    visit_id: UUID,
    intake: IntakeOf,
    phase: Phase = "as_left",
    rate: float = 0.0,
    quantity: str = "o2_dry",
) -> Response:
    """Lead to the line that a visit's value came from; to the visit where no file holds it."""
    try:
        view = intake.visit(visit_id)
    except NotFound:
        return _missing(request)
    files = [a for a in view.attachments if a.withdrawn_at is None and a.kind != "photo"]
    origin = origins(made_of(view), files, LINES_SHOWN)
    mine = [
        view.points[i]
        for i in last_pass(view.points, phase)
        if view.points[i].key.firing_rate == rate
    ]
    line = next(filter(None, (origin(point, quantity) for point in mine)), None)
    page_of = f"/visits/{visit_id}"
    at = page_of if line is None else line if line.startswith("/") else page_of + line
    return RedirectResponse(at, status_code=303)


def _missing(request: Request) -> Response:
    return page(
        request,
        "problem.html",
        title=_("Not found"),
        status=404,
        heading=_("No such file"),
        detail=_("There is no file of readings under this address in this book."),
    )
