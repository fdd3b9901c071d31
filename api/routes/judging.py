"""POST /v1/judge: a visit judged without storing anything, and the published list of rules."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter, Request
from pydantic import BaseModel, ConfigDict, Field

from api.posted import PostedReadings, readings_from
from api.routes.shared import IntakeOf, plans_of
from ingest.documents import boiler_from, job_from, limits_from, visit_from
from ingest.intake import Intake
from ingest.intake_judging import HISTORY_VISITS
from ingest.judge_json import judge_json
from ingest.judgement import Case, EarlierVisit
from ingest.models import Boiler, Site, Visit
from ingest.rules import RULES
from ingest.service.job import with_job
from ingest.service.office import plan_named
from ingest.service.plans import Plan
from ingest.validator import RULES_VERSION, judge
from parsers import FiringPoint, firing_points

router = APIRouter(prefix="/v1", tags=["judging"])


class JudgedVisit(BaseModel):
    """A visit document and its readings."""

    model_config = ConfigDict(extra="forbid")

    visit: dict[str, Any] = Field(default_factory=dict, description="As visit.json.")
    readings: PostedReadings


class JudgeRequest(JudgedVisit):
    """Everything that judging may look at."""

    boiler: dict[str, Any] = Field(description="As boiler.json: fuel, limits, target curve.")
    history: list[JudgedVisit] = Field(default_factory=list, description="Earlier visits.")
    site: dict[str, Any] | None = Field(
        default=None, description="As a site: its altitude, where the boiler states none."
    )
    job: dict[str, Any] | None = Field(
        default=None, description="As a job: what the visit leaves out is filled from it."
    )
    plan: dict[str, Any] | None = Field(
        default=None,
        description="fluebook.plan/1, what the service part is held to; if absent, the plan that "
        "the visit's record names, where this fluebook has it.",
    )
    company_limits: dict[str, Any] | None = None
    model_limits: dict[str, Any] | None = None


def _points(posted: PostedReadings, visit: Visit, boiler: Boiler) -> list[FiringPoint]:
    return firing_points(
        readings_from(posted),
        fuel=visit.fuel or boiler.fuel,
        burner=boiler.burners[0],
        phase=visit.phase or "as_left",
    )


def _plan(
    body: JudgeRequest, visit: Visit, boiler: Boiler, request: Request, intake: Intake
) -> Plan | None:
    """Return the plan sent along, else the one that a stored visit would be held to."""
    record = visit.service
    if body.plan is not None:
        return Plan.model_validate(body.plan)
    if record is None:
        return None
    if record.plan is None:
        return intake.plan(boiler.plans[0]) if len(boiler.plans) == 1 else None
    held = intake.plan(record.plan, record.plan_version)
    return held or plan_named(plans_of(request), record.plan, record.plan_version)


@router.post("/judge", summary="Judge a visit and store nothing")
def judge_visit(body: JudgeRequest, request: Request, intake: IntakeOf) -> dict[str, Any]:
    """Answer fluebook.judge/1: the same flags as a stored visit gets from the same input."""
    boiler = boiler_from(body.boiler, "boiler")
    site = None if body.site is None else Site.model_validate(body.site)
    if boiler.altitude is None and site is not None and site.altitude is not None:
        boiler = boiler.model_copy(update={"altitude": site.altitude})
    visit = visit_from(body.visit, "visit")
    earlier = []
    for one in body.history:
        before = visit_from(one.visit, "history")
        earlier.append(EarlierVisit(before, _points(one.readings, before, boiler)))
    earlier.sort(key=lambda e: "" if e.visit.started is None else e.visit.started.isoformat())
    company, model = body.company_limits, body.model_limits
    case = Case(
        boiler=boiler,
        visit=with_job(visit, None if body.job is None else job_from(body.job, "job")),
        points=_points(body.readings, visit, boiler),
        history=earlier[-HISTORY_VISITS:],
        older_service=[e.visit for e in earlier[:-HISTORY_VISITS] if e.visit.service is not None],
        company_limits=None if company is None else limits_from(company),
        model_limits=None if model is None else limits_from(model),
        plan=_plan(body, visit, boiler, request, intake),
    )
    return judge_json(judge(case))


@router.get("/rules", summary="The closed list of rules")
def rules() -> dict[str, Any]:
    """List every rule that can flag, in words."""
    return {
        "rules_version": RULES_VERSION,
        "rules": [
            {
                "key": rule.key,
                "title": rule.title,
                "family": rule.family,
                "meaning": rule.meaning,
                "default": rule.default,
                "source": {"text": rule.source, "status": rule.status},
                "next_step": rule.next_step,
                "needs": rule.needs,
            }
            for rule in RULES.values()
        ],
    }
