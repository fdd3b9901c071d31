"""Reading visit.json, boiler.json and limits, with refusals that say where, what and what to do."""

from __future__ import annotations

import difflib
import json
import re
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

from pydantic import ValidationError

from combustion.quantities import QUANTITIES
from ingest.dimensions import BareNumber, Part, dimension_of, part_of
from ingest.models import Boiler, Instrument, LimitsDocument, Site, Visit
from ingest.service.job import Job
from ingest.spellings import boiler_shapes, job_shapes, limits_shapes, spelt, units_of, visit_shapes
from parsers.times import zone_of

Made = TypeVar("Made", bound=Part)
JOB = "job.toml"
"""Name of the file beside visits that says what they share."""


@dataclass(frozen=True, slots=True)
class DocumentProblem:
    """One thing wrong in a document: where, what was found, what was expected, what to do."""

    file: str
    pointer: str
    message: str
    expected: str
    next_step: str
    raw: str | None = None
    code: str | None = None
    """Stable key of what is wrong, where it has one: ``unit_missing``."""

    def line(self) -> str:
        """Return the problem as one printable line."""
        found = f" (found {self.raw})" if self.raw is not None else ""
        return (
            f"{self.file}, at {self.pointer or '/'}: {self.message}{found}. "
            f"Expected {self.expected}. {self.next_step}"
        )


class DocumentError(Exception):
    """A document cannot be used; carries every problem found."""

    def __init__(self, problems: list[DocumentProblem]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(p.line() for p in problems))


def _refusal(
    file: str, pointer: str, message: str, raw: str | None = None, expected: str = ""
) -> DocumentError:
    wanted = expected or "a JSON object in UTF-8, as in docs/contracts"
    step = "Correct the file and try again."
    return DocumentError([DocumentProblem(file, pointer, message, wanted, step, raw)])


def read_json_file(path: Path) -> dict[str, Any]:
    """Return the object in a JSON file; raise DocumentError where there is none."""
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise _refusal(path.name, "", "the file cannot be read", str(error)) from error
    try:
        data = json.loads(text)
    except json.JSONDecodeError as error:
        where = f"line {error.lineno}, column {error.colno}"
        raise _refusal(path.name, where, f"not JSON: {error.msg}") from error
    except RecursionError as error:
        raise _refusal(path.name, "", "the document is nested too deeply") from error
    if not isinstance(data, dict):
        raise _refusal(path.name, "", f"the document is a {type(data).__name__}, not an object")
    return data


def visit_from(data: Mapping[str, Any], file: str = "visit.json") -> Visit:
    """Return the visit of a document.

    >>> visit_from({"id": "v-7", "room_co": 3, "adjustments": False}).room_co[0].value
    3.0
    """
    made = _made(Visit, data, file, visit_shapes)
    _known_quantities(made.instrument, file)
    begun, ended = made.started, made.ended
    # Times with and without an offset cannot be compared.
    if begun and ended and (begun.tzinfo is None) == (ended.tzinfo is None) and ended < begun:
        expected = f"a time from {begun.isoformat()} on, when the visit began"
        raise _refusal(file, "/ended", "it ended before it began", ended.isoformat(), expected)
    return made


def job_from(data: Mapping[str, Any], file: str = JOB) -> Job:
    """Return what the visits of one plant and day share.

    >>> job_from({"people": "A. Mayer", "room_co": {"arrival": 2}}).room_co[0].when
    'arrival'
    """
    made = _made(Job, data, file, job_shapes)
    if made.instrument is not None:
        _known_quantities(made.instrument, file)
    return made


def read_job(path: Path) -> Job:
    """Return the job of a TOML file; raise DocumentError where it cannot be used."""
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except (OSError, UnicodeDecodeError) as error:
        raise _refusal(path.name, "", "the file cannot be read", str(error)) from error
    except tomllib.TOMLDecodeError as error:
        raise _refusal(path.name, "", f"not TOML: {error}", expected="a TOML file") from error
    return job_from(data, path.name)


def _known_quantities(instrument: Instrument, file: str) -> None:
    for name in ("accuracies", "ranges", "fresh_air_after"):
        for key in getattr(instrument, name):
            if key not in QUANTITIES:
                near = difflib.get_close_matches(key, QUANTITIES, n=1)
                hint = f"; did you mean {near[0]!r}?" if near else ""
                raise _refusal(
                    file,
                    f"/instrument/{name}/{key}",
                    f"unknown quantity {key!r}{hint}",
                    expected="a key of the glossary, such as o2_dry, co_dry or stack_temperature",
                )


