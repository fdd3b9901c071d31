"""What is refused, as a page in the reader's language; programs get problem details."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Mapping

from fastapi import APIRouter, FastAPI, Request, Response
from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException

from api.form_refusals import problem_of_form
from api.on_a_page import REFUSED, wants_page
from api.pages.render import page
from api.problems import PROBLEMS, ProblemDetails, ProblemError
from api.refusals import page_said, told
from api.words import _

router = APIRouter(include_in_schema=False)
Handler = Callable[[Request, Exception], Awaitable[Response]]
_AS_PROGRAMS = frozenset({Exception})
"""Kinds whose answer is the same for everybody: what failed may not show a page either."""


@router.get("/problems/{slug}")
def problem(request: Request, slug: str) -> Response:
    """Show a kind of problem; in place of a page that was refused, what was wrong there."""
    if slug not in PROBLEMS:
        raise HTTPException(404, "There is no such kind of problem.")
    refused = request.scope.get(REFUSED)
    if isinstance(refused, ProblemError):
        return _with(refused.headers, _refused(request, refused.details))
    status, title = PROBLEMS[slug]
    detail = _(
        "{title}. Answered with status {status}; the answer's errors name each place.",
        title=_(title),
        status=status,
    )
    return page(request, "problem.html", title=_(title), heading=_(title), detail=detail)


def _refused(request: Request, details: ProblemDetails) -> Response:
    """Return a page that says what was wrong, and what to do."""
    slug = details.type.rpartition("/")[2]
    said = _("This was not understood") if slug == "not-valid" else _(details.title)
    why = [_sentence(i.message, i.next_step) for i in told(details.errors)]
    return page(
        request,
        "problem.html",
        title=said,
        status=details.status,
        heading=said,
        detail=" ".join(dict.fromkeys(why)) or page_said(details.detail),
    )


def _with(headers: Mapping[str, str], shown: Response) -> Response:
    """Return a page with what the answer for programs says beside it: when to ask again."""
    for name, value in headers.items():
        shown.headers.setdefault(name, value)
    return shown


def _sentence(message: str, next_step: str | None) -> str:
    whole = message[:1].upper() + message[1:]
    ended = whole if whole.endswith((".", "?")) else f"{whole}."
    return f"{ended} {next_step}" if next_step and next_step != message else ended


def _says_why(error: HTTPException | RequestValidationError) -> bool:
    """Return whether more is known than a status: of a form, and of what the guards refuse."""
    return isinstance(error, HTTPException) and (
        error.status_code in (408, 413, 429) or problem_of_form(error) is not None
    )


def _bare(request: Request, error: HTTPException | RequestValidationError) -> Response:
    """Return the page of an answer of which nothing is known but its status."""
    missing = isinstance(error, HTTPException) and error.status_code == 404
    return page(
        request,
        "problem.html",
        title=_("Not found") if missing else _("Not understood"),
        status=error.status_code if isinstance(error, HTTPException) else 422,
        heading=_("Nothing is here") if missing else _("This was not understood"),
        detail=_("There is no page under this address.")
        if missing
        else _("Nothing was stored. Go back and look at what was entered."),
    )


def pages_speak_html(app: FastAPI) -> None:
    """Answer errors under the pages as a page; programs under /v1 get problem details."""

    def chosen(answered: Handler) -> Handler:
        async def either(request: Request, error: Exception) -> Response:
            if not wants_page(request.scope):
                return await answered(request, error)
            answer = await answered(request, error)
            if isinstance(error, HTTPException | RequestValidationError) and not _says_why(error):
                return _with(answer.headers, _bare(request, error))
            details = ProblemDetails.model_validate_json(bytes(answer.body))
            return _with(answer.headers, _refused(request, details))

        return either

    for kind, answered in list(app.exception_handlers.items()):
        if kind not in _AS_PROGRAMS and not isinstance(kind, int):
            app.exception_handlers[kind] = chosen(answered)  # type: ignore[arg-type]
