"""Visits: opened, filled, handed in, accepted or sent back; and the list of flagged ones."""

from __future__ import annotations

from typing import Annotated, Any, Literal
from uuid import UUID

from fastapi import APIRouter, Query, Request, Response
from fastapi.responses import JSONResponse
from pydantic import BaseModel, Field
from starlette.concurrency import run_in_threadpool

from api.acts import report_signing
from api.answers import refuses
from api.doorkeeper import principal_of
from api.kept_visits import KeptVisits
from api.moments import InUtc
from api.posted_visit import posted_visit
from api.problems import ErrorItem, ProblemError
from api.routes.shared import (
    Expected,
    IntakeOf,
    SettingsOf,
    Who,
    adopt_plan,
    decider,
    document_answer,
    kept_answer,
    must_be_own,
    same_id,
    tagged,
)
from api.routes.sites import JsonObject
from api.schemas import answer_of, body_of
from api.shapes import listed_json
from ingest.external import known_as
from ingest.intake import Intake, Said, VisitTaken
from ingest.judge_json import judge_json
from ingest.models import Handled, Severity
from ingest.sent import Sent
from ingest.store.book import stamp
from ingest.store.clerk import Clerk
from ingest.store.lists import Wanted

router = APIRouter(prefix="/v1", tags=["visits"])
_KEPT = "The visit as kept; with ids and judgement where the body carried readings."
_VISIT = answer_of(200, "Visit", _KEPT, "VisitTaken")
_MADE = answer_of(201, "Visit", _KEPT, "VisitTaken")
FLAGGED: tuple[Severity, ...] = ("stop", "fix", "check")


class Decision(Sent):
    """Who decides, and why."""

    who: str = Field(
        default="",
        max_length=100,
        description="The person that a key acts for; whoever signed in signs with their own name.",
    )
    printed_name: str = Field(
        default="",
        max_length=100,
        description="As under the report; the account's own printed name, or `who`, if absent.",
    )
    why: str = Field(default="", max_length=1000)


class HandIn(Decision):
    """Who hands in; and of a visit that was handed in in a field book, what was signed there."""

    signed_at: InUtc | None = Field(
        default=None, description="When it was handed in in the field book, with its offset."
    )
    signed_report_sha256: str | None = Field(
        default=None,
        pattern="^[0-9a-f]{64}$",
        description="SHA-256 of the content of the report that was signed there.",
    )

    def signed_there(self) -> dict[str, str]:
        """Return what the trail keeps of it beside the office's own report."""
        found = {}
        if self.signed_at is not None:
            found["signed_at"] = stamp(self.signed_at)
        if self.signed_report_sha256 is not None:
            found["signed_report_sha256"] = self.signed_report_sha256
        return found


class HandledOne(Sent):
    """Words about one finding."""

    flag: str = Field(min_length=1, max_length=200, description="Id of the flag, or a rule's key.")
    words: str = Field(max_length=2000, description="What was done; empty takes it back.")
    was: str | None = Field(
        default=None,
        max_length=2000,
        description="What stood there when this was written; other words there are then a 409.",
    )


class HandledPosted(Sent):
    """What was done about findings, and who says so."""

    who: str = Field(default="", max_length=100, description="As at hand-in.")
    handled: list[HandledOne] = Field(min_length=1, max_length=1000)


class HandledAnswer(BaseModel):
    """Everything that stands beside the visit's findings."""

    handled: list[Handled]


@router.post(
    "/visits",
    summary="Open a visit",
    status_code=201,
    openapi_extra=body_of("VisitWithReadings"),
    responses=_MADE,
)
@refuses(404, 409)
async def make_visit(body: JsonObject, request: Request, who: Who) -> JSONResponse:
    """Open a visit; without an id one is made for it. It may carry its readings."""
    return await written(body, request, who, None, 201, "/v1/visits")


@router.put(
    "/visits/{visit_id}",
    summary="Open or change a visit",
    openapi_extra=body_of("VisitWithReadings"),
    responses=_VISIT,
)
@refuses(404, 409, 412)
async def put_visit(
    visit_id: UUID, body: JsonObject, request: Request, who: Who, expected: Expected
) -> JSONResponse:
    """Write what is known of a visit, with readings or without; the same again changes nothing."""
    return await written(same_id(body, visit_id), request, who, expected)


_READ_AT_ONCE = 50
"""Readings that are read and kept between two requests; more go to another thread meanwhile."""


async def written(
    body: dict[str, Any],
    request: Request,
    who: str,
    expected: int | None,
    status: int = 200,
    location: str | None = None,
    *,
    external_id: str | None = None,
) -> JSONResponse:
    """Write a visit, with readings or without, as one change; 201 where an external id is new."""
    intake: Intake = request.app.state.intake
    owner = principal_of(request.scope).owner
    given = body.get("readings")
    few = not isinstance(given, list) or len(given) <= _READ_AT_ONCE
    posted = posted_visit(body) if few else await run_in_threadpool(posted_visit, body)
    short = few and external_id is None and intake.holds_few(posted.visit.id, owner, _READ_AT_ONCE)

    def change() -> JSONResponse:
        whole, known, said, at = posted, expected, status, location
        # One change: a visit that is refused leaves neither its plan nor its key behind.
        with intake.book.change(who) as opened:
            if external_id is not None:
                visit, made = known_as(opened, posted.visit, external_id, owner)
                whole = posted.under(visit)
                said, at = (201, "/v1/visits") if made else (200, None)
            must_be_own(request, whole.visit.id, opened.sql)
            adopt_plan(request, intake, whole.visit, who)
            if whole.readings is None:
                kept = intake.put_visit(whole.visit, who, owner=owner, expected_version=known)
                return kept_answer(kept, said, at)
            taken = intake.take_visit(
                whole.visit, whole.readings, who, owner=owner, expected_version=known
            )
            return _taken(taken, said, at)

    clerk: Clerk = request.app.state.clerk
    return await clerk.write(change, short=short)


