"""JSON Schemas of the documents, with units at the door, for the OpenAPI document.

The models say what a document is after its units were read; what a sender may write is wider: a
number with its unit in three spellings. This widens the one schema to the other, and takes each
unit from the field itself.
"""

from __future__ import annotations

from typing import Any

from api.posted import MOST_READINGS, PostedReadings, WithUnit
from ingest.dimensions import Part, dimension_of, part_of
from ingest.models import Boiler, Site, Visit
from ingest.service.job import Job

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
    """Return the schemas of site, boiler, visit and job and of all their parts."""
    found: dict[str, Any] = {}
    for model in (Site, Boiler, Visit, Job):
        made = model.model_json_schema(ref_template=REF)
        parts = _parts(model, {})
        for name, schema in {model.__name__: made, **made.pop("$defs", {})}.items():
            found[name] = _widened(schema, parts[name]) if name in parts else schema
    found["WithUnit"] = WithUnit.model_json_schema(ref_template=REF)
    found |= _whole_visit(found["Visit"])
    return found


def _whole_visit(visit: dict[str, Any]) -> dict[str, Any]:
    """Return the schemas of a visit with its readings beside it, and of the answer to one."""
    fields = PostedReadings.model_fields
    beside = {
        "readings": {
            "type": "array",
            "items": {"$ref": REF.format(model="PostedReading")},
            "minItems": 1,
            "maxItems": MOST_READINGS,
            "description": "Taken in with the visit, all or none, and judged once. One without an "
            "id is known by the visit's id and its place here.",
        },
        "units": {
            "type": "object",
            "additionalProperties": {"type": "string"},
            "description": f"{fields['units'].description} They hold for the document, too.",
            "examples": fields["units"].examples,
        },
        "burner": {"type": "string", "description": "For readings that state none."},
    }
    taken = {
        "type": "object",
        "description": "The answer where the body carried readings.",
        "properties": {
            "visit": {"$ref": REF.format(model="Visit")},
            "ids": {
                "type": "array",
                "items": {"type": "string", "format": "uuid"},
                "description": "Of the readings, in order.",
            },
            "judgement": {"type": "object", "description": "The visit's, with these readings."},
        },
        "required": ["visit", "ids", "judgement"],
    }
    whole = {
        **visit,
        "title": "VisitWithReadings",
        "properties": {**visit["properties"], **beside},
    }
    return {"VisitWithReadings": whole, "VisitTaken": taken}


def body_of(model: str) -> dict[str, Any]:
    """Return what a route says of a body that is one of these documents."""
    schema = {"$ref": REF.format(model=model)}
    return {"requestBody": {"required": True, "content": {"application/json": {"schema": schema}}}}


def also_there(model: Any) -> dict[int | str, dict[str, Any]]:
    """Return what a route that makes things says of a repeat that found its thing made."""
    return {200: {"model": model, "description": "It was there already; nothing changed."}}


def answer_of(
    status: int, model: str, description: str, *others: str
) -> dict[int | str, dict[str, Any]]:
    """Return what a route says of an answer that is one of these documents."""
    schema: dict[str, Any] = {"$ref": REF.format(model=model)}
    if others:
        schema = {"anyOf": [schema, *({"$ref": REF.format(model=one)} for one in others)]}
    answer = {
        "description": description,
        "content": {"application/json": {"schema": schema}},
        "headers": {"ETag": {"description": "Its version.", "schema": {"type": "string"}}},
    }
    return {status: answer}
