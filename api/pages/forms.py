"""The forms of a visit's page: each makes one change and shows the page again.

What is refused comes back on the page itself, said first, with the status that a program reads.
"""

from __future__ import annotations

from collections.abc import Callable
from uuid import UUID

from fastapi import APIRouter, Request, Response
from fastapi.responses import RedirectResponse
from starlette.concurrency import run_in_threadpool

from api.pages.visit import visit_page
from api.problems import ProblemError, problem_of_book_error, problem_of_read_error
from api.routes.files import statement_from, uploaded
from api.routes.shared import IntakeOf
from ingest.intake import Intake, WordsMissing
from ingest.store import NotFound, StateConflict, VersionConflict
from parsers import ReadError

router = APIRouter(prefix="/visits/{visit_id}", include_in_schema=False)


async def _done_or_said(
    request: Request,
    intake: Intake,
    visit_id: UUID,
    change: Callable[[], object],
    title: str,
    at: str,
) -> Response:
    try:
        await run_in_threadpool(change)
    except ReadError as error:
        problem = problem_of_read_error(error)
    except ProblemError as error:
        problem = error
    except (NotFound, StateConflict, VersionConflict, WordsMissing) as error:
        problem = problem_of_book_error(error)
    else:
        return RedirectResponse(f"/visits/{visit_id}{at}", status_code=303)
    details = problem.details

    def shown() -> Response:
        return visit_page(
            request,
            intake,
            visit_id,
            status=details.status,
            problem_title=title,
            problems=details.errors,
        )

    return await run_in_threadpool(shown)


async def _words(request: Request) -> tuple[str, str]:
    async with request.form() as form:
        return str(form.get("who") or "").strip()[:100], str(form.get("why") or "").strip()[:1000]


def _named(who: str) -> str:
    if not who:
        raise WordsMissing("who does this")
    return who


@router.post("/files")
async def hand_over(request: Request, visit_id: UUID, intake: IntakeOf) -> Response:
    """Take a file from the upload form."""
    name, data, fields = await uploaded(request)

    def change() -> object:
        statement = statement_from(fields)
        return intake.add_file(visit_id, data, name, "page", statement=statement)

    title = f"{name} was not taken"
    return await _done_or_said(request, intake, visit_id, change, title, "#why")


@router.post("/hand-in")
async def hand_in(request: Request, visit_id: UUID, intake: IntakeOf) -> Response:
    """Hand the visit in."""
    who, _ = await _words(request)
    return await _done_or_said(
        request,
        intake,
        visit_id,
        lambda: intake.hand_in(visit_id, _named(who)),
        "The visit was not handed in",
        "",
    )


@router.post("/accept")
async def accept(request: Request, visit_id: UUID, intake: IntakeOf) -> Response:
    """Accept the visit."""
    who, why = await _words(request)
    return await _done_or_said(
        request,
        intake,
        visit_id,
        lambda: intake.accept(visit_id, _named(who), why),
        "The visit was not accepted",
        "",
    )


@router.post("/send-back")
async def send_back(request: Request, visit_id: UUID, intake: IntakeOf) -> Response:
    """Send the visit back."""
    who, why = await _words(request)
    return await _done_or_said(
        request,
        intake,
        visit_id,
        lambda: intake.send_back(visit_id, _named(who), why),
        "The visit was not sent back",
        "",
    )
