"""POST /v1/judge: a visit judged without storing anything, and the published list of rules."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter, Request
from pydantic import BaseModel, ConfigDict, Field

from api.answers import refuses
from api.posted import PostedReadings, readings_from
from api.routes.shared import IntakeOf, Owner, plans_of
from ingest.documents import boiler_from, job_from, limits_from, visit_from
from ingest.intake_asked import Asked, AskedVisit, judge_asked
from ingest.judge_json import judge_json
from ingest.models import Site
from ingest.rules import RULES
from ingest.service.plans import Plan
from ingest.validator import RULES_VERSION

router = APIRouter(prefix="/v1", tags=["judging"])


class JudgedVisit(BaseModel):
    """A visit document and its readings."""

    model_config = ConfigDict(extra="forbid")

    visit: dict[str, Any] = Field(default_factory=dict, description="As visit.json.")
    readings: PostedReadings


class JudgeRequest(JudgedVisit):
    """Everything that judging may look at."""

    boiler: dict[str, Any] | None = Field(
        default=None,
        description="As boiler.json: fuel, limits, target curve. Where its id or external id, or "
        "the visit, names a boiler of this fluebook, that one with these fields over it.",
    )
    history: list[JudgedVisit] | None = Field(
        default=None,
        description="Earlier visits; if absent, those that this fluebook has of a known boiler.",
    )
    site: dict[str, Any] | None = Field(
        default=None,
        description="As a site: its zone, and its altitude where the boiler states none; if "
        "absent, the boiler's own where this fluebook has it.",
    )
    job: dict[str, Any] | None = Field(
        default=None,
        description="As a job: what the visit leaves out is filled from it; if absent, the job "
        "that the visit names.",
    )
    plan: dict[str, Any] | None = Field(
        default=None,
        description="fluebook.plan/1, what the service part is held to; if absent, the plan that "
        "the visit's record names, where this fluebook has it.",
    )
    company_limits: dict[str, Any] | None = Field(
        default=None,
        description="As limits.json, under the boiler's own; if absent, what the company states "
        "in this fluebook.",
    )
    model_limits: dict[str, Any] | None = Field(
        default=None, description="As limits.json, of the model of boiler."
    )


def _asked(one: JudgedVisit, name: str) -> AskedVisit:
    return AskedVisit(visit_from(one.visit, name), readings_from(one.readings))


@router.post("/judge", summary="Judge a visit and store nothing")
@refuses(404)
def judge_visit(
    body: JudgeRequest, request: Request, intake: IntakeOf, owner: Owner
) -> dict[str, Any]:
    """Answer fluebook.judge/1: the same flags as a stored visit gets from the same input."""
    company, model = body.company_limits, body.model_limits
    asked = Asked(
        now=_asked(body, "visit"),
        boiler=None if body.boiler is None else boiler_from(body.boiler, "boiler"),
        site=None if body.site is None else Site.model_validate(body.site),
        job=None if body.job is None else job_from(body.job, "job"),
        plan=None if body.plan is None else Plan.model_validate(body.plan),
        plans=plans_of(request),
        history=None if body.history is None else [_asked(o, "history") for o in body.history],
        company_limits=None if company is None else limits_from(company),
        model_limits=None if model is None else limits_from(model),
    )
    return judge_json(judge_asked(intake.book, asked, owner=owner))


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
