"""POST /v1/judge: a visit judged without storing anything, and the published list of rules."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

from fastapi import APIRouter, Request
from pydantic import Field

from api.answers import refuses
from api.posted import PostedReadings, readings_from
from api.problems import inside
from api.routes.shared import IntakeOf, Owner, plans_of
from ingest.documents import boiler_from, job_from, limits_from, site_from, visit_from
from ingest.intake_asked import Asked, AskedVisit, judge_asked
from ingest.judge_json import judge_json
from ingest.rules import RULES
from ingest.sent import Sent
from ingest.service.plans import Plan
from ingest.validator import RULES_VERSION

T = TypeVar("T")
router = APIRouter(prefix="/v1", tags=["judging"])


class JudgedVisit(Sent):
    """A visit document and its readings."""

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


def _asked(one: JudgedVisit, place: str) -> AskedVisit:
    with inside(f"{place}/visit"):
        visit = visit_from(one.visit, "visit")
    with inside(f"{place}/readings"):
        return AskedVisit(visit, readings_from(one.readings))


def _stated(body: JudgeRequest, name: str, read: Callable[[dict[str, Any]], T]) -> T | None:
    given = getattr(body, name)
    with inside(f"/{name}"):
        return None if given is None else read(given)


@router.post("/judge", summary="Judge a visit and store nothing")
@refuses(404)
def judge_visit(
    body: JudgeRequest, request: Request, intake: IntakeOf, owner: Owner
) -> dict[str, Any]:
    """Answer fluebook.judge/1: the same flags as a stored visit gets from the same input."""
    asked = Asked(
        now=_asked(body, ""),
        boiler=_stated(body, "boiler", boiler_from),
        site=_stated(body, "site", site_from),
        job=_stated(body, "job", job_from),
        plan=_stated(body, "plan", Plan.model_validate),
        plans=plans_of(request),
        history=None
        if body.history is None
        else [_asked(one, f"/history/{n}") for n, one in enumerate(body.history)],
        company_limits=_stated(body, "company_limits", limits_from),
        model_limits=_stated(body, "model_limits", limits_from),
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
