"""Analyzer files: taken into a visit whole or not at all, and given back untouched."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from typing import Annotated, Any
from uuid import UUID

from fastapi import APIRouter, Header, Path, Request, Response
from pydantic import Field, TypeAdapter, ValidationError
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import UploadFile

from api.answers import refuses
from api.cut_json import cut_json
from api.file_options import (
    CAPTURE_FIELDS,
    OPTION_FIELDS,
    how_read_from,
    read_options_from,
    wrong_field,
)
from api.form_refusals import bytes_as_sent
from api.posted import float_list
from api.problems import problem_of_validation
from api.routes.shared import Expected, IntakeOf, Who, tagged
from api.schemas import also_there
from api.shapes import point_json
from ingest.intake import FileTaken, Statement
from ingest.judge_json import judge_json
from ingest.sent import Sent
from parsers import PHASES, LineRange, Phase, read_json

router = APIRouter(prefix="/v1", tags=["files"])

_STATED = {
    "rates": {"type": "string", "description": "Percent, one for each reading: 100,75,50,25."},
    "phase": {"type": "string", "enum": [*PHASES], "description": "For readings that state none."},
    "fuel": {"type": "string"},
    "burner": {"type": "string"},
    "line_ranges": {
        "type": "string",
        "description": "Physical lines and what they are: JSON "
        "[{first, last, firing_rate, phase, fuel, burner}], or one in a line: 2-5 100 as-left.",
    },
    "as_log": {
        "type": "string",
        "enum": ["true", "false"],
        "description": "A continuous log: its cut is proposed, and nothing judged before it is "
        "confirmed. Answers fluebook.cut/1.",
    },
    "response_time": {
        "type": "string",
        "description": "With as_log: seconds that the instrument takes to 90 % of a step.",
    },
    **OPTION_FIELDS,
    **CAPTURE_FIELDS,
}
_BODY: dict[str, Any] = {
    "parameters": [
        {"name": key, "in": "query", "schema": schema, "description": "With a raw body."}
        for key, schema in {"name": {"type": "string"}, **_STATED}.items()
    ],
    "requestBody": {
        "required": True,
        "content": {
            "multipart/form-data": {
                "schema": {
                    "type": "object",
                    "required": ["file"],
                    "properties": {"file": {"type": "string", "format": "binary"}, **_STATED},
                }
            },
            "application/octet-stream": {"schema": {"type": "string", "format": "binary"}},
            "text/csv": {"schema": {"type": "string", "format": "binary"}},
        },
    },
}


class _Range(Sent):
    first: int = Field(ge=1)
    last: int = Field(ge=1)
    firing_rate: float | None = Field(default=None, ge=0, le=110)
    phase: Phase | None = None
    fuel: str | None = None
    burner: str | None = None


_RANGES = TypeAdapter(list[_Range])
_WRITTEN = re.compile(
    r"(?P<first>\d{1,9})(?:\s*(?:-|–|to)\s*(?P<last>\d{1,9}))?"
    r"(?:\s*[:=]?\s+(?P<rate>\d+(?:\.\d+)?)\s*%?)?"
    r"(?:\s+(?P<phase>as[\s_-]found|trial|as[\s_-]left))?(?:\s+(?P<fuel>\S+))?",
    re.IGNORECASE,
)


def _ranges(text: str) -> list[_Range]:
    """Return line ranges, from JSON or as a person writes them: ``2-5 100 as-left``."""
    if not text:
        return []
    try:
        if text.startswith("["):
            return _RANGES.validate_python(json.loads(text))
        return [_written(line) for line in re.split(r"[\n;]+", text) if line.strip()]
    except json.JSONDecodeError as error:
        raise wrong_field("line_ranges", str(error), text, "a JSON list") from error
    except ValidationError as error:
        raise problem_of_validation(error.errors(), inside_body=True) from error


def _written(line: str) -> _Range:
    found = _WRITTEN.fullmatch(line.strip())
    if found is None:
        expected = "first line, last line, firing rate, phase, fuel, such as 2-5 100 as-left"
        raise wrong_field("line_ranges", "a line range cannot be understood", line, expected)
    phase = re.sub(r"[\s-]", "_", found["phase"].lower()) if found["phase"] else None
    return _Range.model_validate(
        {
            "first": int(found["first"]),
            "last": int(found["last"] or found["first"]),
            "firing_rate": float(found["rate"]) if found["rate"] else None,
            "phase": phase,
            "fuel": found["fuel"],
        }
    )


def statement_from(given: Mapping[str, Any]) -> Statement:
    """Return what the uploader states, from form or query fields.

    Raises
    ------
    ProblemError
        Naming the field that cannot be understood.
    """
    rates_text = str(given.get("rates") or "").strip()
    rates = float_list(rates_text)
    if rates is None:
        raise wrong_field("rates", "the firing rates are not numbers", rates_text, "100,75,50,25")
    if any(not 0 <= r <= 110 for r in rates):
        raise wrong_field(
            "rates", "a firing rate is outside 0 to 110 %", rates_text, "100,75,50,25"
        )
    phase_text = str(given.get("phase") or "").strip().lower().replace("-", "_").replace(" ", "_")
    if phase_text and phase_text not in PHASES:
        raise wrong_field(
            "phase", "the phase is not known", phase_text, "as_found, trial or as_left"
        )
    ranges = _ranges(str(given.get("line_ranges") or "").strip())
    return Statement(
        rates=tuple(rates),
        phase=next((p for p in PHASES if p == phase_text), None),
        fuel=str(given.get("fuel") or "").strip() or None,
        burner=str(given.get("burner") or "").strip() or None,
        line_ranges=tuple(LineRange(**r.model_dump()) for r in ranges),
    )


def is_log(given: Mapping[str, Any]) -> bool:
    """Return whether the uploader says that the file is a continuous log."""
    return str(given.get("as_log") or "").strip().lower() in ("true", "1", "yes", "on")


def response_time_from(given: Mapping[str, Any]) -> float | None:
    """Return the instrument's response time [s], None where it is not stated.

    Raises
    ------
    ProblemError
        If it is no number of seconds from 1 to 600, or rates are stated of a log.
    """
    for name in ("rates", "line_ranges"):
        if stated := str(given.get(name) or "").strip():
            expected = "no statement: the rates of a log are named on its cut"
            raise wrong_field(name, "a continuous log takes no rates with it", stated, expected)
    text = str(given.get("response_time") or "").strip()
    seconds = float_list(text)
    if not text:
        return None
    if seconds is None or len(seconds) != 1 or not 1 <= seconds[0] <= 600:
        raise wrong_field("response_time", "the response time is no number of seconds", text, "30")
    return seconds[0]


async def uploaded(request: Request) -> tuple[str, bytes, Mapping[str, Any]]:
    """Return name, bytes and stated fields of an upload, multipart or raw."""
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if kind != "multipart/form-data":
        return (
            request.query_params.get("name") or "upload",
            await request.body(),
            request.query_params,
        )
    async with request.form() as form:
        file = form.get("file")
        if not isinstance(file, UploadFile):
            raise wrong_field("file", "the form holds no file", "", "a file in the field `file`")
        fields = {k: v for k, v in form.items() if isinstance(v, str)}
        return file.filename or "upload", await bytes_as_sent(file, "file").read(), fields


@router.post(
    "/visits/{visit_id}/files",
    summary="Hand over an analyzer's file",
    responses=also_there(dict[str, Any]),
    openapi_extra=_BODY,
    status_code=201,
)
@refuses(404, 409, 412)
async def add_file(
    request: Request,
    visit_id: UUID,
    intake: IntakeOf,
    who: Who,
    expected: Expected,
    response: Response,
) -> dict[str, Any]:
    """Read a file into a visit, all of it or nothing, and answer the judgement with it."""
    name, data, fields = await uploaded(request)
    statement = statement_from(fields)
    if is_log(fields):
        heard = how_read_from(fields)
        seconds = response_time_from(fields)
        cut, there = await run_in_threadpool(
            lambda: intake.add_log(
                visit_id,
                data,
                name,
                who,
                statement=statement,
                options=heard,
                response_time=seconds,
                expected_version=expected,
            )
        )
        tagged(response, cut.version)
        response.status_code = 200 if there else 201
        response.headers["Location"] = f"/v1/visits/{visit_id}/logs/{cut.attachment.id}/cut"
        return {"already_there": there, "cut": cut_json(cut)}

    options = read_options_from(fields)

    def take() -> FileTaken:
        return intake.add_file(
            visit_id,
            data,
            name,
            who,
            statement=statement,
            options=options,
            expected_version=expected,
        )

    taken = await run_in_threadpool(take)
    tagged(response, taken.version)
    if taken.already_there:
        response.status_code = 200
    return {
        "id": str(taken.attachment_id),
        "already_there": taken.already_there,
        "readings": taken.readings,
        "points": [point_json(p) for p in taken.points],
        "judgement": judge_json(taken.judgement),
        "read": {k: v for k, v in read_json(taken.result).items() if k != "readings"},
    }


@router.get(
    "/evidence/{sha256}",
    summary="The untouched bytes of a file",
    response_class=Response,
    responses={
        200: {"content": {"application/octet-stream": {}}},
        206: {
            "description": "The bytes from the first one asked for on.",
            "content": {"application/octet-stream": {}},
        },
    },
)
@refuses(404)
def evidence(
    sha256: Annotated[str, Path(pattern="^[0-9a-f]{64}$")],
    intake: IntakeOf,
    asked: Annotated[
        str | None,
        Header(alias="Range", description="`bytes=N-` goes on where a transfer broke off."),
    ] = None,
) -> Response:
    """Give the bytes as they came; never shown by a browser in place.

    Any other range than one from a byte to the end is answered with the whole.
    """
    data = intake.evidence(sha256)
    headers = {
        "Content-Disposition": f'attachment; filename="{sha256[:12]}"',
        "Accept-Ranges": "bytes",
    }
    rest = re.fullmatch(r"bytes=(\d{1,12})-", asked or "")
    status = 200
    if rest is not None and int(rest[1]) < len(data):
        headers["Content-Range"] = f"bytes {rest[1]}-{len(data) - 1}/{len(data)}"
        data, status = data[int(rest[1]) :], 206
    return Response(
        data, status_code=status, media_type="application/octet-stream", headers=headers
    )
