"""How an uploaded file or log is to be read, from the fields of a form or a query."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace
from datetime import datetime
from typing import Annotated, Any, get_args

from pydantic import Field, TypeAdapter, ValidationError

from api.problems import ErrorItem, ProblemError
from combustion.quantities import MEASURED, QUANTITIES
from combustion.units import UnitError, conversion
from ingest.how_read import HowRead
from parsers import ReadOptions
from parsers.line_rules import Checksum
from parsers.times import stated_zone

OPTION_FIELDS: dict[str, dict[str, Any]] = {
    "units": {
        "type": "string",
        "description": "Units of columns that state none: stack_temperature=degF, stack_draft=Pa.",
    },
    "zone": {
        "type": "string",
        "description": "IANA zone of times without an offset, or the offset itself, such as "
        "+01:00; the boiler's or site's zone otherwise.",
    },
    "started": {
        "type": "string",
        "description": "Start of a log whose times count from a start it does not state: "
        "2026-03-04T09:30, in the zone where it has no offset.",
    },
    "day_first": {
        "type": "string",
        "enum": ["true", "false"],
        "description": "Whether 03/04/2026 is 3 April, where the file leaves it open.",
    },
    "decimal": {"type": "string", "enum": [".", ","], "description": "Decimal mark, where open."},
}
"""What may be stated, as the API's description says it."""

CAPTURE_FIELDS: dict[str, dict[str, Any]] = {
    "headings": {
        "type": "string",
        "description": "With as_log, of a raw capture of an instrument that sends no headings: a "
        'JSON list, ["Time", "O2 %"].',
    },
    "delimiter": {
        "type": "string",
        "maxLength": 1,
        "description": "Likewise: what stands between two cells.",
    },
    "checksum": {
        "type": "string",
        "enum": [*get_args(Checksum)],
        "description": "Likewise: what stands behind a * at the end of a line.",
    },
}
"""What may be stated beside that of a raw capture."""


def wrong_field(name: str, message: str, raw: str, expected: str) -> ProblemError:
    """Return that a field of an upload cannot be understood."""
    item = ErrorItem(
        message=message,
        parameter=name,
        raw=raw[:200],
        expected=expected,
        next_step="Correct it and send the file again; nothing was stored.",
    )
    return ProblemError("not-valid", message, [item])


def read_options_from(given: Mapping[str, Any]) -> ReadOptions | None:
    """Return how to read a file, None where nothing is stated.

    Raises
    ------
    ProblemError
        Naming the field that cannot be understood.
    """
    text = {name: str(given.get(name) or "").strip() for name in OPTION_FIELDS}
    if not any(text.values()):
        return None
    zone, day, decimal = text["zone"] or None, text["day_first"], text["decimal"]
    if zone is not None:
        try:
            stated_zone(zone)
        except (KeyError, ValueError, OSError) as error:
            expected = "Europe/Berlin or +01:00"
            raise wrong_field("zone", "the zone is not known", zone, expected) from error
    if day not in ("", "true", "false"):
        raise wrong_field("day_first", "day_first is no choice", day, "true or false")
    if decimal not in ("", ".", ","):
        raise wrong_field("decimal", "the decimal mark is none", decimal, "a point or a comma")
    return ReadOptions(
        site_zone=zone,
        started=_started(text["started"]),
        units=_units(text["units"]),
        day_first={"true": True, "false": False}.get(day),
        decimal=decimal or None,
    )


def how_read_from(given: Mapping[str, Any]) -> ReadOptions | HowRead | None:
    """Return how to read a log or a raw capture, None where nothing is stated.

    Raises
    ------
    ProblemError
        Naming the field that cannot be understood.
    """
    options = read_options_from(given)
    text = {name: str(given.get(name) or "") for name in CAPTURE_FIELDS}
    if not any(text.values()):
        return options
    try:
        headings = _HEADINGS.validate_json(text["headings"] or "[]")
    except ValidationError as error:
        expected = "a JSON list of at most 200 headings"
        raise wrong_field(
            "headings", "the headings are no list", text["headings"], expected
        ) from error
    if len(text["delimiter"]) > 1:
        raise wrong_field("delimiter", "it is no one character", text["delimiter"], ";")
    if text["checksum"] and text["checksum"] not in get_args(Checksum):
        expected = " or ".join(get_args(Checksum))
        raise wrong_field("checksum", "the checksum is not known", text["checksum"], expected)
    return replace(
        HowRead.of(options or ReadOptions(), None, ()),
        headings=tuple(headings),
        delimiter=text["delimiter"] or None,
        checksum=text["checksum"] or None,
    )


_HEADINGS = TypeAdapter(Annotated[list[str], Field(max_length=200)])


def _started(text: str) -> datetime | None:
    if not text:
        return None
    try:
        return datetime.fromisoformat(text)
    except ValueError as error:
        message = "the start is no date with a time"
        raise wrong_field("started", message, text, "2026-03-04 09:30") from error


def _units(text: str) -> dict[str, str]:
    units = {}
    for part in re.split(r"[,;\n]+", text):
        if not part.strip():
            continue
        key, _, unit = (piece.strip() for piece in part.partition("="))
        expected = "a quantity and its unit, such as stack_temperature=degF"
        if key not in MEASURED or not unit:
            raise wrong_field("units", "a stated unit cannot be understood", part, expected)
        try:
            conversion(unit, QUANTITIES[key].unit)
        except UnitError as error:
            raise wrong_field("units", str(error), part, expected) from error
        units[key] = unit
    return units
