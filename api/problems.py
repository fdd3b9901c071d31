"""Errors over HTTP: RFC 9457 problem details, one shape, and the one table of status codes.

Every problem has ``type``, ``title``, ``status``, ``detail`` and ``errors``: a list that points
into the body (``pointer``, RFC 6901) or to the place in the file (``line``, ``column``, ``sheet``),
with what stood there, what was expected and what to do next.
"""

from __future__ import annotations

import json
import logging
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import replace
from http import HTTPStatus
from typing import Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from pydantic import BaseModel, ConfigDict, Field, ValidationError
from pydantic_core import PydanticSerializationError
from starlette.exceptions import HTTPException

from api.headers import HEADERS
from api.permissions import permissions_at
from api.words import N_
from ingest.documents import DocumentError, DocumentProblem
from ingest.intake import WordsMissing
from ingest.store import NotFound, StateConflict, UnfitText, VersionConflict
from parsers import Problem, ReadError

logger = logging.getLogger(__name__)

MEDIA_TYPE = "application/problem+json"
MOST_TOLD = 1000
"""Wrong places named in one answer: a body can hold a million, and nobody mends more at once."""

PROBLEMS: Mapping[str, tuple[int, str]] = {
    "not-valid": (422, "The request does not have the expected shape"),
    "not-readable": (422, "The file cannot be read as analyzer readings"),
    "unit-missing": (422, "A number stands without its unit"),
    "too-slow": (408, "The body came too slowly"),
    "too-large": (413, "More bytes than this fluebook takes"),
    "packed": (415, "A packed body is not taken"),
    "head-too-large": (431, "The head of the request is too large"),
    "not-found": (404, "There is nothing under this address"),
    "method-not-allowed": (405, "This address does not take this method"),
    "conflict": (409, "The change does not fit the present state"),
    "changed-meanwhile": (412, "Someone else changed it meanwhile"),
    "in-flight": (409, "The first request under this key is still worked on"),
    "done-before": (409, "The request took effect; its answer was lost"),
    "key-reused": (422, "The key belongs to another request"),
    "not-repeatable": (422, "This request takes no key for repeats"),
    "not-signed-in": (401, "Nobody is signed in, and no key was sent"),
    "not-allowed": (403, "This account or key may not do that"),
    "too-often": (429, "More requests than this fluebook takes from one sender"),
    "not-from-here": (403, "The form was not sent from a page of this fluebook"),
    "not-this-host": (421, "This fluebook does not answer under that name"),
    "bad-request": (400, "The request cannot be understood"),
    "words-missing": (422, "A decision needs its reason"),
    "not-installed": (501, "This fluebook lacks a part that the answer needs"),
    "failed": (500, "fluebook failed"),
}
"""Slug -> status and title; the problem's ``type`` is ``/problems/<slug>``."""


class ErrorItem(BaseModel):
    """One thing that is wrong, and where."""

    model_config = ConfigDict(extra="forbid")

    message: str = Field(description="What is wrong, as a sentence.")
    pointer: str | None = Field(default=None, description="JSON Pointer into the body (RFC 6901).")
    parameter: str | None = Field(default=None, description="Name of a query or path parameter.")
    line: int | None = Field(default=None, description="Physical line of the file, from 1.")
    column: int | None = Field(default=None, description="Column of the file, from 1.")
    sheet: str | None = Field(default=None, description="Sheet of a spreadsheet.")
    code: str | None = Field(default=None, description="Stable key of this kind of error.")
    raw: str | None = Field(default=None, description="What stood there.")
    expected: str | None = Field(default=None, description="What was expected instead.")
    next_step: str | None = Field(default=None, description="What to do.")


class ProblemDetails(BaseModel):
    """A problem as RFC 9457 shapes it, with the places that are wrong."""

    type: str = Field(description="Address that names the kind of problem.")
    title: str
    status: int
    detail: str
    errors: list[ErrorItem] = Field(default_factory=list)


class ProblemError(Exception):
    """Raised anywhere under a route; answered as problem details."""

    def __init__(
        self,
        slug: str,
        detail: str,
        errors: Sequence[ErrorItem] = (),
        headers: Mapping[str, str] | None = None,
    ) -> None:
        status, title = PROBLEMS[slug]
        self.headers = dict(headers or {})
        self.details = ProblemDetails(
            type=f"/problems/{slug}",
            title=title,
            status=status,
            detail=detail,
            errors=list(errors[:MOST_TOLD]),
        )
        super().__init__(detail)


