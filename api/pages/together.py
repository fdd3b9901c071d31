"""The page where all waiting visits with nothing to act on are accepted at once."""

from __future__ import annotations

from uuid import UUID

from fastapi import APIRouter, Request, Response
from starlette.concurrency import run_in_threadpool

from api.pages.render import page, shown_for
from api.pages.review import row_views
from api.problems import ProblemError, problem_of_book_error
from api.refusals import why_not
from api.routes.shared import IntakeOf, SettingsOf, decider
from api.settings import Settings
from api.words import _, _n, words
from ingest.intake import Intake, WordsMissing
from ingest.intake_together import Together

router = APIRouter(prefix="/accept-together", include_in_schema=False)
_MOST_FIELDS = 500


def _shown(
    request: Request,
    intake: Intake,
    settings: Settings,
    said: str = "",
    status: int = 200,
) -> Response:
    shown = shown_for(request)
    ready = intake.ready_together(settings.open_first_percent)
    views = row_views(intake, [r.listed for r in ready], shown)
    return page(
        request,
        "together.html",
        title=_("Accept together"),
        status=status,
        said=said,
        percent=settings.open_first_percent,
        day=words().day(intake.book.today()),
        closed=[v for v, r in zip(views, ready, strict=True) if r.drawn and not r.opened],
        rows=[(v, r.drawn) for v, r in zip(views, ready, strict=True) if not r.drawn or r.opened],
    )


@router.get("")
def together(request: Request, intake: IntakeOf, settings: SettingsOf) -> Response:
    """Show what can be accepted together, and what must be opened first."""
    return _shown(request, intake, settings)


def _told(done: Together) -> str:
    said = _n("{n} visit is accepted.", "{n} visits are accepted.", len(done.accepted))
    if done.left:
        left = _n(
            "{n} is left: it changed, or is to be opened first.",
            "{n} are left: they changed, or are to be opened first.",
            len(done.left),
        )
        said = f"{said} {left}"
    return said


@router.post("")
async def accept(request: Request, intake: IntakeOf, settings: SettingsOf) -> Response:
    """Accept the visits that were shown and stayed chosen."""
    async with request.form(max_fields=_MOST_FIELDS) as form:
        asked = [str(v) for v in form.getlist("visit")]
        name = str(form.get("who") or "")[:100]

    def change() -> Response:
        try:
            who = decider(request, name)
            chosen = [UUID(v) for v in asked]
            if not chosen:
                raise WordsMissing("choose at least one visit")
            done = intake.accept_together(chosen, who, settings.open_first_percent)
        except ValueError:
            told = _("Nothing was accepted: a visit was not understood.")
            return _shown(request, intake, settings, told, 422)
        except WordsMissing as error:
            problem: ProblemError = problem_of_book_error(error)
            told = _("Nothing was accepted: {why}.", why=why_not(error))
            return _shown(request, intake, settings, told, problem.details.status)
        return _shown(request, intake, settings, _told(done))

    return await run_in_threadpool(change)
