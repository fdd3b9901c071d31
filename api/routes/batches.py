"""Readings posted in batches: all or none, or each on its own; also ahead of their visit."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Literal
from uuid import UUID

from fastapi import APIRouter, Response
from fastapi.responses import JSONResponse
from pydantic import BaseModel, Field, ValidationError

from api.answers import refuses
from api.posted import PostedReadings, readings_from
from api.problems import (
    ErrorItem,
    ProblemError,
    problem_of_book_error,
    problem_of_read_error,
    problem_of_validation,
)
from api.routes.shared import Expected, IntakeOf, Owner, Who
from api.routes.sites import JsonObject
from api.schemas import body_of
from ingest.batches import ItemResult, add_each, is_known, there_already, wait, waiting_readings
from ingest.judge_json import judge_json
from parsers import ReadError, Reading

router = APIRouter(prefix="/v1", tags=["readings"])


class ReadingResult(BaseModel):
    """What became of one reading, by its place in the body."""

    index: int
    id: UUID | None = Field(description="Null for one that was refused and had none.")
    result: Literal["stored", "already_there", "waiting", "refused"]
    problem: list[ErrorItem] = Field(default_factory=list)


class ReadingsTaken(BaseModel):
    """What became of a batch."""

    ids: list[UUID] = Field(description="Of those that the book now has, in order.")
    judgement: dict[str, Any] | None = Field(
        description="fluebook.judge/1 with them; null while the visit is not there."
    )
    results: list[ReadingResult] = Field(description="One for each reading of the body.")


class Waiting(BaseModel):
    """A reading that waits for its visit."""

    id: UUID
    visit_id: UUID
    owner: str
    sent_at: str
    sent_by: str
    firing_rate: float | None
    phase: str | None
    values: dict[str, float] = Field(description="Canonical units.")
    problem: str | None = Field(description="Why it could not join a visit that has come.")


class WaitingList(BaseModel):
    """All readings that wait."""

    readings: list[Waiting]


_ANSWERS: dict[int | str, dict[str, Any]] = {
    200: {"model": ReadingsTaken, "description": "Nothing new: all there already, or refused."},
    202: {"model": ReadingsTaken, "description": "Kept until the visit is there."},
}


@router.post(
    "/visits/{visit_id}/readings",
    summary="Add readings, all or none, or each on its own",
    status_code=201,
    response_model=ReadingsTaken,
    responses=_ANSWERS,
    openapi_extra=body_of("PostedReadings"),
)
@refuses(404, 409, 412)
def post_readings(
    visit_id: UUID,
    body: JsonObject,
    intake: IntakeOf,
    who: Who,
    owner: Owner,
    expected: Expected,
) -> Response:
    """Take readings with their units; answer their ids and the judgement with them.

    A visit that is not there yet gets them when it is put by the same sender.
    """
    each = body.get("on_error") == "each"
    given, refused = _each(body) if each else _all(body)
    if not is_known(intake, visit_id):
        results = wait(intake, visit_id, [g for _, g in given], who, owner=owner) if given else []
        return _answer(given, results, refused, 202, None, None)
    pairs = [pair for _, pair in given]
    if each:
        results, judgement, version = add_each(
            intake, visit_id, pairs, who, expected_version=expected
        )
        new = any(r.became == "stored" for r in results)
        return _answer(given, results, refused, 201 if new else 200, judge_json(judgement), version)
    before = there_already(intake, [identity for identity, _ in pairs])
    ids, judgement, version = intake.add_readings(visit_id, pairs, who, expected_version=expected)
    results = [ItemResult(i, "already_there" if i in before else "stored") for i in ids]
    return _answer(given, results, refused, 201, judge_json(judgement), version)


Given = list[tuple[int, tuple[UUID | None, Reading]]]


def _all(body: Mapping[str, Any]) -> tuple[Given, list[ReadingResult]]:
    posted = PostedReadings.model_validate(body)
    made = readings_from(posted)
    pairs = zip(posted.readings, made, strict=True)
    return [(n, (one.id, reading)) for n, (one, reading) in enumerate(pairs)], []


def _each(body: Mapping[str, Any]) -> tuple[Given, list[ReadingResult]]:
    """Read every item on its own; what is wrong with the frame stops all of them."""
    items = body.get("readings")
    if not isinstance(items, list) or not 0 < len(items) <= 20_000:
        PostedReadings.model_validate(body)  # says what is wrong with it
        raise AssertionError("a body without a list of readings is none")
    frame = {key: value for key, value in body.items() if key != "readings"}
    given: Given = []
    refused: list[ReadingResult] = []
    for n, item in enumerate(items):
        try:
            posted = PostedReadings.model_validate({**frame, "readings": [item]})
            (reading,) = readings_from(posted)
            given.append((n, (posted.readings[0].id, reading)))
        except (ValidationError, ProblemError) as error:
            problem = error
            if isinstance(error, ValidationError):
                problem = problem_of_validation(error.errors(), inside_body=True)
            assert isinstance(problem, ProblemError)
            if not all((i.pointer or "").startswith("/readings/0") for i in problem.details.errors):
                raise
            refused.append(_refused(n, None, problem))
    return given, refused


def _refused(index: int, identity: UUID | None, problem: ProblemError) -> ReadingResult:
    place = f"/readings/{index}"
    items = [
        item.model_copy(
            update={"pointer": place + (item.pointer or "").removeprefix("/readings/0")}
        )
        for item in problem.details.errors
    ]
    return ReadingResult(index=index, id=identity, result="refused", problem=items)


def _problem(error: Exception) -> ProblemError:
    if isinstance(error, ReadError):
        return problem_of_read_error(error)
    return problem_of_book_error(error)


def _answer(
    given: Given,
    results: list[ItemResult],
    refused: list[ReadingResult],
    status: int,
    judgement: dict[str, Any] | None,
    version: int | None,
) -> Response:
    shown = list(refused)
    for (index, _), one in zip(given, results, strict=True):
        if one.problem is not None:
            shown.append(_refused(index, one.id, _problem(one.problem)))
        else:
            shown.append(ReadingResult(index=index, id=one.id, result=one.became))
    shown.sort(key=lambda r: r.index)
    answer = {
        "ids": [str(r.id) for r in shown if r.result != "refused"],
        "judgement": judgement,
        "results": [
            r.model_dump(mode="json", exclude_none=True) | {"id": _text(r.id)} for r in shown
        ],
    }
    headers = {} if version is None else {"ETag": f'"{version}"'}
    return JSONResponse(answer, status, headers=headers)


def _text(identity: UUID | None) -> str | None:
    return None if identity is None else str(identity)


@router.get("/waiting-readings", summary="Readings that wait for their visit")
def waits(intake: IntakeOf, owner: Owner) -> WaitingList:
    """List what came before its visit, and what could not join it, with the reason."""
    return WaitingList(
        readings=[
            Waiting(
                id=one.id,
                visit_id=one.visit_id,
                owner=one.owner,
                sent_at=one.sent_at,
                sent_by=one.sent_by,
                firing_rate=one.reading.firing_rate,
                phase=one.reading.phase,
                values=dict(one.reading.values),
                problem=one.problem,
            )
            for one in waiting_readings(intake, owner)
        ]
    )
