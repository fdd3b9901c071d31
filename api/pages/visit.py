"""One visit: what is found first, then the curve sheet, the evidence, and what can be done."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import datetime
from functools import partial
from typing import Any
from uuid import UUID

from fastapi import APIRouter, Request, Response

from api.doorkeeper import may_review, principal_of
from api.key_words import key_said
from api.pages.facts import LINES_SHOWN, FileView, file_view, visit_given
from api.pages.render import page, shown_for
from api.pages.service_view import service_groups
from api.pages.show import Shown, day
from api.pages.signed import pdf_at, signed_reports
from api.pages.sources import made_of, origins, sources
from api.pages.standing_view import StandingView, standing_view
from api.plan_words import plan_said
from api.problems import ErrorItem
from api.routes.shared import IntakeOf, plans_of
from api.words import N_, _
from ingest.intake import Intake, VisitView
from ingest.intake_service import MAX_PHOTO
from ingest.models import Boiler, Handled
from ingest.service.office import plan_named
from ingest.service.plans import Plan
from ingest.store import NotFound
from ingest.store.audit import trail
from ingest.store.readings import Attachment

router = APIRouter(include_in_schema=False)

_HAPPENED = {
    "visit_opened": N_("opened"),
    "visit_changed": N_("changed"),
    "file_added": N_("file handed over"),
    "file_withdrawn": N_("file withdrawn"),
    "readings_added": N_("readings added"),
    "reading_superseded": N_("reading corrected"),
    "handed_in": N_("handed in"),
    "report_made": N_("report made"),
    "accepted": N_("accepted"),
    "sent_back": N_("sent back"),
    "judged_again": N_("judged again"),
    "accepted_together": N_("accepted together with others"),
    "job_changed": N_("its job changed"),
    "photo_added": N_("picture added"),
    "cut_corrected": N_("cut corrected of"),
    "cut_confirmed": N_("firing points taken from"),
}


@dataclass(frozen=True, slots=True)
class Photo:
    """A picture under the visit, and what it shows."""

    sha256: str
    caption: str


_FIELDS = dict.fromkeys(
    ("rates", "as_log", "phase", "line_ranges", "fuel", "units", "zone", "started"), ""
) | {"response_time": "", "caption": "", "day_first": "", "decimal": ""}


@dataclass(frozen=True, slots=True)
class RefusedFile:
    """A file that was not taken, and the fields that it came with."""

    sha256: str
    fields: Mapping[str, str]

    def fate(self, attachments: Sequence[Attachment]) -> str:
        """Return what became of the bytes."""
        for file in attachments:
            if file.sha256 == self.sha256 and file.withdrawn_at is None:
                return _(
                    "The same bytes are kept under this visit from before, as {name}; they are "
                    "untouched, and nothing was added to them.",
                    name=file.name,
                )
        return _("The file is not kept here: choose it again.")


def _happened(line: dict[str, Any]) -> str:
    at = datetime.fromisoformat(line["at"])
    details = line["details"]
    words = details.get("words") or details.get("note") or details.get("why") or ""
    about = details.get("file") or ""
    said = " ".join(filter(None, [_(_HAPPENED.get(line["action"], line["action"])), about]))
    when = f"{day(at)}, {at:%H:%M} UTC"
    told = _("{when}: {what}, by {who}", when=when, what=said, who=line["who"])
    return told + (f": {words}" if words else "")


@dataclass(frozen=True, slots=True)
class Deciding:
    """What a reviewer's page leads on to: the visit that waits behind this one, if one does."""

    following: UUID | None
    boiler: str = ""


def _files(intake: Intake, view: VisitView) -> list[FileView]:
    logs = intake.logs(view.visit.id) if view.visit.id and view.attachments else {}
    return [
        replace(
            file_view(
                file.name,
                file.sha256,
                file.size,
                partial(intake.evidence_under, file.visit_id, file.sha256),
                file.added_by,
            ),
            id=file.id,
            log=file.id if file.id in logs else None,
            log_taken=logs.get(file.id, True),
        )
        for file in view.attachments
        if file.withdrawn_at is None and file.kind != "photo"
    ]


def photos_of(view: VisitView) -> list[Photo]:
    """Return the pictures that a visit holds."""
    return [
        Photo(file.sha256, str(file.statement.get("caption") or file.name))
        for file in view.attachments
        if file.withdrawn_at is None and file.kind == "photo"
    ]


def done_about(view: VisitView) -> dict[str, Handled]:
    """Return what was done about each finding, by the flag's id."""
    found = ((f.id, view.visit.done_about(f.id, f.rule)) for f in view.judgement.flags)
    return {identity: done for identity, done in found if done is not None}


def _standing(intake: Intake, view: VisitView, shown: Shown) -> dict[str, StandingView]:
    """Return what covers the findings, by the flag's id."""
    if view.visit.id is None or not view.judgements:
        return {}
    found = intake.covered_flags(view.visit.id)
    flags = view.judgement.flags
    return {flags[n].id: standing_view(one, shown) for n, one in found.items() if n < len(flags)}


