"""The page on which a technician fills the service part, step by step in the order of the work.

It makes the same document as the API (``Visit.service``) and works without a script. What is
refused comes back with every entry as it was typed.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, tzinfo
from typing import Any
from uuid import UUID

from fastapi import APIRouter, Request, Response
from fastapi.responses import RedirectResponse
from pydantic import ValidationError
from starlette.concurrency import run_in_threadpool

from api.pages.render import page, shown_for
from api.pages.service_entries import Entries, entries_of, record_from
from api.pages.service_view import ISOLATION_WORDS, LEFT_WORDS, OUTCOME_WORDS, RESULT_WORDS
from api.pages.show import day
from api.pages.visit import visit_page
from api.routes.shared import IntakeOf, adopt_plan, plans_of, signer
from api.settings import UnitSystem
from ingest.intake import OPEN_STATES, Intake, VisitView
from ingest.models import Visit
from ingest.service.findings import open_findings
from ingest.service.kept import plans_for
from ingest.service.order import STEP_TITLES, STEPS, Step
from ingest.service.plans import Plan, PlanTask, PlanTest, RecordWanted
from ingest.service.safety import DEVICES, JURISDICTION_NOTE
from ingest.service.sequence import criss_cross
from ingest.store import NotFound, StateConflict, VersionConflict
from parsers.times import zone_of

router = APIRouter(prefix="/visits/{visit_id}", include_in_schema=False)
_MOST_FIELDS = 4000
_NAMES = {
    "ft lbf": "ft·lbf",
    "N m": "N·m",
    "degree": "°",
    "degC": "°C",
    "degF": "°F",
    "pH": "",
    "uS/cm": "µS/cm",
}
_CHANGED = (
    "Somebody changed this visit while you were writing. Nothing of yours is lost: it stands "
    "below and is not stored yet. Look at the visit as it is now; saving again writes your entries "
    "over it."
)


@dataclass(frozen=True, slots=True)
class StepView:
    """One step of the work with the tasks that belong to it."""

    key: Step
    title: str
    tasks: Sequence[PlanTask]


def range_text(wanted: RecordWanted) -> str:
    """Return the range of a value in words.

    >>> range_text(RecordWanted(kind="value", key="gap", unit="mm", low=3, high=4.5))
    '3 to 4.5 mm'
    """
    unit = _NAMES.get(wanted.unit or "", wanted.unit or "")
    if wanted.low is not None and wanted.high is not None:
        return f"{wanted.low:g} to {wanted.high:g} {unit}".rstrip()
    if wanted.high is not None:
        return f"at most {wanted.high:g} {unit}".rstrip()
    return "" if wanted.low is None else f"at least {wanted.low:g} {unit}".rstrip()


def default_unit(test: PlanTest, system: UnitSystem) -> str:
    """Return the unit in which a device's set point is usually read here."""
    us = system == "us"
    if test.device in ("operating_limit", "high_limit"):
        return "degF" if us else "degC"
    if test.device in ("purge_time",):
        return "s"
    if "gas_pressure" in test.device or test.device == "combustion_air_proving":
        return "inWC" if us else "Pa"
    return ("psi" if us else "bar") if test.device == "relief_valve" else ""


def methods_of(device: str) -> list[tuple[str, str]]:
    """Return the ways to provoke a device, each with whether it is the real thing."""
    return [
        (m.key, f"{m.title} ({'real' if m.real else 'simulated'})")
        for m in DEVICES[device].methods.values()
    ]


def steps_of(plan: Plan) -> list[StepView]:
    """Return the plan's steps in their order, and those of its tasks that it does not list."""
    used = {t.step for t in plan.task}
    order = [*plan.steps, *(s for s in STEPS if s in used and s not in plan.steps)]
    return [
        StepView(s, STEP_TITLES[s], [t for t in plan.task if t.step == s])
        for s in dict.fromkeys(order)
    ]


def _zone(view: VisitView) -> tzinfo:
    name = (view.boiler.zone if view.boiler else None) or (view.site.zone if view.site else None)
    return zone_of(name) or UTC


def _plan(request: Request, intake: Intake, view: VisitView, asked: str | None) -> Plan | None:
    record = view.visit.service
    known = plans_of(request)
    if record is not None and record.plan is not None:
        return intake.plan(record.plan, record.plan_version) or known.get(record.plan)
    return known.get(asked or "")


def _choice(request: Request, view: VisitView) -> list[tuple[Plan, bool]]:
    """Return the plans with whether each is for this boiler, those first."""
    known = plans_of(request)
    try:
        fitting = {p.key for p in plans_for(view.boiler, known)} if view.boiler else set()
    except KeyError:
        fitting = set()
    return sorted(
        ((p, p.key in fitting) for p in known.values()), key=lambda p: (not p[1], p[0].title)
    )


