"""The duty list, and the stops that wait for a person, over the API."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated
from uuid import UUID

from fastapi import APIRouter, Request, Response
from pydantic import AfterValidator, BaseModel, ConfigDict, Field

from api.answers import refuses
from api.doorkeeper import principal_of
from api.notify.mail import one_line
from api.routes.shared import Expected, IntakeOf, Who, decider, tagged
from api.routes.webhooks import Queued
from api.settings import is_mail_address
from ingest.intake import WordsMissing
from ingest.sent import Sent
from ingest.store.duty import DutyPerson, StandingStop

router = APIRouter(prefix="/v1", tags=["duty"])


def _mail_address(text: str) -> str:
    if not is_mail_address(text):
        raise ValueError("this is no plain mail address such as duty@heat.example")
    return text


def _name(text: str) -> str:
    plain = one_line(text, 100)
    if not plain or any(c in plain for c in '<>"@,;'):
        raise ValueError('a name stands without < > " @ , ;')
    return plain


class _Shape(BaseModel):
    model_config = ConfigDict(extra="forbid")


class AskedDutyPerson(Sent):
    """Somebody to be told of a stop by mail."""

    name: Annotated[str, AfterValidator(_name)] = Field(max_length=100, examples=["J. Harrow"])
    email: Annotated[str, AfterValidator(_mail_address)] = Field(
        max_length=254, examples=["duty@heat.example"]
    )


class DutyPersonAnswer(_Shape):
    """A person on the duty list."""

    id: UUID
    name: str
    email: str
    version: int


class DutyList(_Shape):
    """Who is told of a stop."""

    people: list[DutyPersonAnswer]


class StopFinding(_Shape):
    """One finding `stop`."""

    rule: str
    message: str


class StandingStopAnswer(_Shape):
    """A visit handed in with a stop that nobody has taken."""

    visit_id: UUID
    raised_at: datetime
    handed_in_by: str
    boiler: str | None
    site: str | None
    flags: list[StopFinding]


class StandingStops(_Shape):
    """Stops that wait for a person, oldest first."""

    stops: list[StandingStopAnswer]


class Taking(Sent):
    """Who takes a stop, and what they will do."""

    who: str = Field(
        default="",
        max_length=100,
        description="The person that a key acts for; whoever signed in signs with their own name.",
    )
    why: str = Field(default="", max_length=1000, description="What is done about it.")


class Taken(_Shape):
    """Who took it."""

    visit_id: UUID
    taken_by: str


def _person(one: DutyPerson, response: Response) -> DutyPersonAnswer:
    tagged(response, one.version)
    return DutyPersonAnswer(id=one.id, name=one.name, email=one.email, version=one.version)


def _stop(one: StandingStop) -> StandingStopAnswer:
    return StandingStopAnswer(
        visit_id=one.visit_id,
        raised_at=datetime.fromisoformat(one.raised_at),
        handed_in_by=one.handed_in_by,
        boiler=one.boiler_name,
        site=one.site_name,
        flags=[StopFinding.model_validate(f) for f in one.flags],
    )


def taker(request: Request, stated: str) -> str:
    """Return the person who takes a stop; a program's key alone is nobody."""
    if principal_of(request.scope).kind == "key" and not stated.strip():
        raise WordsMissing("say which person takes it")
    return decider(request, one_line(stated, 100))


@router.get("/duty", summary="Who is told of a stop")
def duty_list(intake: IntakeOf) -> DutyList:
    """List names and addresses."""
    return DutyList(people=[_person(p, Response()) for p in intake.duty_list()])


@router.post("/duty", summary="Put somebody on the duty list", status_code=201)
def add_person(
    body: AskedDutyPerson, intake: IntakeOf, who: Who, response: Response
) -> DutyPersonAnswer:
    """Add a person; from then on they get a mail with every stop at hand-in."""
    made = intake.put_duty_person(body.name, body.email, who)
    response.headers["Location"] = f"/v1/duty/{made.id}"
    return _person(made, response)


@router.get("/duty/{person_id}", summary="One person on duty")
@refuses(404)
def one_person(person_id: UUID, intake: IntakeOf, response: Response) -> DutyPersonAnswer:
    """Return a person of the list."""
    return _person(intake.duty_person(person_id), response)


@router.put("/duty/{person_id}", summary="Put or change a person on duty")
@refuses(412)
def put_person(
    person_id: UUID,
    body: AskedDutyPerson,
    intake: IntakeOf,
    who: Who,
    expected: Expected,
    response: Response,
) -> DutyPersonAnswer:
    """Write a person of the list; the same again changes nothing."""
    kept = intake.put_duty_person(
        body.name, body.email, who, person_id=person_id, expected_version=expected
    )
    return _person(kept, response)


@router.delete("/duty/{person_id}", summary="Take a person off the list", status_code=204)
@refuses(404)
def remove_person(person_id: UUID, intake: IntakeOf, who: Who) -> Response:
    """Take a person off; mail that waits for them still goes out."""
    intake.remove_duty_person(person_id, who)
    return Response(status_code=204)


@router.post("/duty/{person_id}/test", summary="Send a test mail", status_code=202)
@refuses(404)
def test(person_id: UUID, intake: IntakeOf, who: Who) -> Queued:
    """Put a mail to this person into the outbox."""
    return Queued(delivery_id=intake.test_duty_person(person_id, who))


@router.get("/standing-stops", summary="Stops that wait for a person")
def standing_stops(intake: IntakeOf) -> StandingStops:
    """List the visits handed in with a stop that nobody has taken by name."""
    return StandingStops(stops=[_stop(one) for one in intake.standing_stops()])


@router.post("/visits/{visit_id}/take-stop", summary="Take a standing stop by name")
@refuses(404, 409)
def take_stop(visit_id: UUID, body: Taking, request: Request, intake: IntakeOf) -> Taken:
    """Take it: it leaves the top of the list, and the trail says who and when. 409 if taken."""
    who = taker(request, body.who)
    intake.take_stop(visit_id, who, body.why)
    return Taken(visit_id=visit_id, taken_by=who)
