"""Standing acceptances over the API: findings that a reviewer lets stand on one boiler."""

from __future__ import annotations

from datetime import date, datetime
from typing import Annotated, Literal
from uuid import UUID

from fastapi import APIRouter, Query, Request, Response
from pydantic import BaseModel, ConfigDict, Field

from api.answers import refuses
from api.problems import ErrorItem, ProblemError
from api.routes.shared import Expected, IntakeOf, decider, signer, tagged
from combustion.quantities import QUANTITIES
from combustion.units import UnitError, conversion
from ingest.identifiers import new_id
from ingest.sent import Sent
from ingest.store.standing import Standing

router = APIRouter(prefix="/v1/standing-acceptances", tags=["standing acceptances"])


class _Shape(BaseModel):
    model_config = ConfigDict(extra="forbid")


class UpTo(Sent):
    """The value up to which it holds: downwards where the finding is about a lower limit."""

    quantity: str = Field(examples=["stack_temperature"], description="Key of the glossary.")
    value: float = Field(allow_inf_nan=False, examples=[420])
    unit: str = Field(max_length=30, examples=["degF"])


class AskedStanding(Sent):
    """A finding that may stand on a boiler for a while."""

    id: UUID | None = Field(default=None, description="Made by the sender, so it can be repeated.")
    boiler_id: UUID
    rule: str = Field(max_length=100, examples=["stack_temperature_high"])
    reason: str = Field(min_length=1, max_length=1000, examples=["Economizer is ordered."])
    severity: Literal["fix", "check", "info"] = Field(
        default="check", description="Findings worse than this are not covered."
    )
    up_to: UpTo | None = None
    until: date | None = Field(default=None, description="Last day on which it holds, in UTC.")
    until_part_change: bool = Field(
        default=False, description="Ends when a part is fitted to the boiler."
    )
    who: str = Field(default="", max_length=100, description="The person that a key acts for.")


class CanonicalValue(_Shape):
    """A value in the quantity's canonical unit."""

    quantity: str
    value: float
    unit: str


class Ended(_Shape):
    """When, by whom and how it ended."""

    at: datetime
    by: str
    how: Literal["ended", "date", "part_change"]
    why: str


class StandingAnswer(_Shape):
    """A standing acceptance as the book has it."""

    id: UUID
    boiler_id: UUID
    rule: str
    reason: str
    severity: Literal["fix", "check", "info"]
    up_to: CanonicalValue | None
    until: date | None
    until_part_change: bool
    made_at: datetime
    made_by: str
    ended: Ended | None
    version: int


class StandingList(_Shape):
    """Standing acceptances, newest first."""

    standing_acceptances: list[StandingAnswer]


def answer(one: Standing) -> StandingAnswer:
    """Return a standing acceptance as it is answered."""
    up_to = ended = None
    if one.quantity is not None and one.up_to is not None:
        unit = QUANTITIES[one.quantity].unit
        up_to = CanonicalValue(quantity=one.quantity, value=one.up_to, unit=unit)
    if one.ended_at is not None and one.ended_how is not None:
        at = datetime.fromisoformat(one.ended_at)
        ended = Ended(at=at, by=one.ended_by or "", how=one.ended_how, why=one.ended_why or "")
    assert one.severity != "stop"
    return StandingAnswer(
        id=one.id,
        boiler_id=one.boiler_id,
        rule=one.rule,
        reason=one.reason,
        severity=one.severity,
        up_to=up_to,
        until=one.until,
        until_part_change=one.until_part_change,
        made_at=datetime.fromisoformat(one.made_at),
        made_by=one.made_by,
        ended=ended,
        version=one.version,
    )


def _canonical(up_to: UpTo) -> float:
    quantity = QUANTITIES.get(up_to.quantity)
    if quantity is None:
        item = ErrorItem(
            message="the glossary has no such quantity",
            pointer="/up_to/quantity",
            raw=up_to.quantity[:100],
        )
        raise ProblemError("not-valid", "The quantity is not known.", [item])
    try:
        return conversion(up_to.unit, quantity.unit)(up_to.value)
    except UnitError as error:
        item = ErrorItem(message=str(error), pointer="/up_to/unit", raw=up_to.unit)
        raise ProblemError("not-valid", "The unit does not fit the quantity.", [item]) from error


@router.get("", summary="What may stand")
def standing_list(
    intake: IntakeOf,
    boiler_id: UUID | None = None,
    ended: Annotated[bool, Query(description="With those that have ended.")] = False,
) -> StandingList:
    """List standing acceptances; one that has run out is ended before it is listed."""
    found = intake.standings(boiler_id, ended=ended)
    return StandingList(standing_acceptances=[answer(one) for one in found])


@router.post("", summary="Let a finding stand", status_code=201)
@refuses(404, 409)
def make(
    body: AskedStanding, request: Request, intake: IntakeOf, response: Response
) -> StandingAnswer:
    """Cover a rule's findings on one boiler until a day or the next part change; never a stop."""
    one = Standing(
        id=body.id or new_id(),
        boiler_id=body.boiler_id,
        rule=body.rule,
        reason=body.reason.strip(),
        severity=body.severity,
        quantity=None if body.up_to is None else body.up_to.quantity,
        up_to=None if body.up_to is None else _canonical(body.up_to),
        until=body.until,
        until_part_change=body.until_part_change,
    )
    made = intake.add_standing(one, decider(request, body.who))
    response.headers["Location"] = f"/v1/standing-acceptances/{made.id}"
    tagged(response, made.version)
    return answer(made)


@router.get("/{standing_id}", summary="One standing acceptance")
@refuses(404)
def one_standing(standing_id: UUID, intake: IntakeOf, response: Response) -> StandingAnswer:
    """Return it, ended or not."""
    found = intake.standing(standing_id)
    tagged(response, found.version)
    return answer(found)


@router.delete("/{standing_id}", summary="End a standing acceptance")
@refuses(404, 409, 412)
def end(
    standing_id: UUID,
    request: Request,
    intake: IntakeOf,
    expected: Expected,
    response: Response,
    why: Annotated[str, Query(min_length=1, max_length=1000)],
) -> StandingAnswer:
    """End it before its time; it stays in the book, and what it covered is flagged again."""
    who = signer(request, request.headers.get("Fluebook-Who")) or "api"
    ended = intake.end_standing(standing_id, who, why, expected_version=expected)
    tagged(response, ended.version)
    return answer(ended)