def problem_of_read_error(error: ReadError) -> ProblemError:
    """Return a reading error with the line and column of everything that stopped it."""
    if all(found.code == "point_unclear" and found.line is None for found in error.problems):
        return _unclear_points(error)
    items = [
        _item(found, line=found.line, column=found.column, sheet=found.sheet)
        for found in error.problems
    ]
    return ProblemError("not-readable", " ".join(error.lines()), items)


def _item(found: Problem | DocumentProblem, **place: Any) -> ErrorItem:
    """Return one thing that a lower floor found wrong, with its place."""
    return ErrorItem(
        message=found.message,
        code=found.code,
        raw=found.raw,
        expected=found.expected,
        next_step=found.next_step,
        **place,
    )


def _unclear_points(error: ReadError) -> ProblemError:
    """Return what readings that came in no file lack, in the words of a body."""
    step = "State `firing_rate` and `phase` in each reading; `phase` may stand beside `readings`."
    items = [_item(replace(found, next_step=step)) for found in error.problems]
    return ProblemError("not-valid", "; ".join(i.message for i in items[:5]), items)


def problem_of_document_error(error: DocumentError) -> ProblemError:
    """Return a document's error with a pointer to every place that is wrong."""
    items = [
        _item(found, pointer=found.pointer if found.pointer.startswith("/") else None)
        for found in error.problems
    ]
    slug = "unit-missing" if any(p.code == "unit_missing" for p in error.problems) else "not-valid"
    return ProblemError(slug, "; ".join(p.message for p in error.problems[:5]), items)


@contextmanager
def inside(place: str) -> Iterator[None]:
    """Put a pointer before those of what is refused in this block: a document within a body."""
    try:
        yield
    except DocumentError as error:
        problem = problem_of_document_error(error)
    except ValidationError as error:
        problem = problem_of_validation(error.errors(), inside_body=True)
    except ProblemError as error:
        problem = error
    else:
        return
    for item in problem.details.errors:
        item.pointer = place + (item.pointer or "")
    raise problem


def problem_of_book_error(error: Exception) -> ProblemError:
    """Return what the book refuses: missing, another state, changed meanwhile, unexplained."""
    slug = {
        NotFound: "not-found",
        StateConflict: "conflict",
        VersionConflict: "changed-meanwhile",
        WordsMissing: "words-missing",
    }[type(error)]
    steps = {
        "conflict": N_("Look at the visit as it stands now."),
        "changed-meanwhile": N_("Read it again, then decide again."),
        "words-missing": N_("Send the reason along."),
    }
    step = steps.get(slug, N_("Look at the id."))
    return ProblemError(slug, f"{error}.", [ErrorItem(message=str(error), next_step=step)])


def problem_of_unfit_text(error: UnfitText) -> ProblemError:
    """Return a text that cannot be kept, with its place in what was sent."""
    item = ErrorItem(
        message=str(error),
        pointer=_pointer(error.path) if error.path else None,
        code="text_unfit",
        expected="whole characters, and no null character",
        next_step="Correct the place named and send it again; nothing was stored.",
    )
    return ProblemError("not-valid", f"{error}.", [item])


def _pointer(location: Sequence[int | str]) -> str:
    return "".join("/" + str(p).replace("~", "~0").replace("/", "~1") for p in location)


_NO_OBJECT = {
    "dict_type": "the body is no JSON object",
    "model_type": "the body is no JSON object",
    "model_attributes_type": "the body is no JSON object",
}


def problem_of_validation(
    errors: Sequence[Mapping[str, Any]], *, inside_body: bool = False
) -> ProblemError:
    """Return pydantic's errors with a pointer to each place.

    ``inside_body`` says that the locations start in the body, not at the request.
    """
    items, bare = [], False
    for found in errors[:MOST_TOLD]:
        location = list(found["loc"])
        place = "body" if inside_body else str(location.pop(0)) if location else "body"
        message = str(found["msg"]).removeprefix("Value error, ")
        if place == "body" and found["type"] in _NO_OBJECT and not location:
            message = _NO_OBJECT[found["type"]]
            if isinstance(found.get("input"), bytes):
                message = "the body is not sent as JSON: say Content-Type: application/json"
        elif found["type"] == "json_invalid":
            reason = (found.get("ctx") or {}).get("error", "it does not end as JSON does")
            message = f"the body is no JSON, at character {location[-1]}: {reason}"
            location = []
        # The door of dimensioned numbers raises BareNumber; pydantic keeps the exception in ctx.
        cause = (found.get("ctx") or {}).get("error")
        unitless = type(cause).__name__ == "BareNumber"
        bare = bare or unitless
        raw = found.get("input")
        items.append(
            ErrorItem(
                message=message,
                pointer=_pointer(location) if place == "body" else None,
                parameter=str(location[0]) if place != "body" and location else None,
                code="unit_missing" if unitless else str(found["type"]),
                raw=None if raw is None or isinstance(raw, dict | list) else str(raw)[:200],
                expected="a number with its unit" if unitless else message,
                next_step="State the unit beside the number, or declare it in `units`."
                if unitless
                else "Correct the place named and send it again; nothing was stored.",
            )
        )
    slug = "unit-missing" if bare else "not-valid"
    return ProblemError(slug, "; ".join(i.message for i in items[:5]), items)


