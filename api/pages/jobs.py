"""The page of a job: what the visits of one plant and day share, and those visits."""

from __future__ import annotations

from collections.abc import Mapping
from uuid import UUID

from fastapi import APIRouter, Request, Response
from fastapi.responses import RedirectResponse
from pydantic import ValidationError
from starlette.concurrency import run_in_threadpool

from api.pages.job_entries import (
    CHECKS,
    GAS,
    ROOM,
    document_from,
    entries_of,
    pressure_unit,
    water_wanted,
)
from api.pages.render import page, shown_for
from api.pages.show import day
from api.pages.unit_text import UNIT_NAMES
from api.pages.visit import visit_page
from api.problems import ErrorItem, problem_of_book_error
from api.refusals import refusals, told, why_not
from api.routes.shared import IntakeOf, plans_of, signer
from api.words import N_, _, words
from ingest.intake import OPEN_STATES, Intake
from ingest.models import Visit
from ingest.service.job import Job
from ingest.store import NotFound, StateConflict, VersionConflict
from ingest.store.visits import VisitRow

router = APIRouter(include_in_schema=False)
ROOM_WORDS = dict(zip(ROOM, (N_("on arrival"), N_("at high fire"), N_("on leaving")), strict=True))
CHECK_WORDS = dict(
    zip(CHECKS, (N_("Leak check passed"), N_("Zeroed in fresh air outside")), strict=True)
)
GAS_WORDS = dict(
    zip(
        GAS,
        (N_("Inlet with the burners off"), N_("Inlet with every appliance at high fire")),
        strict=True,
    )
)
_CHANGED = N_(
    "Someone changed this job in the meantime: nothing was stored. Your entries stand below; "
    "saving again writes over the other change."
)


def _name(intake: Intake, row: VisitRow) -> str:
    if row.visit.boiler_id is None:
        return _("Boiler not yet known")
    return intake.boiler(row.visit.boiler_id).document.name


def _could_join(intake: Intake, job: Job) -> list[VisitRow]:
    """Return the open visits of the job's site and day that are in no job."""
    if job.site_id is None or job.on is None:
        return []
    return [
        row
        for boiler in intake.boilers(job.site_id)
        if boiler.id is not None
        for row in intake.boiler_visits(boiler.id)
        if row.visit.job_id is None
        and row.state in OPEN_STATES
        and row.visit.started is not None
        and row.visit.started.date() == job.on
    ]


def _page(
    request: Request,
    intake: Intake,
    job_id: UUID,
    *,
    entries: Mapping[str, str] | None = None,
    wrong: Mapping[str, str] | None = None,
    told: str = "",
    status: int = 200,
) -> Response:
    try:
        kept = intake.job(job_id)
    except NotFound:
        return page(
            request,
            "problem.html",
            title=_("Not found"),
            status=404,
            heading=_("No such job"),
            detail=_("There is no job under this address in this book."),
        )
    job, system = kept.document, shown_for(request).system
    site = None if job.site_id is None else intake.site(job.site_id).document
    water = water_wanted(list(plans_of(request).values()))
    where = _("Plant not yet known") if site is None else site.name
    return page(
        request,
        "job.html",
        title=_("Job, {where}", where=where),
        status=status,
        id=job_id,
        where=where,
        on=words().day(job.on) if job.on else "",
        version=kept.version,
        e=entries if entries is not None else entries_of(job, water, system),
        wrong=wrong or {},
        told=told,
        saved=request.query_params.get("saved") == "1" and not told,
        unit=pressure_unit(system),
        water=water,
        room_words=ROOM_WORDS,
        check_words=CHECK_WORDS,
        unit_names=UNIT_NAMES,
        gas_words=GAS_WORDS,
        visits=[(r, _name(intake, r), day(r.visit.started)) for r in intake.job_visits(job_id)],
        joinable=[(r, _name(intake, r)) for r in _could_join(intake, job)],
        open_states=OPEN_STATES,
    )


