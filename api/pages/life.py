"""A boiler's life: each quantity at each rate over its visits, parts, findings, visits."""

from __future__ import annotations

from collections.abc import Sequence
from urllib.parse import quote, urlencode
from uuid import UUID

from fastapi import APIRouter, Request, Response
from fastapi.responses import RedirectResponse
from starlette.concurrency import run_in_threadpool

from api.doorkeeper import may_review, principal_of
from api.pages.facts import boiler_words
from api.pages.kept_by import kept_by
from api.pages.life_drawn import drawn_of
from api.pages.render import page, shown_for, size_of_page
from api.pages.review import RowView, row_views
from api.pages.show import Shown
from api.pages.standing_view import standing_view
from api.pages.trends import FIRST
from api.permissions import permissions_at
from api.problems import problem_of_book_error
from api.refusals import why_not
from api.routes.shared import IntakeOf, SettingsOf, decider, fitting_plans, plans_of
from api.words import _, words
from ingest.intake import Intake, WordsMissing
from ingest.intake_life import Life
from ingest.models import Boiler
from ingest.store import NotFound, StateConflict, VersionConflict
from ingest.store.lists import Wanted

router = APIRouter(prefix="/boilers", include_in_schema=False)
# A boiler takes one line: as many times the rows of a page are shown.
_LINES = 3
_MOST_PLANS = 4
"""Plans of a boiler whose forms are kept for a visit begun without signal."""


@router.get("")
def boilers(request: Request, intake: IntakeOf, settings: SettingsOf) -> Response:
    """List the boilers, each with its site."""
    text = request.query_params.get("text", "").strip()[:100]
    skip, size = size_of_page(request, settings)
    size *= _LINES
    found = intake.named_boilers(text, skip=skip, most=size + 1)
    asked = {"text": text} if text else {}
    return page(
        request,
        "boilers.html",
        title=_("Boilers"),
        boilers=found[:size],
        text=text,
        many=bool(text or skip or len(found) > size),
        next=urlencode({**asked, "skip": skip + size}) if len(found) > size else "",
    )


@router.get("/{boiler_id}")
def boiler(request: Request, boiler_id: UUID, intake: IntakeOf) -> Response:
    """Show one boiler over the years; the quantities that matter less where they are asked for."""
    return _shown_page(request, boiler_id, intake)


@router.post("/{boiler_id}/plans")
async def choose_plans(request: Request, boiler_id: UUID, intake: IntakeOf) -> Response:
    """Let the boiler name the plans of the form, or none."""
    async with request.form() as form:
        named = [str(key)[:80] for key in form.getlist("plan")]
        who, version = str(form.get("who") or "")[:100], str(form.get("version") or "")

    def change() -> Response:
        try:
            signed = decider(request, who)
            expected = int(version) if version.isdecimal() and len(version) < 10 else None
            known = plans_of(request)
            intake.keep_boiler_by(boiler_id, named, signed, known, expected_version=expected)
        except (WordsMissing, StateConflict, VersionConflict) as error:
            status = problem_of_book_error(error).details.status
            told = _("The plans were not changed: {why}.", why=why_not(error))
            return _shown_page(
                request, boiler_id, intake, status, plans_problem=told, plans_who=who, named=named
            )
        except NotFound:
            return missing(request)
        return RedirectResponse(f"/boilers/{boiler_id}#plans", 303)

    return await run_in_threadpool(change)


def _shown_page(
    request: Request,
    boiler_id: UUID,
    intake: Intake,
    status: int = 200,
    *,
    plans_problem: str = "",
    plans_who: str = "",
    named: Sequence[str] | None = None,
) -> Response:
    try:
        life = intake.life(boiler_id)
    except NotFound:
        return missing(request)
    shown = shown_for(request)
    drawn = drawn_of(life, shown)
    further = [k for k in drawn.found if k not in FIRST]
    whole = bool(request.query_params.get("further"))
    visits = [
        {"id": e.visit.id, "day": words().day(e.visit.started), "technician": e.visit.technician}
        for e in reversed(life.visits)
    ]
    role = principal_of(request.scope).role
    return page(
        request,
        "boiler.html",
        title=life.boiler.name,
        status=status,
        boiler=life.boiler,
        boiler_words=boiler_words(life.boiler, shown),
        site=life.site,
        first=[drawn.section(k) for k in drawn.found if k in FIRST],
        others=[drawn.section(k) for k in further] if whole else [],
        further=len(further),
        fittings=[
            (f"part-{n}", words().day(f.day), f.part, f.visit)
            for n, f in reversed(list(enumerate(life.fittings)))
        ],
        findings=life.findings,
        visits=visits,
        waiting=[
            {"id": r.id, "day": words().day(r.visit.started), "state": r.state}
            for r in intake.unfinished_visits(boiler_id)
        ],
        standing=[standing_view(s, shown) for s in intake.standings(boiler_id, ended=True)],
        may=may_review(request.scope),
        last=_last(intake, life, shown),
        kept=kept_by(life.boiler, plans_of(request), named),
        may_plan=role in permissions_at(f"/boilers/{boiler_id}/plans")["POST"].roles,
        version=life.version,
        plans_problem=plans_problem,
        plans_who=plans_who,
        coming=_coming(request, life.boiler),
    )


def _last(intake: Intake, life: Life, shown: Shown) -> RowView | None:
    """Return the newest finished visit with its worst finding, as the review list says it."""
    if not life.visits:
        return None
    newest = Wanted(states=(), imported=None, visit_id=life.visits[-1].visit.id)
    return next(iter(row_views(intake, intake.review_list(newest, most=1), shown)), None)


def _coming(request: Request, boiler: Boiler) -> list[str]:
    """Return the addresses of a coming visit's pages, which a browser keeps for a cellar."""
    at = f"/boilers/{boiler.id}/visits/coming"
    known = plans_of(request)
    usual = {p.key: p for p in fitting_plans(boiler, known)}
    others = {k: p for k, p in known.items() if boiler.fuel in p.fuels}
    plans = [f"{at}/service?plan={quote(key)}" for key in {**usual, **others}]
    return [at, f"{at}/readings", f"{at}/service", *plans[:_MOST_PLANS]]


def missing(request: Request) -> Response:
    """Answer that there is no such boiler."""
    return page(
        request,
        "problem.html",
        title=_("Not found"),
        status=404,
        heading=_("No such boiler"),
        detail=_("There is no boiler under this address in this book."),
    )
