"""Numbers with units at the door of every document: boiler, visit, limits, posted readings.

A field that measures a temperature, pressure, power, length or current is annotated with its
canonical unit. The document may give such a number as ``{"value": 356, "unit": "degF"}``, as
``"356 degF"``, or bare where the document's own ``units`` object declares the unit of that kind,
e.g. ``"units": {"temperature": "degF", "pressure": "inWC"}``. A bare number without a declared
unit is refused: degF is never guessed from size.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Annotated, Any, get_args, get_origin

from pydantic import ConfigDict, Field, GetJsonSchemaHandler, model_validator
from pydantic.fields import FieldInfo
from pydantic.json_schema import JsonSchemaValue
from pydantic_core import CoreSchema

from combustion.units import UnitError, conversion
from ingest.sent import Sent, is_number


@dataclass(frozen=True, slots=True)
class Dimension:
    """Marks a field as a dimensioned number, stored in ``unit``."""

    kind: str
    unit: str

    def __get_pydantic_json_schema__(
        self, schema: CoreSchema, handler: GetJsonSchemaHandler
    ) -> JsonSchemaValue:
        """Describe the three ways of writing it: bare, with its unit, as text."""
        number = handler(schema)
        if handler.mode == "serialization":
            return {**number, "description": f"In {self.unit}."}
        unit = {"type": "string", "description": f"Any unit of {self.kind}, such as {self.unit}."}
        pair = {
            "type": "object",
            "properties": {"value": {"type": "number"}, "unit": unit},
            "required": ["value", "unit"],
            "additionalProperties": False,
        }
        return {
            "anyOf": [number, pair, {"type": "string"}],
            "description": f"A {self.kind.replace('_', ' ')}: with its unit beside it, or bare "
            f"where the document's `units` declare one for {self.kind}.",
        }


Temperature = Annotated[float, Dimension("temperature", "degC")]
TemperatureDifference = Annotated[float, Dimension("temperature_difference", "K")]
Pressure = Annotated[float, Dimension("pressure", "Pa")]
Power = Annotated[float, Dimension("power", "kW")]
Length = Annotated[float, Dimension("length", "m")]
Current = Annotated[float, Dimension("current", "uA")]
Duration = Annotated[float, Dimension("duration", "s")]

CANONICAL_UNITS: Mapping[str, str] = {
    "temperature": "degC",
    "temperature_difference": "K",
    "pressure": "Pa",
    "power": "kW",
    "length": "m",
    "current": "uA",
    "duration": "s",
}
"""What every kind is stored in; a document that declares exactly these is already canonical."""

_TEXT = re.compile(r"^\s*([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*(\S.*?)\s*$")


class BareNumber(ValueError):
    """A dimensioned number stands without a unit, and the document declares none."""


def canonical(given: object, dimension: Dimension, units: Mapping[str, str], where: str) -> object:
    """Return a document's dimensioned number in the canonical unit.

    Parameters
    ----------
    given : object
        A bare number, ``{"value", "unit"}``, or text such as ``"356 degF"``.
    dimension : Dimension
        The field's kind and canonical unit.
    units : Mapping of kind to unit
        What the document declares for bare numbers.
    where : str
        Path of the field, for the message.

    Raises
    ------
    BareNumber
        If no unit stands beside the number and none is declared for its kind.
    UnitError
        If the unit is unknown or of another kind.

    Examples
    --------
    >>> canonical("212 degF", Dimension("temperature", "degC"), {}, "limits.stack")
    100.0
    """
    if is_number(given):
        unit = units.get(dimension.kind)
        if unit is None:
            raise BareNumber(
                f"{where}: {given!r} has no unit; write it as "
                f'{{"value": {given!r}, "unit": "..."}} or declare '
                f'"units": {{"{dimension.kind}": "..."}} in this document'
            )
        number = float(given)
    elif isinstance(given, Mapping) and set(given) == {"value", "unit"}:
        if not is_number(given["value"]):
            return given
        number, unit = float(given["value"]), str(given["unit"])
    elif isinstance(given, str) and (match := _TEXT.match(given)):
        number, unit = float(match.group(1)), match.group(2)
    else:
        return given  # not a number at all: pydantic says what it wanted
    if dimension.kind == "temperature_difference" and unit in ("degF", "degC", "°F", "°C"):
        unit = "delta_degF" if unit.endswith("F") else "delta_degC"
    try:
        return conversion(unit, dimension.unit)(number)
    except UnitError as error:
        raise ValueError(f"{where}: {error}") from error


def _dimension_of(field: FieldInfo) -> Dimension | None:
    for mark in field.metadata:
        if isinstance(mark, Dimension):
            return mark
    return _dimension_in(field.annotation)


def _dimension_in(annotation: Any) -> Dimension | None:
    if get_origin(annotation) is Annotated:
        return next((a for a in get_args(annotation)[1:] if isinstance(a, Dimension)), None)
    for part in get_args(annotation):
        found = _dimension_in(part)
        if found is not None:
            return found
    return None


def dimension_of(field: FieldInfo) -> Dimension | None:
    """Return the dimension of a document's field, None for one without."""
    return _dimension_of(field)