@router.get("/jobs/{job_id}")
def job_page(request: Request, job_id: UUID, intake: IntakeOf) -> Response:
    """Show a job."""
    return _page(request, intake, job_id)


@router.post("/jobs/{job_id}")
async def save_job(request: Request, job_id: UUID, intake: IntakeOf) -> Response:
    """Take the form as a whole: stored, or back with its entries and what is wrong."""
    async with request.form() as form:
        entries = {k: v[:4000] for k, v in form.items() if isinstance(v, str)}
    return await run_in_threadpool(_saved, request, intake, job_id, entries)


def _saved(request: Request, intake: Intake, job_id: UUID, entries: dict[str, str]) -> Response:
    def back(told: str, status: int, wrong: Mapping[str, str] | None = None) -> Response:
        return _page(
            request, intake, job_id, entries=entries, wrong=wrong, told=told, status=status
        )

    try:
        kept = intake.job(job_id)
    except NotFound:
        return _page(request, intake, job_id)
    water = water_wanted(list(plans_of(request).values()))
    system = shown_for(request).system
    document, wrong = document_from(entries, kept.document, water, system)
    try:
        job = Job.model_validate(document)
    except ValidationError as error:
        for at, why in refusals(error):
            wrong.setdefault(at, why)
    if wrong:
        return back(_("Not stored yet: something cannot be understood."), 422, wrong)
    version = entries.get("version", "")
    expected = int(version) if version.isdigit() else kept.version
    try:
        intake.put_job(job, signer(request, "") or "page", expected_version=expected)
    except VersionConflict:
        return back(_(_CHANGED), 412)
    except StateConflict as error:
        said = _("{why}: nothing was stored. Your entries stand below.", why=why_not(error))
        return back(said, 409)
    return RedirectResponse(f"/jobs/{job_id}?saved=1", status_code=303)


@router.post("/visits/{visit_id}/job")
async def join(request: Request, visit_id: UUID, intake: IntakeOf) -> Response:
    """Put a visit into a job, into a new one of its plant and day, or out of any."""
    async with request.form() as form:
        asked = str(form.get("job") or "new")
    return await run_in_threadpool(_joined, request, intake, visit_id, asked)


def _joined(request: Request, intake: Intake, visit_id: UUID, asked: str) -> Response:
    who = signer(request, "") or "page"
    try:
        view = intake.visit(visit_id)
        job_id = view.visit.job_id
        if view.state not in OPEN_STATES:
            raise StateConflict(_("the visit is not open; send it back before changing its job"))
        if asked == "none":
            intake.put_visit(_in(view.visit, None), who, expected_version=view.version)
            return RedirectResponse(f"/jobs/{job_id}" if job_id else f"/visits/{visit_id}", 303)
        if asked == "new":
            started = view.visit.started
            site = None if view.boiler is None else view.boiler.site_id
            fresh = Job(site_id=site, on=None if started is None else started.date())
            job_id = intake.put_job(fresh, who).document.id
        else:
            job_id = intake.job(UUID(asked)).document.id
        intake.put_visit(_in(view.visit, job_id), who, expected_version=view.version)
    except (NotFound, StateConflict, VersionConflict) as error:
        problem = problem_of_book_error(error).details
    except ValueError:
        return _refused(request, intake, visit_id, 422, [ErrorItem(message=_("no such job"))])
    else:
        return RedirectResponse(f"/jobs/{job_id}", status_code=303)
    return _refused(request, intake, visit_id, problem.status, told(problem.errors))


def _in(visit: Visit, job_id: UUID | None) -> Visit:
    return visit.model_copy(update={"job_id": job_id})


def _refused(
    request: Request, intake: Intake, visit_id: UUID, status: int, problems: list[ErrorItem]
) -> Response:
    title = _("The visit stays in the job it was in")
    return visit_page(
        request, intake, visit_id, status=status, problem_title=title, problems=problems
    )
