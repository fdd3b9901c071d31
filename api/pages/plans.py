"""The office's service plans: shown, changed as text, tried on the past, and kept.

Every mistake is told by its line; what was typed stays in the form.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from uuid import UUID

from fastapi import APIRouter, Request, Response
from starlette.concurrency import run_in_threadpool

from api.pages.plan_trial import into_view, plan_trial_view
from api.pages.render import page, shown_for
from api.pages.trial_view import days_asked
from api.plan_problems import LineWrong, lines_wrong, version_taken
from api.plan_words import plan_text
from api.refusals import why_not
from api.routes.shared import IntakeOf, decider, plans_of
from api.words import _
from ingest.intake import Intake, WordsMissing
from ingest.intake_plans import Naming
from ingest.service.plan_toml import plan_toml
from ingest.service.plans import Plan, PlanError, parse_plan
from ingest.store import NotFound, StateConflict

router = APIRouter(prefix="/plans", include_in_schema=False)
_MOST = 400_000
_NAME = "plan.toml"


@dataclass(frozen=True, slots=True)
class PlanView:
    """A plan in one line."""

    key: str
    title: str
    version: str
    tasks: int
    tests: int
    includes: Sequence[str]
    included_by: Sequence[str]
    boilers: Sequence[tuple[UUID, str]]
    named_by: int


def _views(known: Mapping[str, Plan], naming: Mapping[str, Naming]) -> list[PlanView]:
    nobody = Naming((), 0)

    def title(key: str) -> str:
        return plan_text(known[key].title) if key in known else key

    return [
        PlanView(
            p.key,
            title(p.key),
            p.version,
            len(p.task),
            len(p.test),
            [title(key) for key in p.includes],
            [title(key) for key, other in known.items() if p.key in other.includes],
            naming.get(p.key, nobody).boilers,
            naming.get(p.key, nobody).count,
        )
        for p in sorted(known.values(), key=lambda p: plan_text(p.title))
    ]


def _shown(
    request: Request,
    intake: Intake,
    entries: Mapping[str, str],
    said: Sequence[str] = (),
    *,
    wrong: Sequence[LineWrong] = (),
    refused: bool = False,
    **more: Any,
) -> Response:
    first, last = intake.preview_time()
    return page(
        request,
        "plans.html",
        title=_("Service plans"),
        status=422 if wrong or refused else 200,
        plans=_views(plans_of(request), intake.boilers_naming()),
        text=entries.get("text", ""),
        opened=entries.get("opened", ""),
        who=entries.get("who", ""),
        since=entries.get("since", "") or first.isoformat(),
        until=entries.get("until", "") or last.isoformat(),
        wrong=wrong,
        said=said,
        **{"trial": None, "into": (), "removing": "", **more},
    )


@router.get("")
def plans(request: Request, intake: IntakeOf, plan: str = "") -> Response:
    """List the plans; one that is named stands in the editor."""
    chosen = plans_of(request).get(plan)
    if chosen is None:
        return _shown(request, intake, {})
    return _shown(request, intake, {"text": plan_toml(chosen), "opened": chosen.key})


@router.post("")
async def change(request: Request, intake: IntakeOf) -> Response:
    """Look a plan over, try it on the past year, or keep it where it is right."""
    async with request.form(max_part_size=_MOST) as form:
        entries = {k: v for k, v in form.items() if isinstance(v, str)}
    answer = _removing if entries.get("act") in ("removing", "remove") else _answered
    return await run_in_threadpool(answer, request, intake, entries)


def _removing(request: Request, intake: Intake, entries: dict[str, str]) -> Response:
    """Tell what taking a plan out of use does; take it out where that was seen."""
    known, key = plans_of(request), entries.get("opened", "")
    chosen = known.get(key)
    title = key if chosen is None else plan_text(chosen.title)
    text = entries.get("text") or ("" if chosen is None else plan_toml(chosen))
    held = {"text": text, "opened": "" if chosen is None else key, "who": entries.get("who", "")}
    try:
        if entries["act"] == "removing":
            kept_by = intake.look_at_removal(key, known)
            return _shown(request, intake, held, removing=title, kept_by=kept_by)
        intake.remove_plan(key, decider(request, entries.get("who", "")[:100]), known)
    except (WordsMissing, NotFound, StateConflict) as error:
        told = _("It was not removed: {why}.", why=why_not(error))
        return _shown(request, intake, held, [told], refused=True)
    told = _("{title} is removed. Brought in again, it is in force again.", title=title)
    return _shown(request, intake, {}, [told])


def _answered(request: Request, intake: Intake, entries: dict[str, str]) -> Response:
    known, text = plans_of(request), entries.get("text", "")
    try:
        plan = parse_plan(text, _NAME, included=known)
    except PlanError as error:
        return _shown(request, intake, entries, wrong=lines_wrong(error, text))
    taken = version_taken(plan, intake.plan(plan.key, plan.version), text)
    said = _beside(plan, known.get(entries.get("opened", "")))
    if taken is not None:
        return _shown(request, intake, entries, said, wrong=[taken])
    if entries.get("act") == "keep":
        return _kept(request, intake, entries, plan, known, said)
    title = plan_text(plan.title)
    said = [_("Nothing is wrong with {title}; it is not kept yet.", title=title), *said]
    if entries.get("act") != "try":
        return _shown(request, intake, entries, said)
    days, problems = days_asked(entries, *intake.preview_time())
    if problems:
        return _shown(request, intake, entries, problems, refused=True)
    trial = intake.try_plan(plan, known, since=days[0], until=days[1])
    shown = plan_trial_view(trial, shown_for(request))
    return _shown(request, intake, entries, said, trial=shown, tried=title)


def _beside(plan: Plan, opened: Plan | None) -> list[str]:
    """Return what to say where the text bears another key than the plan that was opened."""
    if opened is None or opened.key == plan.key:
        return []
    return [
        _(
            "Its key is {key}: it stands beside {title}, which stays as it is. "
            "Boilers kept by {opened} stay with that one until they name the new key.",
            key=plan.key,
            title=plan_text(opened.title),
            opened=opened.key,
        )
    ]


def _kept(
    request: Request,
    intake: Intake,
    entries: dict[str, str],
    plan: Plan,
    known: Mapping[str, Plan],
    said: Sequence[str],
) -> Response:
    try:
        who = decider(request, entries.get("who", "")[:100])
        kept = intake.keep_plan(plan, who, known)
    except (WordsMissing, StateConflict) as error:
        told = _("Nothing was kept: {why}.", why=why_not(error))
        return _shown(request, intake, entries, [told], refused=True)
    told = _(
        "{title}, version {version}, is kept.", title=plan_text(plan.title), version=plan.version
    )
    if not kept.fresh:
        told = _("It was kept already; nothing changed.")
    now = {**entries, "opened": plan.key}
    return _shown(request, intake, now, [told, *said], into=into_view(kept.into))