def part_of(field: FieldInfo) -> type[Part] | None:
    """Return the part that a field holds, alone or in a list or mapping, None for a plain field."""
    return _part_in(field.annotation)


def _part_in(annotation: Any) -> type[Part] | None:
    if isinstance(annotation, type) and issubclass(annotation, Part):
        return annotation
    for part in get_args(annotation):
        found = _part_in(part)
        if found is not None:
            return found
    return None


@lru_cache(maxsize=256)
def _layout(model: type[Part]) -> Mapping[str, tuple[Dimension | None, type[Part] | None]]:
    """Return what each field of a model measures or holds: asked for with every document."""
    return {
        name: (_dimension_of(field), _part_in(field.annotation))
        for name, field in model.model_fields.items()
    }


def _resolved(data: Any, model: type[Part], units: Mapping[str, str], where: str) -> Any:
    if not isinstance(data, Mapping):
        return data
    layout = _layout(model)
    out: dict[str, Any] = {}
    for key, value in data.items():
        dimension, nested = layout.get(key, (None, None))
        path = f"{where}.{key}" if where else str(key)
        if dimension is not None:
            if isinstance(value, list):
                value = [canonical(v, dimension, units, path) for v in value]
            else:
                value = canonical(value, dimension, units, path)
        elif nested is not None:
            if isinstance(value, list | tuple):
                value = [_resolved(v, nested, units, f"{path}[{i}]") for i, v in enumerate(value)]
            else:
                value = _resolved(value, nested, units, path)
        out[key] = value
    return out


class Part(Sent):
    """A strict part of a document: unknown keys refused; its units are the document's."""

    model_config = ConfigDict(frozen=True)


class Document(Part):
    """A whole document; its dimensioned numbers are canonical once validated."""

    units: dict[str, str] = Field(
        default_factory=dict,
        description="Units of bare numbers in this document, by kind: "
        + ", ".join(CANONICAL_UNITS)
        + ".",
    )

    @model_validator(mode="before")
    @classmethod
    def _numbers_to_canonical(cls, data: Any) -> Any:
        if not isinstance(data, Mapping):
            return data
        units = data.get("units") or {}
        if not isinstance(units, Mapping):
            return data
        unknown = sorted(set(units) - set(CANONICAL_UNITS))
        if unknown:
            raise ValueError(
                f"units: unknown kind {unknown[0]!r}; known are {', '.join(CANONICAL_UNITS)}"
            )
        if "temperature" in units and "temperature_difference" not in units:
            # A document in degF gives its differences in degF too: there is no second reading.
            difference = {"degF": "delta_degF", "degC": "delta_degC", "K": "K"}
            unit = difference.get(str(units["temperature"]).replace("°", "deg"))
            if unit is not None:
                units = {**units, "temperature_difference": unit}
        resolved = _resolved(data, cls, units, "")
        # From here on every number is canonical, and the document says so of itself.
        return {**resolved, "units": dict(CANONICAL_UNITS)}
