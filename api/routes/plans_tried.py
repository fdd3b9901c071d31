"""A plan tried over the API before it is kept: past visits, and what is due."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Annotated

from fastapi import APIRouter, Query, Request
from pydantic import BaseModel, Field
from starlette.concurrency import run_in_threadpool

from api.routes.plans import BODY, TakeIn, TakenInto, plan_given, taken_into_answer, toml_sent
from api.routes.shared import IntakeOf, plans_of
from api.routes.trials import TrialAnswer, refuse_backwards, trial_answer
from ingest.plans_tried import MOST_BOILERS
from ingest.service.due import Kind
from ingest.service.due_tried import Shift

router = APIRouter(prefix="/v1/plans", tags=["service"])
First = Annotated[
    date | None,
    Query(description="First day in UTC; a year back if absent.", examples=["2026-01-01"]),
]
Last = Annotated[
    date | None, Query(description="Last day in UTC; today if absent.", examples=["2026-12-31"])
]


class DueShift(BaseModel):
    """One thing whose day differs."""

    boiler: str
    boiler_id: str | None
    site: str | None
    kind: Kind
    plan: str | None
    key: str
    title: str
    before: date | None = Field(description="Null where the present plan does not plan it.")
    after: date | None = Field(description="Null where the new one does not.")


class DueTrial(BaseModel):
    """What is due otherwise than by the present plan."""

    today: date = Field(description="In UTC.")
    boilers: int = Field(description="Boilers that one of the changed plans keeps.")
    looked_at: int = Field(description=f"How many of them were: the first {MOST_BOILERS} by name.")
    newly_due: list[DueShift] = Field(description="Due today by the new plan only.")
    no_longer_due: list[DueShift] = Field(description="Due today by the present plan only.")
    moved: list[DueShift] = Field(description="On another day, on the same side of today.")


class PlanTrialAnswer(BaseModel):
    """What a plan in place of the present one would change; nothing of it is stored."""

    key: str
    version: str
    findings: TrialAnswer = Field(
        description="Of the finished visits that followed it, or a plan that takes it in."
    )
    followed_another_version: int = Field(
        description="How many of those followed another version than the present one."
    )
    taken_into: list[TakenInto] = Field(description="With `take_in`, the plans that include it.")
    due: DueTrial


def _shifts(shifts: Sequence[Shift]) -> list[DueShift]:
    return [
        DueShift(
            boiler=s.item.boiler,
            boiler_id=s.item.boiler_id or None,
            site=s.item.site,
            kind=s.item.kind,
            plan=s.item.plan,
            key=s.item.key,
            title=s.item.title,
            before=s.before,
            after=s.after,
        )
        for s in shifts
    ]


@router.post("/preview", summary="Try a plan on past visits and on what is due", openapi_extra=BODY)
async def preview_plan(
    request: Request,
    intake: IntakeOf,
    since: First = None,
    until: Last = None,
    take_in: TakeIn = False,
) -> PlanTrialAnswer:
    """Judge finished visits, and say what is due, by it and by the present one; nothing is stored.

    The visits are those that followed a version of it or, with ``take_in``, of a plan that includes
    it.
    """
    refuse_backwards(since, until)
    text = await toml_sent(request)

    def tried() -> PlanTrialAnswer:
        known = plans_of(request)
        plan = plan_given(text, known)
        trial = intake.try_plan(plan, known, since=since, until=until, take_in=take_in)
        return PlanTrialAnswer(
            key=plan.key,
            version=plan.version,
            findings=trial_answer(trial.findings),
            followed_another_version=trial.elsewise,
            taken_into=taken_into_answer(trial.into),
            due=DueTrial(
                today=trial.due.today,
                boilers=trial.due.boilers,
                looked_at=trial.due.looked,
                newly_due=_shifts(trial.due.newly),
                no_longer_due=_shifts(trial.due.no_longer),
                moved=_shifts(trial.due.moved),
            ),
        )

    return await run_in_threadpool(tried)