def boiler_from(data: Mapping[str, Any], file: str = "boiler.json") -> Boiler:
    """Return the boiler of a document.

    >>> boiler_from({"targets": {"100": {"o2": [3, 5]}}}).limits.targets[0].o2_dry.low
    3.0
    """
    made = _made(Boiler, data, file, boiler_shapes)
    _known_zone(made.zone, file)
    return made


def site_from(data: Mapping[str, Any], file: str = "site.json") -> Site:
    """Return the site of a document.

    >>> site_from({"name": "Quay", "zone": "Europe/Lisbon"}).zone
    'Europe/Lisbon'
    """
    made = _made(Site, data, file, dict)
    _known_zone(made.zone, file)
    return made


def _known_zone(zone: str | None, file: str) -> None:
    """Refuse a zone that nobody knows: times without an offset would be read as UTC, unsaid."""
    if zone is not None and zone_of(zone) is None:
        expected = "an IANA name such as Europe/Berlin, or an offset such as UTC+2"
        raise _refusal(file, "/zone", "the time zone is not known", zone[:80], expected)


def limits_from(data: Mapping[str, Any], file: str = "limits.json") -> LimitsDocument:
    """Return the limits of a document."""
    return _made(LimitsDocument, data, file, limits_shapes)


def _made(
    model: type[Made],
    data: Mapping[str, Any],
    file: str,
    shapes: Callable[[Mapping[str, Any]], dict[str, Any]],
) -> Made:
    try:
        shaped = spelt(shapes(data), model)
        if "units" in shaped:
            shaped["units"] = units_of(shaped["units"])
        return model.model_validate(shaped)
    except ValidationError as error:
        raise DocumentError(_problems(error, model, file)) from error
    except ValueError as error:
        pointer, message = _place(str(error))
        raise _refusal(file, pointer, message) from error
    except (TypeError, AttributeError, OverflowError, RecursionError) as error:
        raise _refusal(file, "", "the document has an unusable shape", str(error)[:120]) from error


def _place(message: str) -> tuple[str, str]:
    """Return pointer and message of one that starts with a dotted path.

    >>> _place("limits.targets[0].x: no unit")
    ('/limits/targets/0/x', 'no unit')
    """
    match = re.match(r"^([A-Za-z_][\w.\[\]]*): (.*)$", message, re.DOTALL)
    if match is None:
        return "", message
    path = match.group(1).replace("[", ".").replace("]", "")
    return "/" + path.replace(".", "/"), match.group(2)


def _model_at(model: type[Part], loc: tuple[int | str, ...]) -> type[Part]:
    for step in loc:
        field = model.model_fields.get(str(step))
        nested = None if field is None else part_of(field)
        if nested is not None:
            model = nested
    return model


def _problems(error: ValidationError, model: type[Part], file: str) -> list[DocumentProblem]:
    found = []
    for one in error.errors(include_url=False)[:50]:
        loc = tuple(one["loc"])
        pointer = "".join(f"/{str(s).replace('~', '~0').replace('/', '~1')}" for s in loc)
        if one["type"] == "extra_forbidden":
            found.append(_unknown_key(model, loc, pointer, file))
            continue
        message = str(one["msg"]).removeprefix("Value error, ")
        if not loc:
            pointer, message = _place(message)
            loc = tuple(p for p in pointer.split("/") if p)
        raw = one.get("input")
        shown = None if isinstance(raw, Mapping | list) else json.dumps(raw, default=str)[:80]
        expected = _expected(model, loc)
        cause = (one.get("ctx") or {}).get("error")
        code = "unit_missing" if isinstance(cause, BareNumber) else None
        step = "Correct it and try again."
        found.append(DocumentProblem(file, pointer, message, expected, step, shown, code))
    return found


def _unknown_key(
    model: type[Part], loc: tuple[int | str, ...], pointer: str, file: str
) -> DocumentProblem:
    owner, key = _model_at(model, loc[:-1]), str(loc[-1])
    near = difflib.get_close_matches(key, owner.model_fields, n=1, cutoff=0.5)
    return DocumentProblem(
        file,
        pointer,
        f"unknown key {key!r}",
        f"one of {', '.join(owner.model_fields)}",
        f"Did you mean {near[0]!r}?" if near else "Remove it or put it in a note.",
    )


def _expected(model: type[Part], loc: tuple[int | str, ...]) -> str:
    owner = _model_at(model, loc[:-1]) if loc else model
    field = owner.model_fields.get(str(loc[-1])) if loc else None
    if field is None:
        return "a document as in docs/contracts"
    dimension = dimension_of(field)
    if dimension is not None:
        return f'a number with its unit, such as {{"value": 1, "unit": "{dimension.unit}"}}'
    words = str(field.annotation).replace("typing.", "").replace("ingest.models.", "")
    return re.sub(r"<class '([^']+)'>", r"\1", words)