def _form(
    request: Request,
    intake: Intake,
    view: VisitView,
    asked: str | None,
    *,
    entries: Entries | None = None,
    wrong: Mapping[str, str] | None = None,
    told: str = "",
    status: int = 200,
) -> Response:
    plan, zone, shown = _plan(request, intake, view, asked), _zone(view), shown_for(request)
    boiler = "Boiler not yet known" if view.boiler is None else view.boiler.name
    given: dict[str, Any] = {
        "id": view.visit.id,
        "boiler": boiler,
        "day": day(view.visit.started),
        "told": told,
        "saved": request.query_params.get("saved") == "1" and not told,
    }
    title = f"Service part, {boiler}"
    if plan is None:
        choice = _choice(request, view)
        return page(request, "service.html", title=title, status=status, choice=choice, **given)
    filled = entries if entries is not None else entries_of(view.visit, plan, zone)
    records = [e.visit.service for e in view.history if e.visit.service is not None]
    rows = {
        kind: 1 + len({n.split(".")[1] for n in filled if n.startswith(f"{kind}.")})
        for kind in ("bypass", "light", "finding")
    }
    return page(
        request,
        "service.html",
        title=title,
        status=status,
        plan=plan,
        e=filled,
        wrong=wrong or {},
        version=view.version,
        technician=filled.get("who") or view.visit.technician or "",
        steps=steps_of(plan),
        step_titles=STEP_TITLES,
        isolation_words=ISOLATION_WORDS,
        outcomes=OUTCOME_WORDS,
        results=RESULT_WORDS,
        left_words=LEFT_WORDS,
        devices=DEVICES,
        methods_of=methods_of,
        unit_names=_NAMES,
        range_text=range_text,
        criss_cross=criss_cross,
        default_unit=lambda test: default_unit(test, shown.system),
        jurisdiction=f"{JURISDICTION_NOTE} {plan.jurisdiction_note}",
        zone=str(zone),
        rows=rows,
        earlier=open_findings(records),
        **given,
    )


@router.get("/service")
def service_form(request: Request, visit_id: UUID, intake: IntakeOf) -> Response:
    """Show the form; a visit that is handed in shows what stands in it instead."""
    try:
        view = intake.visit(visit_id)
    except NotFound:
        return visit_page(request, intake, visit_id)
    if view.state not in OPEN_STATES:
        return RedirectResponse(f"/visits/{visit_id}#service", status_code=303)
    return _form(request, intake, view, request.query_params.get("plan"))


@router.post("/service")
async def save_service(request: Request, visit_id: UUID, intake: IntakeOf) -> Response:
    """Take the form as a whole: stored, or back with its entries and what is wrong."""
    async with request.form(max_fields=_MOST_FIELDS) as form:
        entries = {k: v[:4000] for k, v in form.items() if isinstance(v, str)}
    return await run_in_threadpool(_saved, request, intake, visit_id, entries)


def _saved(request: Request, intake: Intake, visit_id: UUID, entries: dict[str, str]) -> Response:
    try:
        view = intake.visit(visit_id)
    except NotFound:
        return visit_page(request, intake, visit_id)
    asked = entries.get("plan")

    def back(told: str, status: int, wrong: Mapping[str, str] | None = None) -> Response:
        return _form(
            request,
            intake,
            intake.visit(visit_id),
            asked,
            entries=entries,
            wrong=wrong,
            told=told,
            status=status,
        )

    plan = _plan(request, intake, view, asked)
    if plan is None:
        return back("Choose the plan that is followed.", 422)
    if view.state not in OPEN_STATES:
        return back(
            f"The visit is {view.state.replace('_', ' ')}: nothing was stored. Your entries stand "
            "below; have it sent back before changing it.",
            409,
        )
    who = signer(request, entries.get("who", "")[:100])
    document, wrong = record_from(
        entries, plan, view.visit, who=who or "–", now=intake.book.clock(), zone=_zone(view)
    )
    if not who:
        wrong["who"] = "Your name is missing: it signs what is new"
    if wrong:
        return back("Not stored yet: something cannot be understood.", 422, wrong)
    try:
        visit = Visit.model_validate(
            {
                **view.visit.model_dump(),
                "service": document,
                "how_left": entries.get("how_left") or None,
            }
        )
    except ValidationError as error:
        return back("Not stored yet: something cannot be understood.", 422, _said(error))
    version = entries.get("version", "")
    try:
        adopt_plan(request, intake, visit, who)
        intake.put_visit(
            visit, who, expected_version=int(version) if version.isdigit() else view.version
        )
    except VersionConflict:
        return back(_CHANGED, 412)
    except StateConflict as error:
        return back(f"{error}: nothing was stored. Your entries stand below.", 409)
    if entries.get("then") == "visit":
        return RedirectResponse(f"/visits/{visit_id}#service", status_code=303)
    return RedirectResponse(f"/visits/{visit_id}/service?saved=1", status_code=303)


def _said(error: ValidationError) -> dict[str, str]:
    return {
        ".".join(map(str, e["loc"])): f"{' '.join(map(str, e['loc'][1:]))}: {e['msg']}"
        for e in error.errors()
    }
