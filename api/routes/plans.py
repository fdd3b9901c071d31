"""Service plans for programs: brought in as TOML, every version listed and handed out again."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, Any

from fastapi import APIRouter, Path, Query, Request, Response
from fastapi.responses import PlainTextResponse
from pydantic import BaseModel, ConfigDict, Field
from starlette.concurrency import run_in_threadpool

from api.answers import refuses
from api.problems import ErrorItem, ProblemError
from api.routes.shared import IntakeOf, Who, plans_of
from api.schemas import also_there
from ingest.intake import Intake
from ingest.intake_service import PlanKept
from ingest.service.plan_toml import plan_toml
from ingest.service.plans import Plan, PlanError, parse_plan
from ingest.service.taking_in import TakenIn
from ingest.store import NotFound

router = APIRouter(prefix="/v1/plans", tags=["service"])
MEDIA_TYPE = "application/toml"
"""TOML's registered media type (IANA; status: memory)."""
Key = Annotated[str, Path(pattern=r"^[a-z][a-z0-9-]*$", max_length=80)]
Version = Annotated[
    str | None, Query(max_length=40, description="The newest of the book if absent.")
]
TakeIn = Annotated[
    bool,
    Query(description="Let plans that include it take it in, each under a version of its own."),
]
_EXAMPLE = """format = "fluebook.plan/1"
key = "vent-check"
version = "1"
title = "Yearly look at the vent"
purpose = "yearly"
fuels = ["natural_gas"]
jurisdiction_note = "Local code and the boiler's instructions decide."

[[task]]
key = "vent_supports"
title = "Supports of the vent"
where = "Vent, boiler to roof"
what = "Look along the vent; grade its supports."
why = "A vent that sags holds condensate."
interval_months = 12
record = [{ kind = "grade", mandatory = true }]
"""
BODY = {
    "requestBody": {
        "required": True,
        "content": {MEDIA_TYPE: {"schema": {"type": "string"}, "example": _EXAMPLE}},
        "description": "A plan, fluebook.plan/1.",
    }
}
_TOML: dict[int | str, dict[str, Any]] = {
    200: {"content": {MEDIA_TYPE: {"schema": {"type": "string"}}}}
}


class PlanVersion(BaseModel):
    """One version of a plan in the book."""

    model_config = ConfigDict(extra="forbid")

    key: str
    version: str
    title: str
    purpose: str
    tasks: int
    tests: int
    added_at: str
    added_by: str
    newest: bool = Field(description="In force for visits that name no version.")
    removed_at: str | None = Field(
        default=None, description="Since when the plan is out of use, where it was removed."
    )


class PlanVersions(BaseModel):
    """Every version of every plan, by key, newest first."""

    plans: list[PlanVersion]


class TakenInto(BaseModel):
    """A plan that includes the one that was sent."""

    key: str
    title: str
    version_before: str
    version: str | None = Field(
        description="Of its own, with the change; null where it cannot take the change in."
    )
    problems: list[str] = Field(description="Why it cannot, each with its place.")


class PlanTaken(BaseModel):
    """What became of a plan that was sent."""

    key: str
    version: str
    already_there: bool
    taken_into: list[TakenInto] = Field(
        default_factory=list, description="With `take_in`, the plans that include it."
    )


def plan_given(text: str, known: dict[str, Plan]) -> Plan:
    """Return the plan of a text; everything wrong with it is told with its line."""
    try:
        return parse_plan(text, "plan", included=known)
    except PlanError as error:
        items = [
            ErrorItem(message=p.message, line=p.line, parameter=p.key or None)
            for p in error.problems
        ]
        detail = f"The plan cannot be used: {len(items)} thing(s) are wrong with it."
        raise ProblemError("not-valid", detail, items) from error