def _taken(taken: VisitTaken, status: int = 200, location: str | None = None) -> JSONResponse:
    return document_answer(
        taken.kept,
        {
            "visit": taken.kept.document.model_dump(mode="json", exclude_none=True),
            "ids": [str(identity) for identity in taken.ids],
            "judgement": judge_json(taken.judgement),
        },
        status,
        location,
    )


@router.get(
    "/visits/{visit_id}",
    summary="One visit with its points and flags",
    response_model=dict[str, Any],
)
@refuses(404)
async def one_visit(visit_id: UUID, request: Request) -> Response:
    """Return a visit: document, state, points, judgement, files."""
    kept: KeptVisits = request.app.state.kept_visits
    body, version = await kept.answer(visit_id)
    answer = Response(body, media_type="application/json")
    tagged(answer, version)
    return answer


@router.post("/visits/{visit_id}/handled", summary="Say what was done about findings")
@refuses(404, 409, 412)
def say_handled(
    visit_id: UUID,
    body: HandledPosted,
    request: Request,
    intake: IntakeOf,
    expected: Expected,
    response: Response,
) -> HandledAnswer:
    """Write words beside flags, signed with name and time; the same words change nothing."""
    who = decider(request, body.who)
    said = [Said(one.flag, one.words, one.was) for one in body.handled]
    kept = intake.say_handled(visit_id, said, who, expected_version=expected)
    tagged(response, kept.version)
    return HandledAnswer(handled=kept.document.handled)


@router.post("/visits/{visit_id}/hand-in", summary="Hand a visit in")
@refuses(404, 409, 412)
def hand_in(
    visit_id: UUID,
    body: HandIn,
    request: Request,
    intake: IntakeOf,
    expected: Expected,
    response: Response,
) -> dict[str, Any]:
    """Freeze the judgement with its limits and rules, keep and sign the report."""
    who = decider(request, body.who)
    sign = report_signing(request, intake, visit_id, body.printed_name)
    judgement, version = intake.hand_in(
        visit_id,
        who,
        expected_version=expected,
        sign=lambda change, decided: {**sign(change, decided), **body.signed_there()},
    )
    tagged(response, version)
    return {"state": "handed_in", "judgement": judge_json(judgement)}


@router.post("/visits/{visit_id}/accept", summary="Accept a visit")
@refuses(404, 409, 412)
def accept(
    visit_id: UUID,
    body: Decision,
    request: Request,
    intake: IntakeOf,
    expected: Expected,
    response: Response,
) -> dict[str, Any]:
    """Accept a handed-in visit; one with a stop or fix needs its reason."""
    who = decider(request, body.who)
    sign = report_signing(request, intake, visit_id, body.printed_name)
    tagged(response, intake.accept(visit_id, who, body.why, expected_version=expected, sign=sign))
    return {"state": "accepted"}


@router.post("/visits/{visit_id}/send-back", summary="Send a visit back")
@refuses(404, 409, 412)
def send_back(
    visit_id: UUID,
    body: Decision,
    request: Request,
    intake: IntakeOf,
    expected: Expected,
    response: Response,
) -> dict[str, Any]:
    """Send a handed-in visit back with words that say what to do."""
    who = decider(request, body.who)
    tagged(response, intake.send_back(visit_id, who, body.why, expected_version=expected))
    return {"state": "sent_back"}


@router.get("/flagged-visits", summary="Handed-in visits with findings, worst first")
def flagged(
    intake: IntakeOf,
    settings: SettingsOf,
    severity: Annotated[list[Severity] | None, Query(description="Worst finding.")] = None,
    rule: str | None = None,
    site_id: UUID | None = None,
    boiler_id: UUID | None = None,
    state: Literal["handed_in", "open", "sent_back", "accepted"] = "handed_in",
    after: Annotated[str | None, Query(description="`next` of the page before.")] = None,
    limit: Annotated[int, Query(ge=1, le=500)] = 40,
) -> dict[str, Any]:
    """List visits worst first, then oldest; `next` is null on the last page."""
    wanted = Wanted(
        states=(state,),
        severities=tuple(severity or FLAGGED),
        rule=rule,
        site_id=site_id,
        boiler_id=boiler_id,
    )
    try:
        found = intake.review_list(wanted, after=after, most=limit + 1)
    except ValueError as error:
        item = ErrorItem(message=str(error), parameter="after", raw=(after or "")[:100])
        raise ProblemError("not-valid", str(error), [item]) from error
    more = len(found) > limit
    return {
        "visits": [listed_json(one) for one in found[:limit]],
        "next": found[limit - 1].position if more else None,
    }
