"""Limits over the API: of the company and of a boiler, read, tried on past visits, changed."""

from __future__ import annotations

from datetime import date, datetime
from typing import Any
from uuid import UUID

from fastapi import APIRouter, Request, Response
from pydantic import BaseModel, ConfigDict, Field

from api.answers import refuses
from api.routes.shared import Expected, IntakeOf, decider, tagged
from api.routes.trials import TrialAnswer, refuse_backwards, trial_answer
from ingest.dimensions import CANONICAL_UNITS, dimension_of
from ingest.documents import limits_from
from ingest.intake_limits import StatedLimits
from ingest.judgement import Status
from ingest.limits import DEFAULT_LIMITS
from ingest.models import Limits, LimitsDocument
from ingest.sent import Sent

router = APIRouter(prefix="/v1", tags=["limits"])

_PPM = ("co_air_free_", "nox_", "room_co_")


class _Shape(BaseModel):
    model_config = ConfigDict(extra="forbid")


class BuiltIn(_Shape):
    """What is taken where nobody states a limit."""

    value: Any
    unit: str | None = Field(description="Null for a count, a share or a probability.")
    source: str
    status: Status


class LastChange(_Shape):
    """When, by whom and why these limits were last changed."""

    at: datetime
    by: str
    why: str


class LimitsAnswer(_Shape):
    """What is stated, in canonical units, and what is built in beneath it."""

    limits: dict[str, Any] = Field(description="As limits.json, with its units.")
    changed: LastChange | None
    version: int
    built_in: dict[str, BuiltIn]


class AskedLimits(Sent):
    """Limits to be tried."""

    limits: dict[str, Any] = Field(
        description="As limits.json: all that is to be stated; what is left out is not stated.",
        examples=[{"stack_temperature_max": {"value": 400, "unit": "degF"}, "source": "insurer"}],
    )


class TriedLimits(AskedLimits):
    """Limits to be tried on the finished visits of a time."""

    since: date | None = Field(default=None, description="First day in UTC; a year back if absent.")
    until: date | None = Field(default=None, description="Last day in UTC; today if absent.")


class ChangedLimits(AskedLimits):
    """Limits to be kept, and the reason."""

    why: str = Field(min_length=1, max_length=1000, examples=["The insurer asks for it."])
    who: str = Field(default="", max_length=100, description="The person that a key acts for.")


def _unit(key: str) -> str | None:
    base = next((k for k in Limits.model_fields if key == k or key.startswith(f"{k}_")), None)
    dimension = None if base is None else dimension_of(Limits.model_fields[base])
    if dimension is not None:
        return dimension.unit
    if key.startswith(_PPM):
        return "ppm"
    if key.startswith(("o2_", "intake_")):
        return "%"
    return None


def _built_in() -> dict[str, BuiltIn]:
    return {
        key: BuiltIn(value=found.value, unit=_unit(key), source=found.source, status=found.status)
        for key, found in DEFAULT_LIMITS.items()
    }


def _answer(kept: StatedLimits, response: Response) -> LimitsAnswer:
    tagged(response, kept.version)
    changed = kept.changed
    document = LimitsDocument.model_validate(
        {
            **kept.limits.model_dump(exclude={"units"}, exclude_none=True),
            "units": dict(CANONICAL_UNITS),
        }
    )
    return LimitsAnswer(
        limits=document.model_dump(mode="json", exclude_unset=True),
        changed=None
        if changed is None
        else LastChange(at=changed.at, by=changed.by, why=changed.why),
        version=kept.version,
        built_in=_built_in(),
    )


def _tried(body: TriedLimits, intake: IntakeOf, boiler_id: UUID | None) -> TrialAnswer:
    refuse_backwards(body.since, body.until)
    limits = limits_from(body.limits, "limits")
    return trial_answer(intake.try_limits(limits, boiler_id, since=body.since, until=body.until))


def _decided(body: ChangedLimits, request: Request) -> tuple[LimitsDocument, str]:
    limits = limits_from(body.limits, "limits")
    return limits, decider(request, body.who or request.headers.get("Fluebook-Who"))


@router.get("/company-limits", summary="What the company holds its boilers to")
def company_limits(intake: IntakeOf, response: Response) -> LimitsAnswer:
    """Return what the company states for every boiler that states nothing of its own."""
    return _answer(intake.company_limits(), response)


@router.put("/company-limits", summary="Change the company's limits, with a reason")
@refuses(409, 412)
def put_company_limits(
    body: ChangedLimits,
    request: Request,
    intake: IntakeOf,
    expected: Expected,
    response: Response,
) -> LimitsAnswer:
    """State all of the company's limits anew; handed-in visits keep those they were judged by."""
    limits, who = _decided(body, request)
    kept = intake.keep_company_limits(limits, who, body.why, expected_version=expected)
    return _answer(kept, response)


@router.post("/company-limits/preview", summary="Try limits of the company on past visits")
def preview_company_limits(body: TriedLimits, intake: IntakeOf) -> TrialAnswer:
    """Judge finished visits by the limits in force and by these; nothing is stored."""
    return _tried(body, intake, None)


@router.get("/boilers/{boiler_id}/limits", summary="What a boiler states itself")
@refuses(404)
def boiler_limits(boiler_id: UUID, intake: IntakeOf, response: Response) -> LimitsAnswer:
    """Return a boiler's own limits; its version is the boiler's."""
    return _answer(intake.boiler_limits(boiler_id), response)


@router.put("/boilers/{boiler_id}/limits", summary="Change a boiler's limits, with a reason")
@refuses(404, 412)
def put_boiler_limits(
    boiler_id: UUID,
    body: ChangedLimits,
    request: Request,
    intake: IntakeOf,
    expected: Expected,
    response: Response,
) -> LimitsAnswer:
    """State all of a boiler's limits anew; handed-in visits keep those they were judged by."""
    limits, who = _decided(body, request)
    kept = intake.keep_limits(boiler_id, limits, who, body.why, expected_version=expected)
    return _answer(kept, response)


@router.post("/boilers/{boiler_id}/limits/preview", summary="Try limits on a boiler's past visits")
@refuses(404)
def preview_boiler_limits(boiler_id: UUID, body: TriedLimits, intake: IntakeOf) -> TrialAnswer:
    """Judge its finished visits by the limits in force and by these; nothing is stored."""
    return _tried(body, intake, boiler_id)
