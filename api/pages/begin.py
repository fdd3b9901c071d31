"""Beginning a visit: one press on the boiler's page, and the visit is open.

Without signal it is open, too: a browser keeps the pages of the visit that nobody has begun yet,
and opens them under the id that it gives to the visit. What is entered there goes up after it.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Literal
from uuid import UUID

from fastapi import APIRouter, Request, Response
from fastapi.responses import RedirectResponse
from starlette.concurrency import run_in_threadpool

from api.pages.life import missing
from api.pages.service_form import empty_form as service_form
from api.pages.typed import empty_form as readings_form
from api.pages.visit import visit_shown
from api.routes.shared import IntakeOf, decider
from ingest.batches import is_known
from ingest.identifiers import new_id
from ingest.models import Visit
from ingest.store import NotFound
from parsers.times import zone_of

router = APIRouter(prefix="/boilers/{boiler_id}/visits", include_in_schema=False)
_WAITED = timedelta(days=30)
_AHEAD = timedelta(minutes=5)
Part = Literal["", "readings", "service"]


@router.post("")
async def begin(request: Request, boiler_id: UUID, intake: IntakeOf) -> Response:
    """Open a visit to a boiler, by whoever stands at it, and show it.

    A browser that waited for signal says when it was begun, and under which id.
    """
    async with request.form() as form:
        who = decider(request, str(form.get("who") or "")[:100])
        begun, identity = str(form.get("begun") or ""), str(form.get("id") or "")

    def opened() -> Response:
        try:
            boiler = intake.boiler(boiler_id).document
        except NotFound:
            return missing(request)
        site = None if boiler.site_id is None else intake.site(boiler.site_id).document
        zone = zone_of(boiler.zone or (site.zone if site else None) or "UTC")
        started = _begun(begun, intake.book.clock()).astimezone(zone).replace(microsecond=0)
        visit = Visit(id=_id(identity), boiler_id=boiler_id, started=started, technician=who)
        assert visit.id is not None
        with intake.book.change(who):
            # Begun before, by this press that came twice or by somebody else: nothing is written.
            if not is_known(intake, visit.id):
                intake.put_visit(visit, who)
        return RedirectResponse(f"/visits/{visit.id}", status_code=303)

    return await run_in_threadpool(opened)


@router.get("/coming")
@router.get("/coming/{part}")
def coming(request: Request, boiler_id: UUID, intake: IntakeOf, part: Part = "") -> Response:
    """Show a page of the boiler's visit that nobody has begun yet, for a browser to keep."""
    try:
        view = intake.coming_visit(boiler_id, intake.book.clock())
    except NotFound:
        return missing(request)
    if part == "readings":
        return readings_form(request, view)
    if part == "service":
        return service_form(request, intake, view)
    return visit_shown(request, intake, view, coming=True)


def _begun(text: str, now: datetime) -> datetime:
    """Return when a visit was begun by the browser's clock; now, where that cannot be.

    >>> from datetime import UTC
    >>> now = datetime(2026, 3, 4, 12, tzinfo=UTC)
    >>> [_begun(t, now).hour for t in ("2026-03-04T09:30:00Z", "", "2027-01-01T00:00:00Z")]
    [9, 12, 12]
    """
    try:
        said = datetime.fromisoformat(text)
    except ValueError:
        return now
    if said.tzinfo is None or not now - _WAITED <= said <= now + _AHEAD:
        return now
    return said


def _id(text: str) -> UUID:
    try:
        return UUID(text)
    except ValueError:
        return new_id()
