"""The forms of a visit's page: each makes one change and shows the page again.

What is refused comes back on the page itself, said first, with the status that a program reads.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping
from typing import Any
from uuid import UUID

from fastapi import APIRouter, Request, Response
from fastapi.responses import PlainTextResponse, RedirectResponse
from starlette.concurrency import run_in_threadpool

from api.acts import report_signing
from api.doorkeeper import principal_of
from api.file_options import read_options_from
from api.file_progress import FileProgress, Key
from api.pages.visit import RefusedFile, visit_page
from api.problems import ErrorItem, ProblemError, problem_of_book_error, problem_of_read_error
from api.refusals import told
from api.routes.files import is_log, response_time_from, statement_from, uploaded
from api.routes.photos import taken
from api.routes.shared import IntakeOf, signer
from api.words import _
from ingest.intake import Intake, Said, WordsMissing
from ingest.store import NotFound, StateConflict, VersionConflict
from parsers import PointsUnclear, ReadError

router = APIRouter(prefix="/visits/{visit_id}", include_in_schema=False)
_MOST_FIELDS = 4000
TAKING = "Fluebook-Taking"
"""Says on an answer about a file on its way whether it goes on."""
_LOG_FROM = 20
"""Readings without a rate from which on a file is rather a log than a list of snapshots."""


async def done_or_said(
    request: Request,
    intake: Intake,
    visit_id: UUID,
    change: Callable[[], object],
    title: str,
    at: str | Callable[[], str],
    said: Mapping[str, str] | None = None,
    upload: RefusedFile | None = None,
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
        place = at if isinstance(at, str) else at()
        return RedirectResponse(f"/visits/{visit_id}{place}", status_code=303)
    details = problem.details

    def shown() -> Response:
        return visit_page(
            request,
            intake,
            visit_id,
            status=details.status,
            problem_title=title,
            problems=told(details.errors),
            said=said,
            upload=upload,
        )

    return await run_in_threadpool(shown)


async def _words(request: Request) -> tuple[str, str, str]:
    """Return who acts, the words given, and the name as printed under the report."""
    async with request.form() as form:
        who = signer(request, str(form.get("who") or "")[:100])
        why = str(form.get("why") or "").strip()[:1000]
        return who, why, str(form.get("printed_name") or "").strip()[:100]


def _named(who: str) -> str:
    if not who:
        raise WordsMissing(_("who does this"))
    return who


@router.post("/files")
async def hand_over(request: Request, visit_id: UUID, intake: IntakeOf) -> Response:
    """Take a file from the upload form."""
    name, data, fields = await uploaded(request)
    logs: list[UUID] = []
    who = signer(request, "") or "page"

    progress, key = _progress(request, visit_id)

    def change() -> object:
        with progress.following(key, len(data)):
            return take()

    def take() -> object:
        if is_log(fields):
            # Which phase its stretches are is asked on the cut: the form's choice is for readings.
            seconds = response_time_from(fields)
            options = read_options_from(fields)
            cut, _readings = intake.add_log(
                visit_id, data, name, who, options=options, response_time=seconds
            )
            logs.append(cut.attachment.id)
            return cut
        statement = statement_from(fields)
        try:
            options = read_options_from(fields)
            return intake.add_file(visit_id, data, name, who, statement=statement, options=options)
        except PointsUnclear as error:
            raise _perhaps_a_log(error, name) from error

    title = _("{file} was not taken", file=name)
    return await done_or_said(
        request,
        intake,
        visit_id,
        change,
        title,
        lambda: f"/logs/{logs[0]}" if logs else "#why",
        upload=_refused(data, fields),
    )


def _progress(request: Request, visit_id: UUID) -> tuple[FileProgress, Key]:
    found: FileProgress = request.app.state.file_progress
    person = principal_of(request.scope)
    entry = request.path_params.get("entry") or request.headers.get("idempotency-key", "")
    return found, (str(person.id or person.kind), visit_id, entry)


@router.get("/files/progress/{entry}")
def how_far(request: Request, visit_id: UUID, entry: str) -> Response:
    """Say in words how far the sender's own file has come; nothing where it is not known."""
    progress, key = _progress(request, visit_id)
    said = progress.said(key)
    headers = {"Cache-Control": "no-store", TAKING: "going" if said.going else "still"}
    return PlainTextResponse(said.words, headers=headers)