class _Said(JSONResponse):
    """JSON that may repeat half a character of what was sent: as the escape that it came as."""

    def render(self, content: Any) -> bytes:
        text = json.dumps(content, ensure_ascii=False, separators=(",", ":"))
        return text.encode("utf-8", "backslashreplace")


def respond(problem: ProblemError, headers: Mapping[str, str] | None = None) -> JSONResponse:
    """Return the problem as an answer."""
    return _Said(
        problem.details.model_dump(exclude_none=True),
        status_code=problem.details.status,
        media_type=MEDIA_TYPE,
        headers=problem.headers | dict(headers or {}),
    )


def problem_of_status(status: int, detail: str) -> ProblemError:
    """Return the kind of problem that stands for a bare status code."""
    slug = next((s for s, (code, _) in PROBLEMS.items() if code == status), "bad-request")
    problem = ProblemError(slug, detail)
    problem.details.status = status
    if PROBLEMS[slug][0] != status:
        problem.details.title = HTTPStatus(status).phrase
    return problem


def install_problems(app: FastAPI) -> None:
    """Make every error of the application answer as problem details."""

    from api.form_refusals import problem_of_form  # it makes problems, too

    async def ours(_: Request, error: Exception) -> JSONResponse:
        assert isinstance(error, ProblemError)
        return respond(error)

    async def unreadable(_: Request, error: Exception) -> JSONResponse:
        assert isinstance(error, ReadError)
        return respond(problem_of_read_error(error))

    async def bad_document(_: Request, error: Exception) -> JSONResponse:
        assert isinstance(error, DocumentError)
        return respond(problem_of_document_error(error))

    async def refused(_: Request, error: Exception) -> JSONResponse:
        return respond(problem_of_book_error(error))

    async def not_valid(_: Request, error: Exception) -> JSONResponse:
        assert isinstance(error, RequestValidationError)
        return respond(problem_of_validation(error.errors()))

    async def document_not_valid(_: Request, error: Exception) -> JSONResponse:
        assert isinstance(error, ValidationError)
        return respond(problem_of_validation(error.errors(), inside_body=True))

    async def status_only(_: Request, error: Exception) -> JSONResponse:
        assert isinstance(error, HTTPException)
        form = problem_of_form(error)
        if form is not None:
            return respond(form)
        return respond(problem_of_status(error.status_code, str(error.detail)), error.headers)

    async def unfit_text(_: Request, error: Exception) -> JSONResponse:
        assert isinstance(error, UnfitText)
        return respond(problem_of_unfit_text(error))

    async def half_a_character(_: Request, error: Exception) -> JSONResponse:
        # JSON can name one half of a pair of UTF-16 alone; no text that can be kept holds it.
        if "surrogates not allowed" not in str(error):
            raise error
        detail = "A text holds half of a character (a lone surrogate); nothing was stored."
        step = "Send whole characters."
        return respond(
            ProblemError("not-valid", detail, [ErrorItem(message=detail, next_step=step)])
        )

    async def failed(request: Request, error: Exception) -> JSONResponse:
        # Never the address itself: a one-time link opens an account.
        there = next(iter(permissions_at(request.url.path).values()), None)
        place = "unknown" if there is None else there.path
        logger.error("%s %s failed", request.method, place, exc_info=error)
        # This answer is made outside of the guards: it brings its headers itself.
        return respond(ProblemError("failed", "An error of fluebook itself."), HEADERS)

    app.add_exception_handler(ProblemError, ours)
    app.add_exception_handler(ReadError, unreadable)
    for kind in (NotFound, StateConflict, VersionConflict, WordsMissing):
        app.add_exception_handler(kind, refused)
    app.add_exception_handler(DocumentError, bad_document)
    app.add_exception_handler(RequestValidationError, not_valid)
    app.add_exception_handler(ValidationError, document_not_valid)
    app.add_exception_handler(HTTPException, status_only)
    app.add_exception_handler(UnfitText, unfit_text)
    app.add_exception_handler(UnicodeEncodeError, half_a_character)
    app.add_exception_handler(PydanticSerializationError, half_a_character)
    app.add_exception_handler(Exception, failed)
