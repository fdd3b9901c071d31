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

from api.cautions import counted_caution
from api.pages import service_measures
from api.pages.render import page, shown_for
from api.pages.service_entries import entries_of, record_from
from api.pages.service_labels import label_of
from api.pages.service_merge import (
    MOST_LOADED,
    Conflict,
    Merged,
    decided,
    loaded_from,
    loaded_text,
    merged,
)
from api.pages.service_reader import ON, Entries
from api.pages.service_view import (
    LEFT_WORDS,
    OUTCOME_WORDS,
    RESULT_WORDS,
    in_language,
)
from api.pages.show import STATE_WORDS, day
from api.pages.unit_text import UNIT_NAMES
from api.pages.visit import photos_of, visit_page
from api.plan_words import plan_said, plan_text
from api.problems import ProblemError
from api.refusals import refusals, why_not
from api.refusals import told as said_items
from api.report.service import ISOLATION_WORDS
from api.routes.photos import taken
from api.routes.shared import IntakeOf, adopt_plan, fitting_plans, plans_of, signer
from api.settings import UnitSystem
from api.words import N_, _
from ingest.intake import OPEN_STATES, Intake, VisitView
from ingest.intake_coming import NOT_BEGUN
from ingest.models import Visit
from ingest.service.findings import open_findings
from ingest.service.office import plan_named
from ingest.service.order import STEP_TITLES, STEPS, Step
from ingest.service.plans import Plan, PlanTask, PlanTest, RecordWanted
from ingest.service.safety import DEVICES, JURISDICTION_NOTE
from ingest.service.sequence import criss_cross
from ingest.store import NotFound, StateConflict, VersionConflict
from parsers.times import zone_of