def taken_into_answer(into: Sequence[TakenIn]) -> list[TakenInto]:
    """Return the plans that include a changed one, as they are answered."""
    return [
        TakenInto(
            key=one.before.key,
            title=one.before.title,
            version_before=one.before.version,
            version=None if one.problems else one.plan.version,
            problems=list(one.problems),
        )
        for one in into
    ]


async def toml_sent(request: Request) -> str:
    """Return the text of a plan that was sent."""
    try:
        return (await request.body()).decode("utf-8")
    except UnicodeDecodeError as error:
        raise ProblemError("not-valid", "A plan is TOML in UTF-8.") from error


@router.get("", summary="Every version of every plan in the book")
def all_plans(intake: IntakeOf) -> PlanVersions:
    """List the plans by key, newest version first."""
    found, seen, gone = [], set(), intake.removed_plans()
    for kept in intake.plan_versions():
        plan = kept.plan
        found.append(
            PlanVersion(
                key=plan.key,
                version=plan.version,
                title=plan.title,
                purpose=plan.purpose,
                tasks=len(plan.task),
                tests=len(plan.test),
                added_at=kept.added_at,
                added_by=kept.added_by,
                newest=plan.key not in seen and plan.key not in gone,
                removed_at=gone[plan.key][0] if plan.key in gone else None,
            )
        )
        seen.add(plan.key)
    return PlanVersions(plans=found)


@router.post(
    "",
    summary="Bring a plan in, as TOML",
    status_code=201,
    openapi_extra=BODY,
    responses=also_there(PlanTaken),
)
@refuses(409)
async def add_plan(
    request: Request, intake: IntakeOf, who: Who, response: Response, take_in: TakeIn = False
) -> PlanTaken:
    """Keep a plan; the same one again changes nothing, another content needs its own version.

    Plans that include it stay as they are unless ``take_in`` says otherwise.
    """
    text = await toml_sent(request)

    def taken() -> tuple[Plan, PlanKept]:
        known = plans_of(request)
        plan = plan_given(text, known)
        if take_in:
            return plan, intake.keep_plan(plan, who, known)
        return plan, PlanKept(intake.put_plan(plan, who))

    plan, kept = await run_in_threadpool(taken)
    if not kept.fresh:
        response.status_code = 200
    response.headers["Location"] = f"/v1/plans/{plan.key}?version={plan.version}"
    return PlanTaken(
        key=plan.key,
        version=plan.version,
        already_there=not kept.fresh,
        taken_into=taken_into_answer(kept.into),
    )


def _held(intake: Intake, key: str, version: str | None) -> Plan:
    plan = intake.plan(key, version)
    if plan is None:
        raise NotFound("plan", key if version is None else f"{key} {version}")
    return plan


@router.get("/{key}", summary="One plan")
@refuses(404)
def one_plan(key: Key, intake: IntakeOf, version: Version = None) -> dict[str, Any]:
    """Return a plan as fluebook.plan/1 in JSON, with what it includes taken in."""
    return _held(intake, key, version).model_dump(mode="json", exclude_none=True)


@router.delete("/{key}", summary="Take a plan out of use", status_code=204)
@refuses(404, 409)
def remove_plan(key: Key, request: Request, intake: IntakeOf, who: Who) -> Response:
    """Offer a plan no more and let nothing of it fall due; its versions and what followed it stay.

    Refused while another plan includes it or a boiler names it. Brought in again, it is in force.
    """
    intake.remove_plan(key, who, plans_of(request))
    return Response(status_code=204)


@router.get(
    "/{key}/toml", summary="One plan as TOML", response_class=PlainTextResponse, responses=_TOML
)
@refuses(404)
def one_plan_toml(key: Key, intake: IntakeOf, version: Version = None) -> Response:
    """Return a plan as a file, to be changed and brought in again under a version of its own."""
    text = plan_toml(_held(intake, key, version))
    name = f'attachment; filename="{key}.toml"'
    return Response(text, media_type=MEDIA_TYPE, headers={"Content-Disposition": name})
