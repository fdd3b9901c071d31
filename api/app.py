"""The application: the HTTP API, the pages, and what stands before them."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from functools import cache
from typing import Any

from fastapi import APIRouter, FastAPI
from fastapi.openapi.utils import get_openapi
from fastapi.staticfiles import StaticFiles
from starlette.routing import BaseRoute

from api.accounts import Desk
from api.accounts.tries import Tries
from api.answers import list_refusals
from api.compressed import Compressed
from api.doorkeeper import Doorkeeper
from api.file_progress import FileProgress
from api.fleet_count import FleetCount
from api.guards import Guards
from api.kept_pages import KeptPages
from api.kept_visits import KeptVisits
from api.languages import Languages
from api.notify import courier_of
from api.notify.events import describe_events
from api.pages import accounts as account_pages
from api.pages import audit as audit_pages
from api.pages import (
    begin,
    compare,
    cut,
    evidence,
    explain,
    fleet,
    forms,
    life,
    maps,
    review,
    service_form,
    sign_in,
    signal,
    together,
    typed,
    visit,
)
from api.pages import duty as duty_pages
from api.pages import jobs as job_pages
from api.pages import limits as limit_pages
from api.pages import plans as plan_pages
from api.pages import refused as refused_pages
from api.pages import standing as standing_pages
from api.pages import webhooks as webhook_pages
from api.problems import MEDIA_TYPE, ProblemDetails, install_problems
from api.repeats import Repeats, repeatable
from api.routes import (
    accounts,
    batches,
    boilers,
    corrections,
    cuts,
    exports,
    external,
    files,
    judging,
    layouts,
    lists,
    operating,
    photos,
    service,
    sites,
    visits,
)
from api.routes import duty as duty_routes
from api.routes import jobs as job_routes
from api.routes import limits as limit_routes
from api.routes import maps as map_routes
from api.routes import plans as plan_routes
from api.routes import plans_tried as plan_trials
from api.routes import standing as standing_routes
from api.routes import units as unit_routes
from api.routes import webhooks as webhook_routes
from api.schemas import document_schemas
from api.settings import Settings
from api.watch import Figures, Watch
from ingest.intake import Intake
from ingest.store.clerk import Clerk

VERSION = "1"
DESCRIPTION = """\
Combustion readings and service visits of commercial boilers.

Stored and answered numbers are in canonical units (degC, Pa, vol % dry, ppm dry, kW, s, uA). Every
number sent in stands with its unit, or the body's `units` declares it: a bare temperature, pressure
or current is refused. Errors are problem details (RFC 9457). Ids are UUIDv7 made by
whoever creates a thing, so that a PUT can be repeated.

fluebook says which recorded values are within which limits, and what was not judged. It never says
that a boiler may run: local codes, the boiler's own instructions and licensed practice decide.
"""
# Room above the largest file for the multipart frame around it.
_FRAME = 64 * 1024


def _refused(description: str) -> dict[str, Any]:
    schema = {"$ref": "#/components/schemas/ProblemDetails"}
    return {"description": description, "content": {MEDIA_TYPE: {"schema": schema}}}


def _refusals() -> dict[int | str, dict[str, Any]]:
    return {
        422: _refused("What was sent cannot be used; nothing was stored."),
        "default": _refused("Refused or failed; `status` and `type` say how."),
    }


@cache
def _routes() -> tuple[BaseRoute, ...]:
    """Return the routes of every application: each finds in its request what it works on.

    What the framework makes of a route when it is first asked for, a twentieth of a second for
    some files of them, is made once in a process, however many applications it holds.
    """
    holder = APIRouter(responses=_refusals())
    for module in (
        visits,  # asked for most, so looked for first
        sites,
        boilers,
        job_routes,
        files,
        cuts,
        judging,
        service,
        photos,
        review,  # the main pages
        visit,
        life,
        fleet,
        limit_pages,
        together,
        audit_pages,
        plan_pages,
        duty_pages,
        refused_pages,
        maps,
        explain,
        forms,
        service_form,
        job_pages,
        cut,
        evidence,
        signal,
        map_routes,
        plan_routes,
        plan_trials,
        unit_routes,
        webhook_routes,
        duty_routes,
        external,
        batches,
        corrections,
        layouts,
        lists,
        exports,
        accounts,
        account_pages,
        begin,
        typed,
        webhook_pages,
        sign_in,
        standing_routes,
        standing_pages,
        compare,
        limit_routes,
        operating,
    ):
        holder.include_router(module.router)
    return tuple(holder.routes)


def create_app(intake: Intake, settings: Settings = Settings()) -> FastAPI:
    """Return the application over one book.

    Parameters
    ----------
    intake : Intake
        The one way in; it owns the book and is closed by whoever opened it.
    settings : Settings
        What the office decides.
    """

    clerk = Clerk(intake.book)
    fleet_count = FleetCount(intake, fleet.boiler_trend)

    @asynccontextmanager
    async def lifespan(_: FastAPI) -> AsyncIterator[None]:
        with courier_of(intake, settings):
            yield
            clerk.stop()
            fleet_count.stop()
        # Uvicorn ends this block once the requests under way are answered.

    app = FastAPI(
        title="fluebook",
        version=VERSION,
        description=DESCRIPTION,
        openapi_url="/v1/openapi.json",
        docs_url=None,
        redoc_url=None,
        lifespan=lifespan,
    )
    app.state.intake = intake
    app.state.settings = settings
    app.state.kept_visits = KeptVisits(intake)
    app.state.clerk = clerk
    app.state.fleet_count = fleet_count
    app.state.file_progress = FileProgress(intake.book.path)
    app.state.sign_in_tries = Tries()
    app.add_middleware(Compressed)
    app.add_middleware(KeptPages, book=intake.book)
    desk = app.state.desk = Desk(intake.book)
    app.add_middleware(Languages, desk=desk, otherwise=settings.language)
    app.add_middleware(Repeats, book=intake.book)
    app.add_middleware(Doorkeeper, desk=desk, alone=settings.alone, rate=settings.requests_a_minute)
    app.add_middleware(Guards, max_body=settings.max_upload + _FRAME, hosts=settings.hosts)
    figures = app.state.figures = Figures()
    app.add_middleware(Watch, figures=figures)
    install_problems(app)
    app.router.routes.extend(_routes())
    app.mount("/static", StaticFiles(packages=[("api", "static")]), name="static")
    describe_events(app)
    refused_pages.pages_speak_html(app)
    app.openapi = lambda: openapi(app)  # type: ignore[method-assign]
    return app


def openapi(app: FastAPI) -> dict[str, Any]:
    """Return the OpenAPI document, with the shape of problems among its schemas."""
    if app.openapi_schema is None:
        made = get_openapi(
            title=app.title,
            version=app.version,
            description=app.description,
            routes=app.routes,
            webhooks=app.webhooks.routes,
        )
        schemas = made.setdefault("components", {}).setdefault("schemas", {})
        problem = ProblemDetails.model_json_schema(ref_template="#/components/schemas/{model}")
        schemas.update(problem.pop("$defs", {}))
        schemas.update(document_schemas())
        schemas["ProblemDetails"] = problem
        repeatable(made)
        list_refusals(app, made)
        for unused in ("HTTPValidationError", "ValidationError"):
            schemas.pop(unused, None)
        app.openapi_schema = made
    return app.openapi_schema