router = APIRouter(prefix="/visits/{visit_id}", include_in_schema=False)
_MOST_FIELDS = 4000
_TRIES = 5
_CHANGED = N_(
    "Somebody changed this visit while you were writing, and some of it differs from yours. "
    "Nothing is stored yet and nothing of yours is lost: say below which of the two counts, then "
    "save again."
)
_UNDECIDED = N_("Not stored yet: say of each field below which of the two counts.")
_NO_PLAN = N_(
    "The plan that this visit names, {plan} in version {version}, is neither in this book nor "
    "among the office's. Bring it in, or choose another; what is recorded stays."
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
    >>> range_text(RecordWanted(kind="value", key="smoke", unit="1", high=1))
    'at most 1'
    """
    unit = UNIT_NAMES.get(wanted.unit or "", wanted.unit or "")
    if wanted.low is not None and wanted.high is not None:
        return _("{low:g} to {high:g} {unit}", low=wanted.low, high=wanted.high, unit=unit).rstrip()
    if wanted.high is not None:
        return _("at most {high:g} {unit}", high=wanted.high, unit=unit).rstrip()
    if wanted.low is None:
        return ""
    return _("at least {low:g} {unit}", low=wanted.low, unit=unit).rstrip()


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
        (m.key, f"{_(m.title)} ({_('real') if m.real else _('simulated')})")
        for m in DEVICES[device].methods.values()
    ]


def steps_of(plan: Plan) -> list[StepView]:
    """Return the plan's steps in their order, and those of its tasks that it does not list."""
    used = {t.step for t in plan.task}
    order = [*plan.steps, *(s for s in STEPS if s in used and s not in plan.steps)]
    return [
        StepView(s, _(STEP_TITLES[s]), [t for t in plan.task if t.step == s])
        for s in dict.fromkeys(order)
    ]


def _zone(view: VisitView) -> tzinfo:
    name = (view.boiler.zone if view.boiler else None) or (view.site.zone if view.site else None)
    return zone_of(name) or UTC


def _plan(
    request: Request, intake: Intake, view: VisitView, asked: str | None, version: str | None = None
) -> Plan | None:
    """Return the plan that the form follows: never another version than the one recorded.

    Where the recorded one is nowhere to be had, only a plan that is asked for is followed.
    """
    record = view.visit.service
    known = plans_of(request)
    if record is not None and record.plan is not None:
        held = intake.plan(record.plan, record.plan_version) or plan_named(
            known, record.plan, record.plan_version
        )
        if held is not None or not asked:
            return held
    if not asked:
        return None
    return intake.plan(asked, version) or plan_named(known, asked, version)


def _is_oil(fuel: str) -> bool:
    return "oil" in fuel or "diesel" in fuel


def _choice(request: Request, view: VisitView) -> list[tuple[Plan, bool]]:
    """Return the plans with whether each is for this boiler, those first."""
    known = plans_of(request)
    fitting = {p.key for p in fitting_plans(view.boiler, known)}
    return sorted(
        ((p, p.key in fitting) for p in known.values()),
        key=lambda p: (not p[1], plan_text(p[0].title)),
    )


def _left_with(stops: int) -> str:
    """Return what leaving the boiler running with stops asks for; nothing where there is none."""
    if not stops:
        return ""
    said = counted_caution(
        "{n} finding says stop. Leaving the boiler running with it needs a named person's reason.",
        "{n} findings say stop. Leaving the boiler running with them needs a named person's "
        "reason.",
        stops,
    )
    return str(said)


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
    conflicts: Sequence[Conflict] = (),
    loaded: Entries | None = None,
    version: int | None = None,
) -> Response:
    plan = _plan(request, intake, view, asked, (entries or {}).get("plan_version"))
    zone, shown = _zone(view), shown_for(request)
    boiler = _("Boiler not yet known") if view.boiler is None else view.boiler.name
    given: dict[str, Any] = {
        "id": view.visit.id,
        "boiler": boiler,
        "day": day(view.visit.started),
        "coming": view.visit.id == NOT_BEGUN,
        "told": told,
        "saved": "" if told else request.query_params.get("saved", ""),
    }
    title = _("Service part, {boiler}", boiler=boiler)
    if plan is None:
        choice = [(plan_said(one), fits) for one, fits in _choice(request, view)]
        record = view.visit.service
        if record is not None and record.plan is not None and not told:
            given["told"] = _(_NO_PLAN, plan=record.plan, version=record.plan_version or "–")
        return page(request, "service.html", title=title, status=status, choice=choice, **given)
    now = entries_of(view.visit, plan, zone, shown.system, entries)
    filled = entries if entries is not None else now
    records = [v.service for v in view.before if v.service is not None]
    rows = {
        kind: 1 + len({n.split(".")[1] for n in filled if n.startswith(f"{kind}.")})
        for kind in ("bypass", "light", "finding")
    }
    return page(
        request,
        "service.html",
        title=title,
        status=status,
        plan=plan_said(plan),
        e=filled,
        wrong=wrong or {},
        version=view.version if version is None else version,
        loaded=loaded_text(now if loaded is None else loaded),
        conflicts=conflicts,
        label_of=lambda name: label_of(name, plan),
        measures=service_measures,
        unit_of=lambda group: (
            filled.get(f"{group}.unit") or service_measures.UNITS[shown.system][group]
        ),
        asked=loaded_text({c.name: c.theirs for c in conflicts}),
        oil=any(_is_oil(fuel) for fuel in plan.fuels),
        only_oil=bool(plan.fuels) and all(_is_oil(fuel) for fuel in plan.fuels),
        pictures=(held := photos_of(view)),
        picture_names=lambda at: {f"{at}.photo.{p.sha256}" for p in held},
        pictures_elsewhere=lambda at: [
            name
            for name in filled
            if name.startswith(f"{at}.photo.")
            and name.rpartition(".")[2] not in {p.sha256 for p in held}
        ],
        stops=_left_with(sum(f.severity == "stop" for f in view.judgement.flags)),
        technician=filled.get("who") or view.visit.technician or "",
        steps=steps_of(plan_said(plan)),
        step_titles=STEP_TITLES,
        isolation_words=in_language(ISOLATION_WORDS),
        outcomes=in_language(OUTCOME_WORDS),
        results=in_language(RESULT_WORDS),
        left_words=in_language(LEFT_WORDS),
        devices=DEVICES,
        methods_of=methods_of,
        unit_names=UNIT_NAMES,
        range_text=range_text,
        criss_cross=criss_cross,
        default_unit=lambda test: default_unit(test, shown.system),
        jurisdiction=JURISDICTION_NOTE,
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
    return empty_form(request, intake, view)


def empty_form(request: Request, intake: Intake, view: VisitView) -> Response:
    """Return the form as the visit fills it, for the plan that the address names."""
    return _form(request, intake, view, request.query_params.get("plan"))


@router.post("/service")
async def save_service(request: Request, visit_id: UUID, intake: IntakeOf) -> Response:
    """Take the form as a whole: stored, or back with its entries and what is wrong."""
    pictures: list[tuple[str, str, bytes]] = []
    async with request.form(max_fields=_MOST_FIELDS, max_part_size=MOST_LOADED) as form:
        entries: dict[str, str] = {}
        for key, value in form.multi_items():
            if isinstance(value, str):
                entries[key] = value[: MOST_LOADED if key == "loaded" else 4000]
            elif value.filename:
                pictures.append((key, value.filename, await value.read()))
    return await run_in_threadpool(_saved, request, intake, visit_id, entries, pictures)


def _saved(
    request: Request,
    intake: Intake,
    visit_id: UUID,
    entries: dict[str, str],
    pictures: Sequence[tuple[str, str, bytes]],
) -> Response:
    try:
        view = intake.visit(visit_id)
    except NotFound:
        return visit_page(request, intake, visit_id)
    asked = entries.get("plan")
    loaded = loaded_from(entries.pop("loaded", ""))

    def back(
        told: str, status: int, wrong: Mapping[str, str] | None = None, **more: Any
    ) -> Response:
        version = entries.get("version", "")
        # The form stays on the state that it was loaded from: a later saving compares with that.
        more = {"loaded": loaded, "version": int(version) if version.isdigit() else None} | more
        return _form(
            request,
            intake,
            view,
            asked,
            entries=more.pop("entries", entries),
            wrong=wrong,
            told=told,
            status=status,
            **more,
        )

    plan = _plan(request, intake, view, asked, entries.get("plan_version"))
    if plan is None:
        return back(_("Choose the plan that is followed."), 422)
    if view.state not in OPEN_STATES:
        return back(
            _(
                "The visit is {state}: nothing was stored. Your entries stand below; have it sent "
                "back before changing it.",
                state=_(STATE_WORDS[view.state]),
            ),
            409,
        )
    who = signer(request, entries.get("who", "")[:100])
    mine, undecided = decided(entries, loaded_from(entries.pop("asked", "")))
    wrong = _pictures_taken(intake, visit_id, mine, pictures, who) if who else {}
    for _attempt in range(_TRIES):
        view = intake.visit(visit_id)
        theirs = entries_of(view.visit, plan, _zone(view), shown_for(request).system, mine)
        both = Merged(mine)
        if mine.get("version") != str(view.version):
            both = merged(loaded, theirs, mine)
        if undecided:
            open_still = [Conflict(n, theirs.get(n, ""), mine.get(n, "")) for n in undecided]
            entries.update(mine)
            return back(_(_UNDECIDED), 422, conflicts=sorted(open_still, key=_by_name))
        if both.conflicts:
            return back(
                _(_CHANGED),
                412,
                entries=both.entries,
                conflicts=both.conflicts,
                loaded=theirs,
                version=view.version,
            )
        document, not_read = record_from(
            both.entries,
            plan,
            view.visit,
            who=who or "–",
            now=intake.book.clock(),
            zone=_zone(view),
        )
        wrong |= not_read
        if not who:
            wrong["who"] = _("Your name is missing: it signs what is new")
        entries = mine
        if wrong:
            return back(_("Not stored yet: something cannot be understood."), 422, wrong)
        try:
            visit = Visit.model_validate(document)
        except ValidationError as error:
            return back(
                _("Not stored yet: something cannot be understood."), 422, dict(refusals(error))
            )
        try:
            adopt_plan(request, intake, visit, who)
            intake.put_visit(visit, who, expected_version=view.version)
        except VersionConflict:
            continue  # changed between reading and writing: compare again
        except StateConflict as error:
            said = _("{why}: nothing was stored. Your entries stand below.", why=why_not(error))
            return back(said, 409)
        together = "2" if both.entries is not mine else "1"
        if entries.get("then") == "visit":
            return RedirectResponse(f"/visits/{visit_id}#service", status_code=303)
        return RedirectResponse(f"/visits/{visit_id}/service?saved={together}", status_code=303)
    return back(_("Others are changing this visit at this moment: save again."), 412)


def _by_name(conflict: Conflict) -> str:
    return conflict.name


def _pictures_taken(
    intake: Intake,
    visit_id: UUID,
    entries: dict[str, str],
    pictures: Sequence[tuple[str, str, bytes]],
    who: str,
) -> dict[str, str]:
    """Keep the pictures sent with the form, tick each at its task; return what was refused.

    They are kept first: whatever becomes of the form, no picture is asked for twice.
    """
    wrong: dict[str, str] = {}
    for name, file, data in pictures:
        at = name.removesuffix(".picture")
        try:
            kept = taken(intake, visit_id, data, file, who)
        except ProblemError as error:
            wrong[name] = f"{file}: {said_items(error.details.errors)[0].message}"
        else:
            entries[f"{at}.photo.{kept.sha256}"] = ON
            # Keeping it made a new version of the visit, which is this form's own doing.
            if entries.get("version") == str(kept.version - 1):
                entries["version"] = str(kept.version)
    return wrong
