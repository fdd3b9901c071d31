"""A report of a visit in a book, its line in the audit chain, and what hand-in and acceptance sign.

The report's time is that of the last change of the visit that is no act, never the clock's: the
same visit gives the same bytes. Each content that is new gets one ``report_made`` line with its
SHA-256; a later report names the one before it.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Any, Literal
from uuid import UUID

from api.pages.sources import made_of, sources
from api.report.given import Evidence, Photo, ReportInput, ReportOptions
from api.report.html import report_html
from api.report.numbers import MADE, Numbered, numbered
from api.report.pdf import report_pdf
from api.report.pictures import can_be_set
from api.report.signatures import kept_contents, signatures
from ingest.intake import PROGRAM_VERSION, Decided, Intake, Signing, VisitView
from ingest.limits import held_to
from ingest.models import Boiler
from ingest.service.findings import open_findings
from ingest.service.office import plan_named
from ingest.service.plans import Plan
from ingest.service.rules import (
    holds_service,
    lacks_plan,
    with_service,
    without_service,
)
from ingest.store import NotFound
from ingest.store.book import Change
from ingest.store.readings import keep_evidence, kept_bytes

__all__ = ["MADE", "MadeReport", "make_report", "report_input", "signing"]

Face = Literal["pdf", "html"]
_NO_TIME = datetime(2000, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class MadeReport:
    """A report as it was set, and the SHA-256 of its content that the audit chain keeps."""

    data: bytes
    content_sha256: str
    report_id: str


def report_input(
    intake: Intake,
    view: VisitView,
    plans: Mapping[str, Plan],
    *,
    company: str = "",
    deciding: Decided | None = None,
) -> ReportInput:
    """Return what a visit's report says, from the book alone.

    Parameters
    ----------
    intake : Intake
        For the audit chain and the bytes of pictures.
    view : VisitView
        The visit; its frozen judgement and limits where it was handed in.
    plans : mapping of plan key to Plan
        The office's plans, for what the book does not hold; one that the visit names and that is
        nowhere leaves most of the service part not judged, which the report says.
    company : str
        Name at its head.
    deciding : Decided or None
        The judgement that is being frozen; the book's own if absent.
    """
    visit, boiler = view.whole, view.boiler or Boiler(name="not yet assigned")
    decided = [j for j in view.judgements if j.kind != "again"][-1]
    record = visit.service
    plan = intake.plan_of(view.visit)
    if decided.plan is not None:
        plan = intake.plan(decided.plan, decided.plan_version)
    if plan is None and record is not None and record.plan is not None:
        plan = plan_named(plans, record.plan, record.plan_version)
    records = [v.service for v in view.before if v.service is not None]
    judgement = view.judgement if deciding is None else deciding.judgement
    limits = decided.limits if deciding is None else deciding.limits
    if not holds_service(judgement) or (plan is not None and lacks_plan(judgement)):
        # Judged when no plan was at hand: the readings' judgement stays, the service part's is new.
        readings = without_service(judgement)
        judgement = with_service(
            readings,
            plan,
            visit=visit,
            boiler=boiler,
            limits=held_to(limits),
            earlier=view.before,
        )
    standing = [a for a in view.attachments if a.withdrawn_at is None]
    photos = _photos(intake, standing)
    taken, trail = intake.logs(_id(view)), intake.trail(_id(view))
    pictured = {p.sha256 for p in photos}
    return ReportInput(
        report_id=str(_id(view)),
        made=_NO_TIME,
        boiler=boiler,
        visit=visit,
        points=view.points,
        judgement=judgement,
        limits=limits,
        site=view.site,
        company=company or None,
        plan=plan,
        open_findings=open_findings(records),
        history=view.history,
        evidence=[
            Evidence(a.name, a.sha256, a.size, a.kind) for a in standing if a.sha256 not in pictured
        ],
        waiting_logs=[a.name for a in standing if not taken.get(a.id, True)],
        photos=photos,
        signatures=signatures(trail),
        program_version=decided.program_version if deciding is None else PROGRAM_VERSION,
        source=sources(made_of(view), standing, trail),
    )


def _id(view: VisitView) -> UUID:
    if view.visit.id is None:  # pragma: no cover - a visit in a book has one
        raise ValueError("a visit without an id has no report")
    return view.visit.id


def _photos(intake: Intake, attachments: Sequence[Any]) -> list[Photo]:
    found: list[Photo] = []
    for attachment in attachments:
        if attachment.kind != "photo":
            continue
        data = intake.evidence_under(attachment.visit_id, attachment.sha256)
        if can_be_set(data):
            # Telephones give every picture the same name.
            same = sum(p.name.partition(" (")[0] == attachment.name for p in found)
            name = f"{attachment.name} ({same + 1})" if same else attachment.name
            said = str(attachment.statement.get("caption") or name)
            found.append(Photo(name, attachment.sha256, data, said))
    return found


def signing(
    intake: Intake,
    visit_id: UUID,
    plans: Mapping[str, Plan],
    *,
    printed_name: str = "",
    options: ReportOptions | None = None,
    company: str = "",
) -> Signing:
    """Return what a hand-in or an acceptance does beside its own: it keeps and signs the report.

    The line of the act then holds the name as printed, the report's number and the SHA-256 of its
    content; the report itself gets its ``report_made`` line before it, all in one change.
    """

    def sign(change: Change, deciding: Decided | None) -> Mapping[str, Any]:
        view = intake.visit(visit_id)
        given = report_input(intake, view, plans, company=company, deciding=deciding)
        made = numbered(given, options or ReportOptions(), intake.trail(visit_id), visit_id)
        _keep(change, visit_id, made)
        signed = {"report_id": made.given.report_id, "report_sha256": made.content_sha256}
        return {**signed, "printed_name": printed_name.strip() or change.who}

    return sign


def _keep(change: Change, visit_id: UUID, made: Numbered) -> None:
    keep_evidence(change, made.signed)
    if not made.kept:
        change.record(MADE, f"visit:{visit_id}", made.details)


def _details_of(intake: Intake, visit_id: UUID, sha256: str) -> Mapping[str, Any]:
    """Return what the trail says of the first report of a visit with a content."""
    for line in intake.trail(visit_id):
        if line["action"] == MADE and line["details"]["content_sha256"] == sha256:
            details: Mapping[str, Any] = line["details"]
            return details
    raise NotFound("report", sha256)


def signed_report(
    intake: Intake, visit_id: UUID, sha256: str, paper: Literal["a4", "us-letter"] = "a4"
) -> bytes:
    """Return as PDF what was signed, in its own units and language, whatever is made today.

    Raises
    ------
    NotFound
        If the visit has no such report, or its content was not kept in full.
    """
    view = intake.visit(visit_id)
    details = _details_of(intake, visit_id, sha256)
    body = kept_bytes(intake.book.reader, sha256)
    if body is None:
        raise NotFound("report", sha256)
    units, _blank, tag = str(details["setting"]).partition(" ")
    language, _bar, region = tag.partition("_")
    options = ReportOptions(paper, "us" if units == "us" else "si", language, region or None)
    given = report_input(intake, view, {})
    made = datetime.fromisoformat(details["made"])
    given = replace(given, made=made, photos=_photos_of(intake, body))
    return report_pdf(given, options, signed=body)


def _photos_of(intake: Intake, body: bytes) -> list[Photo]:
    """Return the pictures of a kept content, though their files were withdrawn since."""
    _number, parts = json.loads(body)
    hashed = {name: sha for b in parts if b["kind"] == "hashes" for name, _what, sha in b["rows"]}
    found = []
    for row in (row for b in parts if b["kind"] == "photos" for row in b["rows"]):
        sha256 = hashed[row["name"]]
        data = kept_bytes(intake.book.reader, sha256)
        if data is None:
            raise NotFound("evidence", sha256)
        found.append(Photo(row["name"], sha256, data, row["caption"]))
    return found


def make_report(
    intake: Intake,
    visit_id: UUID,
    plans: Mapping[str, Plan],
    who: str,
    *,
    face: Face = "pdf",
    options: ReportOptions | None = None,
    company: str = "",
    keep: bool = True,
    stylesheet_at: str | None = None,
    photos_at: str | None = None,
    ways: Sequence[tuple[str, str]] = (),
    signed_at: str | None = None,
) -> MadeReport:
    """Return a visit's report; a content not seen before gets its line in the audit chain.

    With ``keep`` false nothing is written: the same report, and the chain as it was. ``ways`` are
    where the page's reader may go on, ``signed_at`` the address before a signed content's SHA-256.

    Raises
    ------
    NotFound
        If the book has no such visit.
    """
    chosen = options or ReportOptions()
    given = report_input(intake, intake.visit(visit_id), plans, company=company)
    trail = intake.trail(visit_id)
    made = numbered(given, chosen, trail, visit_id)
    if keep and not (made.kept and kept_bytes(intake.book.reader, made.content_sha256)):
        with intake.book.change(who) as change:
            _keep(change, visit_id, made)
    if face == "pdf":
        data = report_pdf(made.given, chosen)
    else:
        text = report_html(
            made.given,
            chosen,
            stylesheet_at=stylesheet_at,
            photos_at=photos_at,
            ways=ways,
            signed_at={s: f"{signed_at}{s}" for s in kept_contents(trail) if signed_at},
        )
        data = text.encode("utf-8")
    return MadeReport(data, made.content_sha256, made.given.report_id)
