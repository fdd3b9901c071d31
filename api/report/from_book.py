"""A report of a visit in a book, and its line in the audit chain.

The report's time is that of the last change of the visit, never the clock's: the same visit gives
the same bytes. Each content that is new gets one ``report_made`` line with its SHA-256; a later
report names the one before it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any, Literal
from uuid import UUID

from api.report.content import content
from api.report.given import Evidence, Photo, Replaced, ReportInput, ReportOptions, Signature
from api.report.html import report_html
from api.report.pdf import report_pdf
from api.report.pictures import can_be_set
from ingest.intake import PROGRAM_VERSION, Intake, VisitView
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

MADE = "report_made"
"""Action of the line in the audit chain."""

Face = Literal["pdf", "html"]


@dataclass(frozen=True, slots=True)
class MadeReport:
    """A report as it was set, and the SHA-256 of its content that the audit chain keeps."""

    data: bytes
    content_sha256: str
    report_id: str


def _moment(line: Mapping[str, Any]) -> datetime:
    return datetime.fromisoformat(str(line["at"]).replace("Z", "+00:00"))


def report_input(
    intake: Intake, view: VisitView, plans: Mapping[str, Plan], *, company: str = ""
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
    judgement = view.judgement
    if not holds_service(judgement) or (plan is not None and lacks_plan(judgement)):
        # Judged when no plan was at hand: the readings' judgement stays, the service part's is new.
        readings = without_service(judgement)
        judgement = with_service(readings, plan, visit=visit, boiler=boiler, earlier=view.before)
    trail = [line for line in intake.trail(_id(view)) if line["action"] != MADE]
    standing = [a for a in view.attachments if a.withdrawn_at is None]
    photos = _photos(intake, standing)
    pictured = {p.sha256 for p in photos}
    return ReportInput(
        report_id=f"{_id(view)}/{len(trail)}",
        made=_moment(trail[-1]),
        boiler=boiler,
        visit=visit,
        points=view.points,
        judgement=judgement,
        limits=decided.limits,
        site=view.site,
        company=company or None,
        plan=plan,
        open_findings=open_findings(records),
        history=view.history,
        evidence=[
            Evidence(a.name, a.sha256, a.size, a.kind) for a in standing if a.sha256 not in pictured
        ],
        photos=photos,
        signatures=_signatures(trail, intake.trail(_id(view))),
        program_version=PROGRAM_VERSION,
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
        data = intake.evidence(attachment.sha256)
        if can_be_set(data):
            # Telephones give every picture the same name.
            same = sum(p.name.partition(" (")[0] == attachment.name for p in found)
            name = f"{attachment.name} ({same + 1})" if same else attachment.name
            said = str(attachment.statement.get("caption") or name)
            found.append(Photo(name, attachment.sha256, data, said))
    return found


def _signatures(
    trail: Sequence[Mapping[str, Any]], whole: Sequence[Mapping[str, Any]]
) -> list[Signature]:
    """Return hand-in, acceptance and sending back, with the content that stood at that time."""
    found = []
    for line in trail:
        action = line["action"]
        if action not in ("handed_in", "accepted", "sent_back"):
            continue
        details = line["details"]
        before = [r for r in whole if r["action"] == MADE and r["seq"] < line["seq"]]
        signed = before[-1]["details"]["content_sha256"] if before else ""
        found.append(
            Signature(
                act=action,
                account=str(line["who"]),
                name=str(details.get("name") or line["who"]),
                time=_moment(line),
                report_sha256=str(signed),
                chain_sha256=str(line["hash"]),
                note=str(details.get("note") or details.get("words") or "") or None,
            )
        )
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
) -> MadeReport:
    """Return a visit's report; a content not seen before gets its line in the audit chain.

    With ``keep`` false nothing is written: the same report, and the chain as it was.

    Raises
    ------
    NotFound
        If the book has no such visit.
    """
    chosen = options or ReportOptions()
    given = report_input(intake, intake.visit(visit_id), plans, company=company)
    setting = f"{chosen.units} {chosen.language}"
    lines = [
        line
        for line in intake.trail(visit_id)
        if line["action"] == MADE and line["details"].get("setting") == setting
    ]
    known = next((r for r in reversed(lines) if r["details"]["report_id"] == given.report_id), None)
    before = lines if known is None else [r for r in lines if r["seq"] < known["seq"]]
    given = replace(given, replaces=_replaced(before))
    digest = content(given, chosen).sha256
    if known is not None and digest != known["details"]["content_sha256"]:
        # The visit is the same and yet the report differs: an earlier visit or a plan was changed.
        given = replace(given, replaces=_replaced([known]))
        digest = content(given, chosen).sha256
        known = None
    if known is None and keep:
        details = {"report_id": given.report_id, "content_sha256": digest, "setting": setting}
        with intake.book.change(who) as change:
            change.record(MADE, f"visit:{visit_id}", details)
    if face == "pdf":
        data = report_pdf(given, chosen)
    else:
        made = report_html(given, chosen, stylesheet_at=stylesheet_at, photos_at=photos_at)
        data = made.encode("utf-8")
    return MadeReport(data, digest, given.report_id)


def _replaced(lines: Sequence[Mapping[str, Any]]) -> Replaced | None:
    if not lines:
        return None
    details = lines[-1]["details"]
    return Replaced(details["report_id"], details["content_sha256"], _moment(lines[-1]))
