"""What the routes share: the intake, who is asking, versions as entity tags."""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Mapping
from typing import Annotated, Any
from uuid import UUID

import orjson
from fastapi import Depends, Header, Request, Response
from fastapi.responses import JSONResponse

from api.doorkeeper import principal_of
from api.problems import ErrorItem, ProblemError
from api.settings import Settings
from api.words import N_
from ingest.dimensions import Document
from ingest.intake import Intake, Kept, WordsMissing
from ingest.models import Boiler, Visit
from ingest.service.kept import plans_for
from ingest.service.office import office_plans
from ingest.service.plans import Plan

# Asynchronous, though they wait for nothing: the framework asks a plain one in another thread.


async def _intake(request: Request) -> Intake:
    intake: Intake = request.app.state.intake
    return intake


async def _settings(request: Request) -> Settings:
    settings: Settings = request.app.state.settings
    return settings


async def _who(
    request: Request,
    fluebook_who: Annotated[
        str | None,
        Header(max_length=100, description="The person that a key acts for, for the trail."),
    ] = None,
) -> str:
    return signer(request, _in_utf8(fluebook_who)) or "api"


def _in_utf8(name: str | None) -> str | None:
    """Return a name of a header, whose bytes are read as Latin-1, as its sender spelt it.

    >>> _in_utf8("T. NuÃ±ez"), _in_utf8("T. Nuñez")
    ('T. Nuñez', 'T. Nuñez')
    """
    try:
        return None if name is None else name.encode("latin-1").decode("utf-8")
    except UnicodeError:
        return name


def signer(request: Request, stated: str | None) -> str:
    """Return the name that signs: the account's own, whatever a form or a body states."""
    return principal_of(request.scope).signs_as(stated)


def decider(request: Request, stated: str | None) -> str:
    """Return the name that decides; a decision without a name is refused."""
    name = signer(request, stated)
    if not name:
        raise WordsMissing(N_("say who decides"))
    return name


def must_be_own(
    request: Request, visit_id: UUID | None, sql: sqlite3.Connection | None = None
) -> None:
    """Refuse a technician another's visit, where the body names it and not the address.

    What is not there yet is nobody's. Within a change: asked over the change's own connection.
    """
    principal = principal_of(request.scope)
    if visit_id is None or principal.role != "technician" or principal.kind == "alone":
        return
    if not request.app.state.desk.is_own(principal, str(visit_id), sql):
        detail = "A technician changes visits that they opened or that name them."
        raise ProblemError("not-allowed", detail)


async def _owner(request: Request) -> str:
    return principal_of(request.scope).owner


async def _expected(
    if_match: Annotated[
        str | None, Header(description="ETag of the version that the change was decided on.")
    ] = None,
) -> int | None:
    if if_match is None or if_match.strip() == "*":
        return None
    found = re.fullmatch(r'\s*"(\d+)"\s*', if_match)
    if found is None:
        raise ProblemError(
            "changed-meanwhile",
            f"If-Match {if_match!r} is not a version that this fluebook gave.",
            [ErrorItem(message="unknown entity tag", parameter="If-Match", raw=if_match[:100])],
        )
    return int(found.group(1))


IntakeOf = Annotated[Intake, Depends(_intake)]
SettingsOf = Annotated[Settings, Depends(_settings)]
Who = Annotated[str, Depends(_who)]
Owner = Annotated[str, Depends(_owner)]
"""Whose external ids are meant: those of the key, or the office's."""
Expected = Annotated[int | None, Depends(_expected)]


def plans_of(request: Request) -> dict[str, Plan]:
    """Return the plans in force, files read once for a running program; the book's come first."""
    held: dict[str, Plan] | None = getattr(request.app.state, "plans", None)
    if held is None:
        held = request.app.state.plans = office_plans()
    intake: Intake = request.app.state.intake
    return intake.plans_in_force(held)


def fitting_plans(boiler: Boiler | None, known: Mapping[str, Plan]) -> list[Plan]:
    """Return the plans that a boiler is kept by; none where it names one that is not there."""
    try:
        return [] if boiler is None else plans_for(boiler, known)
    except KeyError:
        return []


def adopt_plan(request: Request, intake: Intake, visit: Visit, who: str) -> None:
    """Bring the office's plan that a visit names into the book, where the book has none of it.

    So the visit is judged by it from its first word on, and by the same when the file is changed.
    """
    record = visit.service
    if record is None or record.plan is None or intake.plan(record.plan, record.plan_version):
        return
    plan = plans_of(request).get(record.plan)
    if plan is not None and record.plan_version in (None, plan.version):
        intake.put_plan(plan, who)


def tagged(response: Response, version: int) -> None:
    """Put the version on an answer as its entity tag."""
    response.headers["ETag"] = f'"{version}"'


def kept_answer(kept: Kept[Any], status: int = 200, location: str | None = None) -> JSONResponse:
    """Return a document as the book has it, in canonical units."""
    document: Document = kept.document
    return document_answer(
        kept, document.model_dump(mode="json", exclude_none=True), status, location
    )


class _Quick(JSONResponse):
    """JSON by the quick encoder: a judgement is long, and one goes out with every visit taken.

    Whole numbers beyond 64 bits it does not take; the standard library's does.
    """

    def render(self, content: Any) -> bytes:
        try:
            return orjson.dumps(content)
        except TypeError:
            return super().render(content)


def document_answer(
    kept: Kept[Any], content: dict[str, Any], status: int = 200, location: str | None = None
) -> JSONResponse:
    """Return what is said of a document, with its version, and its address where it is new."""
    headers = {"ETag": f'"{kept.version}"'}
    if location is not None:
        headers["Location"] = f"{location}/{kept.document.id}"
    return _Quick(content, status_code=status, headers=headers)


def same_id(body: dict[str, Any], identity: object) -> dict[str, Any]:
    """Return the body with the id of its address; another id inside is refused."""
    inside = body.get("id")
    if inside is not None and str(inside).lower() != str(identity):
        raise ProblemError(
            "not-valid",
            "The id in the body is not the id in the address.",
            [
                ErrorItem(
                    message="another id than in the address",
                    pointer="/id",
                    raw=str(inside)[:100],
                    expected=str(identity),
                    next_step="Leave it out, or send the same id.",
                )
            ],
        )
    return {**body, "id": str(identity)}
