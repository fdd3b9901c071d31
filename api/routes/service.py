"""Report of a visit, and what is due: for programs, and as pages."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated, Any, Literal
from uuid import UUID

from fastapi import APIRouter, Query, Request, Response
from pydantic import BaseModel, ConfigDict, Field

from api.answers import refuses
from api.due_list import DueList, due_ics, due_in_book, due_json
from api.languages import language_and_region
from api.pages.due import boiler_views, calendar_words, sentence, shown_day
from api.pages.render import page, shown_for
from api.pages.signed import pdf_at, signed_at
from api.problems import ErrorItem, ProblemError
from api.report.from_book import make_report, signed_report
from api.report.given import ReportOptions
from api.routes.shared import IntakeOf, SettingsOf, Who, plans_of
from api.words import LANGUAGES, SOURCE, _, speaking, words, words_of
from ingest.intake import Intake
from ingest.service.calendar import in_english
from ingest.service.intervals import add_months, end_of_month

router = APIRouter(tags=["service"])

Paper = Annotated[Literal["a4", "us-letter"], Query(description="Paper of the PDF.")]
Units = Annotated[Literal["si", "us"] | None, Query(description="The office's if absent.")]
Language = Annotated[
    str,
    Query(
        pattern=f"^({'|'.join(LANGUAGES)})([-_][A-Z]{{2}})?$",
        description="Language it speaks; a region (`es-MX`) decides how numbers are written.",
    ),
]
Signed = Annotated[
    str | None,
    Query(
        pattern="^[0-9a-f]{64}$",
        description="SHA-256 of a kept content: that one, in the units and language it has.",
    ),
]
Until = Annotated[str, Query(max_length=20, description="Last month or day: 2027-03.")]
_SITE = Query(description="Only boilers of this site.")
_PDF: dict[int | str, dict[str, Any]] = {
    200: {"content": {"application/pdf": {"schema": {"type": "string", "format": "binary"}}}}
}
_ICS: dict[int | str, dict[str, Any]] = {
    200: {"content": {"text/calendar": {"schema": {"type": "string"}}}}
}


class Made(BaseModel):
    """A report that has its line in the audit chain."""

    model_config = ConfigDict(extra="forbid")

    report_id: str
    content_sha256: str = Field(description="SHA-256 of what it says, which the chain keeps.")


def _language(asked: str) -> tuple[str, str | None]:
    try:
        return language_and_region(asked)
    except ValueError as error:
        item = ErrorItem(message=str(error), parameter="language", raw=asked)
        raise ProblemError("not-valid", str(error), [item]) from error


def _options(
    settings: SettingsOf, paper: Literal["a4", "us-letter"], units: Any, asked: str
) -> ReportOptions:
    return ReportOptions(paper, units or settings.units, *_language(asked))


@router.get(
    "/v1/visits/{visit_id}/report.pdf",
    summary="The report as PDF",
    response_class=Response,
    responses=_PDF,
)
@refuses(404)
def report_file(
    visit_id: UUID,
    request: Request,
    intake: IntakeOf,
    settings: SettingsOf,
    who: Who,
    paper: Paper = "a4",
    units: Units = None,
    language: Language = SOURCE,
    signed: Signed = None,
) -> Response:
    """Set the report of the visit as it stands; nothing is written to the book.

    With `signed` it is the content that was kept under that SHA-256, as it was signed.
    """
    if signed is not None:
        data = signed_report(intake, visit_id, signed, paper)
    else:
        data = make_report(
            intake,
            visit_id,
            plans_of(request),
            who,
            options=_options(settings, paper, units, language),
            company=settings.company,
            keep=False,
        ).data
    name = f'inline; filename="report-{visit_id}.pdf"'
    return Response(data, media_type="application/pdf", headers={"Content-Disposition": name})


@router.post("/v1/visits/{visit_id}/report", summary="Put the report into the audit chain")
@refuses(404)
def keep_report(
    visit_id: UUID,
    request: Request,
    intake: IntakeOf,
    settings: SettingsOf,
    who: Who,
    units: Units = None,
    language: Language = SOURCE,
) -> Made:
    """Write the SHA-256 of the report's content to the audit chain, once for each content.

    Units and language are part of the content; what hand-in and acceptance signed stays as it is.
    """
    made = make_report(
        intake,
        visit_id,
        plans_of(request),
        who,
        face="html",
        options=_options(settings, "a4", units, language),
        company=settings.company,
    )
    return Made(report_id=made.report_id, content_sha256=made.content_sha256)


@router.get("/visits/{visit_id}/report", include_in_schema=False)
def report_page(
    visit_id: UUID, request: Request, intake: IntakeOf, settings: SettingsOf, who: Who
) -> Response:
    """Show the report as a page, in its reader's language and units."""
    system = shown_for(request).system
    made = make_report(
        intake,
        visit_id,
        plans_of(request),
        who,
        face="html",
        options=ReportOptions(
            units=system,
            language=words().language,
            region=words().locale.territory,
        ),
        company=settings.company,
        keep=False,
        stylesheet_at="/static/report.css",
        photos_at=f"/visits/{visit_id}/photos/",
        ways=[
            (f"/visits/{visit_id}", _("To the visit")),
            (pdf_at(visit_id, system), _("Report as PDF")),
        ],
        signed_at=signed_at(visit_id, system),
    )
    return Response(made.data, media_type="text/html; charset=utf-8")


def _due(request: Request, intake: Intake, until: str, site_id: UUID | None = None) -> DueList:
    try:
        last = end_of_month(until)
    except ValueError as error:
        item = ErrorItem(message=str(error), parameter="until", raw=until[:100])
        raise ProblemError("not-valid", str(error), [item]) from error
    return due_in_book(intake, last, plans_of(request), site_id=site_id)


@router.get("/v1/due", summary="What is due until a month, and parts to pick")
def due(
    request: Request,
    intake: IntakeOf,
    until: Until,
    site_id: Annotated[UUID | None, _SITE] = None,
) -> dict[str, Any]:
    """List tasks, tests, parts, open findings, wanted readings: fluebook.due/1."""
    return due_json(_due(request, intake, until, site_id))


@router.get(
    "/v1/due.ics",
    summary="What is due, as a calendar",
    response_class=Response,
    responses=_ICS,
)
def due_calendar(
    request: Request,
    intake: IntakeOf,
    until: Until,
    site_id: Annotated[UUID | None, _SITE] = None,
    language: Language = SOURCE,
) -> Response:
    """Return an iCalendar file (RFC 5545): one all-day entry for each thing due at a boiler.

    An entry keeps its UID when its day moves; what was done or closed since is cancelled.
    """
    spoken, region = _language(language)
    found = _due(request, intake, until, site_id)
    with speaking(words_of(spoken, region)):
        said = in_english if spoken == SOURCE else calendar_words
        made = due_ics(intake, found, plans_of(request), said)
    return Response(made, media_type="text/calendar")


@router.get("/due", include_in_schema=False)
def due_page(request: Request, intake: IntakeOf) -> Response:
    """Show what is due until a month; three months from now where none is asked for."""
    today = datetime.now(UTC).date()
    asked = request.query_params.get("until") or f"{add_months(today, 3):%Y-%m}"
    found = _due(request, intake, asked)
    return page(
        request,
        "due.html",
        title=_("What is due"),
        found=found,
        until=shown_day(found.until),
        sentence=sentence(found),
        boilers=boiler_views(found, today=today),
        asked=asked,
        calendar_language="" if words().language == SOURCE else words().place,
    )