def _refused(data: bytes, fields: Mapping[str, Any]) -> RefusedFile:
    return RefusedFile(hashlib.sha256(data).hexdigest(), {k: str(v) for k, v in fields.items()})


def _perhaps_a_log(error: PointsUnclear, name: str) -> Exception:
    """Return one line in place of fifty where a log was handed over as if it were snapshots."""
    many = [p for p in error.problems if p.code in ("point_unclear", "rates_do_not_match")]
    if len(many) != len(error.problems) or not (len(many) >= _LOG_FROM or len(many) == 1):
        return error
    step = _(
        "If it is a continuous log, hand it over again with the box for logs ticked: its stretches "
        "are then found and shown to you. Otherwise state one firing rate for each reading."
    )
    item = ErrorItem(message=many[0].message, line=many[0].line, next_step=step)
    return ProblemError(
        "not-readable", _("{file}: its readings have no firing rate.", file=name), [item]
    )


@router.post("/photos")
async def add_picture(request: Request, visit_id: UUID, intake: IntakeOf) -> Response:
    """Take a picture from the form."""
    name, data, fields = await uploaded(request)
    caption = str(fields.get("caption") or "").strip()[:200]

    def change() -> object:
        who = signer(request, "") or "page"
        return taken(intake, visit_id, data, name, who, caption=caption)

    title = _("{file} was not taken", file=name)
    return await done_or_said(
        request, intake, visit_id, change, title, "#photos", upload=_refused(data, fields)
    )


@router.post("/handled")
async def handled(request: Request, visit_id: UUID, intake: IntakeOf) -> Response:
    """Take what was done about each finding; only what was changed on the form is written."""
    async with request.form(max_fields=_MOST_FIELDS) as form:
        entries = {k: v[:2000] for k, v in form.items() if isinstance(v, str)}
    who = signer(request, entries.get("who", "")[:100])
    words = {k.removeprefix("done."): v for k, v in entries.items() if k.startswith("done.")}
    was = {flag: entries.get(f"was.{flag}", "") for flag in words}
    said = [Said(f, w, was[f]) for f, w in words.items() if w.strip() != was[f].strip()]
    return await done_or_said(
        request,
        intake,
        visit_id,
        lambda: intake.say_handled(visit_id, said, _named(who)) if said else None,
        _("What was done was not stored"),
        "#why",
        words,
    )


@router.post("/hand-in")
async def hand_in(request: Request, visit_id: UUID, intake: IntakeOf) -> Response:
    """Hand the visit in."""
    who, _why, printed = await _words(request)
    sign = report_signing(request, intake, visit_id, printed)
    return await done_or_said(
        request,
        intake,
        visit_id,
        lambda: intake.hand_in(visit_id, _named(who), sign=sign),
        _("The visit was not handed in"),
        "",
    )


@router.post("/accept")
async def accept(request: Request, visit_id: UUID, intake: IntakeOf) -> Response:
    """Accept the visit."""
    who, why, printed = await _words(request)
    sign = report_signing(request, intake, visit_id, printed)
    return await done_or_said(
        request,
        intake,
        visit_id,
        lambda: intake.accept(visit_id, _named(who), why, sign=sign),
        _("The visit was not accepted"),
        "#next",
    )


@router.post("/send-back")
async def send_back(request: Request, visit_id: UUID, intake: IntakeOf) -> Response:
    """Send the visit back."""
    who, why, _printed = await _words(request)
    return await done_or_said(
        request,
        intake,
        visit_id,
        lambda: intake.send_back(visit_id, _named(who), why),
        _("The visit was not sent back"),
        "#next",
    )
