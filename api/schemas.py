"""JSON Schemas of the documents, with units at the door, for the OpenAPI document.

The models say what a document is after its units were read; what a sender may write is wider: a
number with its unit in three spellings. This widens the one schema to the other, and takes each
unit from the field itself.
"""

from __future__ import annotations

from typing import Any

from api.posted import WithUnit
from ingest.dimensions import Part, dimension_of, part_of
from ingest.models import Boiler, Site, Visit

REF = "#/components/schemas/{model}"


def _parts(model: type[Part], found: dict[str, type[Part]]) -> dict[str, type[Part]]:
    if model.__name__ not in found:
        found[model.__name__] = model
        for field in model.model_fields.values():
            nested = part_of(field)
            if nested is not None:
                _parts(nested, found)
    return found


def _widened(schema: dict[str, Any], model: type[Part]) -> dict[str, Any]:
    for name, field in model.model_fields.items():
        dimension = dimension_of(field)
        if dimension is None or name not in schema.get("properties", {}):
            continue
        before = schema["properties"][name]
        said = before.get("description", "")
        schema["properties"][name] = {
            "title": before.get("title", name),
            "description": f"{said} Kept in {dimension.unit}; bare only where `units` names the "
            f"unit of {dimension.kind}.".strip(),
            "anyOf": [
                {"type": "number"},
                {"type": "string", "examples": [f"1 {dimension.unit}"]},
                {"$ref": REF.format(model="WithUnit")},
                {"type": "null"},
            ],
            "default": None,
        }
    return schema


def document_schemas() -> dict[str, Any]:
    """Return the schemas of site, boiler and visit and of all their parts."""
    found: dict[str, Any] = {}
    for model in (Site, Boiler, Visit):
        made = model.model_json_schema(ref_template=REF)
        parts = _parts(model, {})
        for name, schema in {model.__name__: made, **made.pop("$defs", {})}.items():
            found[name] = _widened(schema, parts[name]) if name in parts else schema
    found["WithUnit"] = WithUnit.model_json_schema(ref_template=REF)
    return found


def body_of(model: str) -> dict[str, Any]:
    """Return what a route says of a body that is one of these documents."""
    schema = {"$ref": REF.format(model=model)}
    return {"requestBody": {"required": True, "content": {"application/json": {"schema": schema}}}}


def answer_of(status: int, model: str, description: str) -> dict[int | str, dict[str, Any]]:
    """Return what a route says of an answer that is one of these documents."""
    schema = {"$ref": REF.format(model=model)}
    answer = {
        "description": description,
        "content": {"application/json": {"schema": schema}},
        "headers": {"ETag": {"description": "Its version.", "schema": {"type": "string"}}},
    }
    return {status: answer}