def _deciding(request: Request, intake: Intake, view: VisitView) -> Deciding | None:
    """Return where a reviewer goes on; None for others, and while the visit is in the field."""
    if not may_review(request.scope) or view.visit.id is None or view.state == "open":
        return None
    following = intake.next_to_review(view.visit.id)
    if following is None:
        return Deciding(None)
    return Deciding(following[0], following[1] or _("Boiler not yet known"))


def _can_stand(request: Request, view: VisitView) -> bool:
    """Return whether the reader may let a finding of this visit stand."""
    return may_review(request.scope) and view.visit.boiler_id is not None


def plan_of_view(request: Request, intake: Intake, view: VisitView) -> Plan | None:
    """Return the plan that a visit is judged by, else the office's that its record names."""
    decided = [j for j in view.judgements if j.kind != "again"][-1:]
    if decided and decided[0].plan is not None:
        return intake.plan(decided[0].plan, decided[0].plan_version)
    record = view.visit.service
    if record is None or record.plan is None:
        return None
    known = plans_of(request)
    return intake.plan_of(view.visit) or plan_named(known, record.plan, record.plan_version)


def visit_page(
    request: Request,
    intake: Intake,
    visit_id: UUID,
    *,
    status: int = 200,
    problem_title: str = "",
    problems: Sequence[ErrorItem] = (),
    said: Mapping[str, str] | None = None,
    upload: RefusedFile | None = None,
) -> Response:
    """Return the page of a visit, with what was refused at its head.

    ``said`` are words about flags as they were typed, by the flag's id, where they were refused;
    ``upload`` is a file that was, whose form comes back as it was filled in.
    """
    try:
        view = intake.visit(visit_id)
    except NotFound:
        return page(
            request,
            "problem.html",
            title=_("Not found"),
            status=404,
            heading=_("No such visit"),
            detail=_("There is no visit under this address in this book."),
        )
    return visit_shown(
        request,
        intake,
        view,
        status=status,
        problem_title=problem_title,
        problems=problems,
        said=said,
        upload=upload,
    )


def visit_shown(
    request: Request,
    intake: Intake,
    view: VisitView,
    *,
    status: int = 200,
    problem_title: str = "",
    problems: Sequence[ErrorItem] = (),
    said: Mapping[str, str] | None = None,
    upload: RefusedFile | None = None,
    coming: bool = False,
) -> Response:
    """Return the page of a visit as it was read; ``coming`` is one that nobody has begun yet."""
    shown = shown_for(request)
    boiler = view.boiler or Boiler(name=_("Boiler not yet known"))
    files = [a for a in view.attachments if a.withdrawn_at is None and a.kind != "photo"]
    plan = plan_of_view(request, intake, view)
    fuel = key_said(view.visit.fuel or boiler.fuel)
    lines = trail(intake.book.reader, f"visit:{view.visit.id}")
    made = made_of(view)
    origin = origins(made, files, LINES_SHOWN)
    standing = _standing(intake, view, shown)
    return page(
        request,
        "visit.html",
        title=f"{boiler.name}, {day(view.visit.started)}",
        status=status,
        id=view.visit.id,
        coming=coming,
        boiler=boiler,
        site_name=_("site not yet known") if view.site is None else view.site.name,
        day=day(view.visit.started),
        fuel=fuel,
        state=view.state,
        job=view.visit.job_id,
        technician=view.whole.technician,
        problem_title=problem_title,
        problems=problems,
        files=_files(intake, view),
        plan=None if plan is None else plan_said(plan),
        service=service_groups(view.whole, plan, shown),
        photos=photos_of(view),
        max_photo=MAX_PHOTO // (1024 * 1024),
        trail=[_happened(line) for line in lines],
        pdf_at=pdf_at(view.visit.id, shown.system),
        signed_reports=signed_reports(lines, view.visit.id, shown.system),
        done=done_about(view),
        printed_name=principal_of(request.scope).printed_name,
        said=said or {},
        entered=_FIELDS | (dict(upload.fields) if upload else {"phase": "as_left"}),
        fate=upload.fate(view.attachments) if upload else "",
        standing=standing,
        can_stand=_can_stand(request, view),
        may_review=may_review(request.scope),
        deciding=_deciding(request, intake, view),
        **visit_given(
            boiler,
            view.whole,
            view.points,
            view.judgement,
            view.judgements[-1].limits if view.judgements else view.limits.snapshot,
            shown,
            origin,
            view.history,
            sources(made, files, lines, origin),
            standing,
        ),
    )


@router.get("/visits/{visit_id}")
def visit(request: Request, visit_id: UUID, intake: IntakeOf) -> Response:
    """Show one visit; that a reviewer has opened it is kept while it waits."""
    person = principal_of(request.scope)
    if may_review(request.scope):
        with suppress(NotFound):
            intake.opened_for_review(visit_id, person.name or "page")
    return visit_page(request, intake, visit_id)
