"""The base of every shape that is sent in: a number is one, and of a size; a time is one, too.

JSON knows three things that look alike to a lenient reader: ``true``, ``"1"`` and ``1``. Only the
last is a number here. What lies beyond ``LARGEST`` measures nothing, and the sum or square of a few
such numbers is none at all.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, time
from typing import Any, TypeGuard

from pydantic import BaseModel, ConfigDict, GetCoreSchemaHandler
from pydantic_core import CoreSchema, PydanticKnownError, core_schema

from parsers.numbers import LARGEST

EARLIEST, LATEST = date(1900, 1, 1), date(2199, 12, 31)
"""Days beyond are slips of the hand, and calendars end near them."""


def is_number(value: object) -> TypeGuard[float]:
    """Return whether a value is a number, and neither true nor false nor beyond ``LARGEST``.

    >>> [is_number(v) for v in (1, 2.5, True, "1", float("nan"), 10**400)]
    [True, True, False, False, False, False]
    """
    if isinstance(value, bool) or not isinstance(value, int | float):
        return False
    return -LARGEST <= value <= LARGEST


_NO_SCHEMA = frozenset({"metadata", "config", "serialization", "expected", "default"})


def _no_number(value: Any) -> Any:
    if isinstance(value, bool | str | bytes):
        raise PydanticKnownError("int_type")
    return value


def _noon(day: date) -> datetime:
    return datetime.combine(day, time(12), UTC)


def _no_time(value: Any) -> Any:
    digits = isinstance(value, str) and value.lstrip("+-").replace(".", "", 1).isdigit()
    if digits or isinstance(value, int | float):
        raise PydanticKnownError("datetime_parsing", {"error": "a number is no time"})
    return value


def _strict(node: Any, shape: type[BaseModel]) -> Any:
    """Return a shape's schema, its numbers strict; other shapes in it hold themselves to it."""
    if isinstance(node, list):
        return [_strict(one, shape) for one in node]
    if not isinstance(node, dict):
        return node
    kind = node.get("type")
    if kind == "model" and node["cls"] is not shape:
        return node
    if kind in ("float", "int"):
        low = {} if {"ge", "gt"} & set(node) else {"ge": -LARGEST}
        high = {} if {"le", "lt"} & set(node) else {"le": LARGEST}
        if kind == "float":
            return {**node, **low, **high, "strict": True}
        # A strict whole number would refuse 5.0, which JSON Schema counts as one.
        whole = {**node, **{k: int(v) for k, v in (low | high).items()}}
        return core_schema.no_info_before_validator_function(_no_number, whole)
    if kind in ("date", "datetime"):
        day = {"ge": EARLIEST, "le": LATEST}
        held = {**node, **(day if kind == "date" else {k: _noon(d) for k, d in day.items()})}
        return core_schema.no_info_before_validator_function(_no_time, held)
    return {
        name: value if name in _NO_SCHEMA else _strict(value, shape) for name, value in node.items()
    }


class Sent(BaseModel):
    """A shape of what is sent in: no keys but its own, and numbers that are numbers."""

    model_config = ConfigDict(extra="forbid", allow_inf_nan=False)

    @classmethod
    def __get_pydantic_core_schema__(cls, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        """Hold every number of the shape to the rule."""
        made: CoreSchema = _strict(handler(source), cls)
        return made
