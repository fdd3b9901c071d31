"""What the routes share: the intake, who is asking, versions as entity tags."""

from __future__ import annotations

import re
from typing import Annotated, Any

from fastapi import Depends, Header, Request, Response
from fastapi.responses import JSONResponse

from api.problems import ErrorItem, ProblemError
from api.settings import Settings
from ingest.dimensions import Document
from ingest.intake import Intake, Kept


def _intake(request: Request) -> Intake:
    intake: Intake = request.app.state.intake
    return intake


def _settings(request: Request) -> Settings:
    settings: Settings = request.app.state.settings
    return settings


def _who(
    fluebook_who: Annotated[
        str, Header(max_length=100, description="Person or program, for the trail.")
    ] = "api",
) -> str:
    return fluebook_who


def _expected(
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
Expected = Annotated[int | None, Depends(_expected)]


def tagged(response: Response, version: int) -> None:
    """Put the version on an answer as its entity tag."""
    response.headers["ETag"] = f'"{version}"'


def kept_answer(kept: Kept[Any], status: int = 200, location: str | None = None) -> JSONResponse:
    """Return a document as the book has it, in canonical units."""
    document: Document = kept.document
    headers = {"ETag": f'"{kept.version}"'}
    if location is not None:
        headers["Location"] = f"{location}/{kept.document.id}"
    return JSONResponse(
        document.model_dump(mode="json", exclude_none=True), status_code=status, headers=headers
    )


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
