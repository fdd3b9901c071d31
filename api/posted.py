"""Readings as a program posts them: units at the door, glossary keys, the parsers' schema inside.

A quantity is ``{"value": 356, "unit": "degF"}``, ``"356 degF"``, or a bare number where the body's
``units`` names its unit, by glossary key or by kind (``temperature``, ``pressure``, ...). Percent,
ppm and pure numbers may stand bare: the glossary fixes their unit. A bare temperature, pressure,
power, length or current is refused.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from datetime import datetime
from typing import Annotated, Any, Literal
from uuid import UUID

from pydantic import Field, GetCoreSchemaHandler
from pydantic_core import CoreSchema

from api.pages.numbers import typed_number
from api.problems import ErrorItem, ProblemError
from combustion.quantities import MEASURED, QUANTITIES
from combustion.units import Conversion, UnitError, conversion
from ingest.dimensions import CANONICAL_UNITS
from ingest.sent import Sent
from parsers import Bound, Phase, Reading
from parsers.numbers import LARGEST

MOST_READINGS = 20_000
_BARE = {"%", "ppm", "1", "rpm"}
_KIND = {unit: kind for kind, unit in CANONICAL_UNITS.items()}
_TEXT = re.compile(r"^\s*([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*(\S.*?)?\s*$")


class WithUnit(Sent):
    """A number beside its unit."""

    value: float = Field(examples=[356.0])
    unit: str = Field(examples=["degF"], description="UCUM code or the trade's spelling.")


class PostedBound(Sent):
    """An instrument's mark that the value lies beyond what it can show."""

    above: float | None = None
    below: float | None = None


class _OneRefusal:
    """Says what is wrong once, at the quantity, and not once for each way of writing it."""

    def __get_pydantic_core_schema__(
        self, source: Any, handler: GetCoreSchemaHandler
    ) -> CoreSchema:
        ways: Any = handler(source)
        said = (
            f"Input should be a number from {-LARGEST:g} to {LARGEST:g}, "
            'or such a number with its unit: {"value": 356, "unit": "degF"} or "356 degF"'
        )
        return {**ways, "custom_error_type": "not_a_number", "custom_error_message": said}


Given = Annotated[float | WithUnit | str, Field(union_mode="left_to_right"), _OneRefusal()]


def _values_schema(schema: dict[str, Any]) -> None:
    schema["additionalProperties"] = False
    schema["properties"] = {key: described(key) for key in MEASURED}


def described(key: str) -> dict[str, Any]:
    """Return the schema of one quantity, in the glossary's words."""
    quantity = QUANTITIES[key]
    low, high = quantity.plausible
    basis = "" if quantity.basis == "none" else f" Basis: {quantity.basis.replace('_', ' ')}."
    return {
        "title": quantity.label,
        "description": f"{quantity.meaning}. Canonical unit: {quantity.unit}; plausible from "
        f"{low:g} to {high:g} in it.{basis}",
        "anyOf": [
            {"type": "number"},
            {"$ref": "#/components/schemas/WithUnit"},
            {"type": "string"},
        ],
    }


class PostedReading(Sent):
    """One sample of several quantities at one time."""

    id: UUID | None = Field(default=None, description="UUIDv7 of the sender; repeats are harmless.")
    values: Annotated[dict[str, Given], Field(min_length=1, json_schema_extra=_values_schema)]
    firing_rate: float | None = Field(default=None, ge=0, le=110, description="Percent.")
    phase: Phase | None = None
    time: datetime | None = Field(default=None, description="With its offset from UTC.")
    fuel: str | None = None
    burner: str | None = None
    missing: dict[str, str] = Field(default_factory=dict, description="Key -> why it is absent.")
    bounds: dict[str, PostedBound] = Field(default_factory=dict, description="Canonical units.")
    note: str | None = None


class PostedReadings(Sent):
    """Readings of one visit, all stored or none, or each on its own as `on_error` says."""

    units: dict[str, str] = Field(
        default_factory=dict,
        description="Units of bare numbers, by glossary key or by kind: "
        + ", ".join(CANONICAL_UNITS)
        + ".",
        examples=[{"temperature": "degF", "pressure": "inWC"}],
    )
    phase: Phase | None = Field(default=None, description="For readings that state none.")
    fuel: str | None = None
    burner: str | None = None
    readings: list[PostedReading] = Field(min_length=1, max_length=MOST_READINGS)
    source: Literal["posted", "typed"] = "posted"
    on_error: Literal["all", "each"] = Field(
        default="all",
        description="all: one that cannot be stored stops all of them. each: what can be stored "
        "is, and the answer says of every one what became of it.",
    )


def float_list(text: str) -> list[float] | None:
    """Return numbers separated by commas, semicolons or spaces; None where one is none.

    >>> float_list("100, 75;50"), float_list(""), float_list("high"), float_list("100 1e308")
    ([100.0, 75.0, 50.0], [], None, None)
    """
    try:
        return [typed_number(part) for part in re.split(r"[,;\s]+", text.strip(" ,;\t")) if part]
    except ValueError:
        return None


