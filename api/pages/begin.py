"""Beginning a visit: one press on the boiler's page, and the visit is open."""

from __future__ import annotations

from uuid import UUID

from fastapi import APIRouter, Request, Response
from fastapi.responses import RedirectResponse
from starlette.concurrency import run_in_threadpool

from api.pages.life import missing
from api.routes.shared import IntakeOf, decider
from ingest.identifiers import new_id
from ingest.models import Visit
from ingest.store import NotFound
from parsers.times import zone_of

router = APIRouter(prefix="/boilers/{boiler_id}/visits", include_in_schema=False)


@router.post("")
async def begin(request: Request, boiler_id: UUID, intake: IntakeOf) -> Response:
    """Open a visit to a boiler now, by whoever stands at it, and show it."""
    async with request.form() as form:
        who = decider(request, str(form.get("who") or "")[:100])

    def opened() -> Response:
        try:
            boiler = intake.boiler(boiler_id).document
        except NotFound:
            return missing(request)
        site = None if boiler.site_id is None else intake.site(boiler.site_id).document
        zone = zone_of(boiler.zone or (site.zone if site else None) or "UTC")
        now = intake.book.clock().astimezone(zone).replace(microsecond=0)
        visit = Visit(id=new_id(), boiler_id=boiler_id, started=now, technician=who)
        intake.put_visit(visit, who)
        return RedirectResponse(f"/visits/{visit.id}", status_code=303)

    return await run_in_threadpool(opened)
