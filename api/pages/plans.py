"""The office's service plans: shown, and changed as text with every mistake told by its line."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from fastapi import APIRouter, Request, Response
from starlette.concurrency import run_in_threadpool

from api.pages.render import page
from api.plan_words import plan_text
from api.routes.shared import IntakeOf, decider, plans_of
from api.words import _
from ingest.intake import WordsMissing
from ingest.service.plan_toml import plan_toml
from ingest.service.plans import PlanError, PlanProblem, parse_plan
from ingest.store import StateConflict

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


def _shown(
    request: Request,
    text: str = "",
    problems: Sequence[PlanProblem] = (),
    said: str = "",
    status: int = 200,
) -> Response:
    known = plans_of(request)
    return page(
        request,
        "plans.html",
        title=_("Service plans"),
        status=status,
        plans=[
            PlanView(p.key, plan_text(p.title), p.version, len(p.task), len(p.test))
            for p in sorted(known.values(), key=lambda p: plan_text(p.title))
        ],
        text=text,
        problems=problems,
        said=said,
    )


@router.get("")
def plans(request: Request, plan: str = "") -> Response:
    """List the plans; one that is named stands in the editor."""
    chosen = plans_of(request).get(plan)
    return _shown(request, "" if chosen is None else plan_toml(chosen))


@router.post("")
async def keep(request: Request, intake: IntakeOf) -> Response:
    """Look a plan over, and keep it where it is right."""
    async with request.form(max_part_size=_MOST) as form:
        text, name = str(form.get("text") or ""), str(form.get("who") or "")[:100]
        keeping = form.get("act") == "keep"

    def answered() -> Response:
        try:
            plan = parse_plan(text, _NAME, included=plans_of(request))
        except PlanError as error:
            return _shown(request, text, error.problems, status=422)
        if not keeping:
            said = _(
                "Nothing is wrong with {title}; it is not kept yet.", title=plan_text(plan.title)
            )
            return _shown(request, text, said=said)
        try:
            fresh = intake.put_plan(plan, decider(request, name))
        except (WordsMissing, StateConflict) as error:
            return _shown(
                request, text, said=_("Nothing was kept: {why}.", why=str(error)), status=422
            )
        told = _(
            "{title}, version {version}, is kept.",
            title=plan_text(plan.title),
            version=plan.version,
        )
        same = _("It was kept already; nothing changed.")
        return _shown(request, text, said=told if fresh else same)

    return await run_in_threadpool(answered)