def _item(pointer: str, message: str, raw: object, expected: str, code: str) -> ErrorItem:
    return ErrorItem(
        message=message,
        pointer=pointer,
        code=code,
        raw=str(raw)[:200],
        expected=expected,
        next_step="Correct the place named and send it again; nothing was stored.",
    )


def _stated_unit(key: str, units: Mapping[str, str]) -> str | None:
    """Return the unit that a body states for bare numbers of a quantity."""
    return units.get(key) or units.get(_KIND.get(QUANTITIES[key].unit, ""))


def _of_bare(key: str, units: Mapping[str, str]) -> Conversion | None:
    """Return how a bare number of a quantity is taken, None where it must say more."""
    unit = QUANTITIES[key].unit
    try:
        spelt = _stated_unit(key, units) or (unit if unit in _BARE else None)
        return None if spelt is None else conversion(spelt, unit)
    except UnitError:
        return None


def _canonical(
    key: str, given: float | WithUnit | str, units: Mapping[str, str], pointer: str
) -> float | ErrorItem:
    unit = QUANTITIES[key].unit
    stated = _stated_unit(key, units)
    if isinstance(given, WithUnit):
        value, spelt = given.value, given.unit
    elif isinstance(given, str):
        match = _TEXT.match(given)
        if match is None:
            return _item(pointer, f"{key} is not a number", given, "a number", "not_a_number")
        value, spelt = float(match.group(1)), match.group(2) or stated or ""
    else:
        value, spelt = given, stated or ""
    if not spelt:
        if unit not in _BARE:
            expected = f'{{"value": {value:g}, "unit": "{unit}"}} or a unit in `units`'
            return _item(pointer, f"{key} stands without its unit", given, expected, "unit_missing")
        spelt = unit
    if not math.isfinite(value):
        return _item(pointer, f"{key} is not finite", given, "a finite number", "not_a_number")
    if abs(value) > LARGEST:
        said = f"{key} is larger than anything that is measured"
        return _item(pointer, said, given, f"a number up to {LARGEST:g}", "not_a_number")
    try:
        return float(conversion(spelt, unit)(value))
    except UnitError as error:
        return _item(pointer, str(error), spelt, f"a unit that converts to {unit}", "unit_unknown")


def readings_from(posted: PostedReadings) -> list[Reading]:
    """Return posted readings in canonical units.

    Raises
    ------
    ProblemError
        Naming every place without a unit, of an unknown quantity or unit, at once.
    """
    wrong: list[ErrorItem] = []
    for name in posted.units:
        if name not in CANONICAL_UNITS and name not in QUANTITIES:
            wrong.append(
                _item(
                    f"/units/{name}",
                    f"{name!r} is neither a quantity nor a kind of unit",
                    name,
                    "a glossary key, or one of " + ", ".join(CANONICAL_UNITS),
                    "unknown_quantity",
                )
            )
    made = []
    bare = {
        key: _of_bare(key, posted.units)
        for key in {key for reading in posted.readings for key in reading.values}
        if key in MEASURED
    }
    for n, reading in enumerate(posted.readings):
        values: dict[str, float] = {}
        for key, given in reading.values.items():
            taken = bare.get(key)
            if taken is not None and isinstance(given, float) and abs(given) <= LARGEST:
                values[key] = taken(given)
                continue
            pointer = f"/readings/{n}/values/{key}"
            if key not in MEASURED:
                expected = "a measured quantity, such as o2_dry, co_dry or stack_temperature"
                wrong.append(
                    _item(pointer, f"{key!r} is no quantity", key, expected, "unknown_quantity")
                )
                continue
            found = _canonical(key, given, posted.units, pointer)
            if isinstance(found, ErrorItem):
                wrong.append(found)
            else:
                values[key] = found
        if reading.time is not None and reading.time.tzinfo is None:
            wrong.append(
                _item(
                    f"/readings/{n}/time",
                    "the time has no offset",
                    reading.time.isoformat(),
                    "a time with its offset, such as 2026-03-04T09:15:00-05:00",
                    "offset_missing",
                )
            )
        made.append(_reading(reading, values, posted))
    if wrong:
        slug = "unit-missing" if any(w.code == "unit_missing" for w in wrong) else "not-valid"
        raise ProblemError(slug, "; ".join(w.message for w in wrong[:5]), wrong)
    return made


def _reading(reading: PostedReading, values: dict[str, float], posted: PostedReadings) -> Reading:
    rate = reading.firing_rate if reading.firing_rate is not None else values.get("firing_rate")
    return Reading(
        values=values,
        time=reading.time,
        time_source="stated" if reading.time is not None else "none",
        phase=reading.phase or posted.phase,
        firing_rate=rate,
        fuel=reading.fuel or posted.fuel,
        burner=reading.burner or posted.burner,
        missing=reading.missing,
        bounds={k: Bound(b.above, b.below) for k, b in reading.bounds.items()},
        note=reading.note,
    )
