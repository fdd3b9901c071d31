"""Which refusals each operation can answer, as the OpenAPI document lists them one by one.

A route says with ``refuses`` what it refuses itself; what stands before every route (who may, how
often, how large, repeats) follows from the operation. A status that is in neither list is a defect:
the tests' client looks at every answer.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import Any, TypeVar

from fastapi import FastAPI
from fastapi.routing import iter_route_contexts

from api.form_refusals import problem_of_packing
from api.guards import SLOW
from api.problems import MEDIA_TYPE, ErrorItem, ProblemError

F = TypeVar("F", bound=Callable[..., Any])
_REFUSES = "__refuses__"
KEY = "Idempotency-Key"


def refuses(*statuses: int) -> Callable[[F], F]:
    """Say of a route's function which refusals it answers itself; it stands under the router's.

    401, 403, 421 and 429, 400, 408, 413 and 415 of a body, 422 of what is sent, and 409 of a key
    for repeats are not said here: they come from what stands before the route.
    """

    def said(function: F) -> F:
        setattr(function, _REFUSES, frozenset(statuses))
        return function

    return said


_PACKED = problem_of_packing("gzip").details
_SAID: Mapping[str, tuple[str, ErrorItem | None]] = {
    "bad-request": ("There was an error parsing the body.", None),
    "not-signed-in": (
        "Sign in, or send a key as a bearer token.",
        ErrorItem(
            message="Sign in, or send a key as a bearer token.",
            next_step="Open /sign-in, or ask an administrator for a key.",
        ),
    ),
    "not-allowed": (
        "The key lacks the scope write.",
        ErrorItem(
            message="The key lacks the scope write.",
            next_step="Ask an administrator if you need it.",
        ),
    ),
    "not-found": (
        "there is no boiler 01937b2e-3c00-7000-8000-000000000001 in this book.",
        ErrorItem(
            message="there is no boiler 01937b2e-3c00-7000-8000-000000000001 in this book",
            next_step="Look at the id.",
        ),
    ),
    "too-slow": (SLOW, None),
    "conflict": (
        "the visit is handed in; send it back before changing it.",
        ErrorItem(
            message="the visit is handed in; send it back before changing it",
            next_step="Look at the visit as it stands now.",
        ),
    ),
    "in-flight": (
        "The first request is still worked on.",
        ErrorItem(
            message="The first request is still worked on.",
            parameter=KEY,
            next_step="Wait for its answer, then ask again.",
        ),
    ),
    "done-before": (
        "The request took effect; fluebook ended before it could answer.",
        ErrorItem(
            message="The request took effect; fluebook ended before it could answer.",
            parameter=KEY,
            next_step="Read what you changed; do not send it again under another key.",
        ),
    ),
    "changed-meanwhile": (
        "visit 01937b2e-3c00-7000-8000-000000000001 was changed meanwhile: version 2 was "
        "expected, and it is at 3.",
        ErrorItem(
            message="visit 01937b2e-3c00-7000-8000-000000000001 was changed meanwhile: version 2 "
            "was expected, and it is at 3",
            next_step="Read it again, then decide again.",
        ),
    ),
    "too-large": ("The body is larger than 33619968 bytes; nothing was stored.", None),
    "not-this-host": ("elsewhere.example is not a name of this book.", None),
    "not-valid": (
        "'o3_dry' is no quantity",
        ErrorItem(
            message="'o3_dry' is no quantity",
            pointer="/readings/0/values/o3_dry",
            code="unknown_quantity",
            raw="o3_dry",
            expected="a measured quantity, such as o2_dry, co_dry or stack_temperature",
            next_step="Correct the place named and send it again; nothing was stored.",
        ),
    ),
    "unit-missing": (
        "stack_temperature stands without its unit",
        ErrorItem(
            message="stack_temperature stands without its unit",
            pointer="/readings/0/values/stack_temperature",
            code="unit_missing",
            raw="356",
            expected='{"value": 356, "unit": "degC"} or a unit in `units`',
            next_step="Correct the place named and send it again; nothing was stored.",
        ),
    ),
    "key-reused": (
        "The key belongs to another request.",
        ErrorItem(
            message="The key belongs to another request.",
            parameter=KEY,
            next_step="Make a new key for another request; repeat the first one as it was.",
        ),
    ),
    "packed": (_PACKED.detail, _PACKED.errors[0]),
    "too-often": ("Try again in 12 s.", None),
    "not-installed": (
        "Parquet needs pyarrow.",
        ErrorItem(message="pyarrow is missing", next_step="Install fluebook[parquet]."),
    ),
}
"""An example of each kind of refusal: detail, and the place that is wrong."""

# Name among the document's responses -> status, what it says, kinds of problem shown as examples.
_RESPONSES: Mapping[str, tuple[int, str, tuple[str, ...]]] = {
    "BadRequest": (400, "The body cannot be parsed.", ("bad-request",)),
    "NotSignedIn": (401, "Nobody is signed in, or the key opens nothing.", ("not-signed-in",)),
    "NotAllowed": (403, "The account or key may not do this.", ("not-allowed",)),
    "NotFound": (404, "It is not in this book, or out of reach.", ("not-found",)),
    "TooSlow": (408, "The body came too slowly.", ("too-slow",)),
    "Conflict": (409, "The present state does not allow it.", ("conflict",)),
    "Repeated": (409, "The key's first request has no answer.", ("in-flight", "done-before")),
    "ConflictOrRepeated": (
        409,
        "The present state does not allow it, or the key's first request has no answer.",
        ("conflict", "in-flight", "done-before"),
    ),
    "ChangedMeanwhile": (
        412,
        "`If-Match` names another version than it is at.",
        ("changed-meanwhile",),
    ),
    "TooLarge": (413, "More bytes than this fluebook takes.", ("too-large",)),
    "Packed": (415, "The body is packed on its way, which is not taken.", ("packed",)),
    "NotThisHost": (421, "This fluebook does not answer under that name.", ("not-this-host",)),
    "NotUsable": (
        422,
        "What was sent cannot be used; nothing was stored.",
        ("not-valid", "unit-missing"),
    ),
    "NotUsableOrReused": (
        422,
        "What was sent cannot be used, or the key belongs to another request; nothing was stored.",
        ("not-valid", "unit-missing", "key-reused"),
    ),
    "TooOften": (429, "Too many requests; `Retry-After` says when again.", ("too-often",)),
    "NotInstalled": (501, "This fluebook lacks a part that it needs.", ("not-installed",)),
}
_ALWAYS = ("NotSignedIn", "NotAllowed", "NotThisHost", "TooOften")
_OF_BODIES = ("BadRequest", "TooSlow", "TooLarge", "Packed")


def example(slug: str) -> dict[str, Any]:
    """Return a problem of a kind as it is answered."""
    detail, item = _SAID[slug]
    details = ProblemError(slug, detail, [] if item is None else [item]).details
    return details.model_dump(exclude_none=True)


def _response(name: str) -> dict[str, Any]:
    _, description, slugs = _RESPONSES[name]
    content: dict[str, Any] = {"schema": {"$ref": "#/components/schemas/ProblemDetails"}}
    content["examples"] = {slug: {"value": example(slug)} for slug in slugs}
    made: dict[str, Any] = {"description": description, "content": {MEDIA_TYPE: content}}
    if name == "TooOften":
        schema = {"type": "integer", "minimum": 1}
        made["headers"] = {"Retry-After": {"description": "Seconds.", "schema": schema}}
    return made


def _names(operation: Mapping[str, Any], own: frozenset[int]) -> Iterator[str]:
    parameters = operation.get("parameters", [])
    keyed = any(p["name"] == KEY for p in parameters)
    yield from _ALWAYS
    if "requestBody" in operation:
        yield from _OF_BODIES
    if parameters or "requestBody" in operation:
        yield "NotUsableOrReused" if keyed else "NotUsable"
    if keyed or 409 in own:
        yield "Repeated" if 409 not in own else "ConflictOrRepeated" if keyed else "Conflict"
    for name in ("NotFound", "ChangedMeanwhile", "NotInstalled"):
        if _RESPONSES[name][0] in own:
            yield name


def list_refusals(app: FastAPI, document: dict[str, Any]) -> None:
    """Write into the OpenAPI document, operation by operation, what each can refuse."""
    used = set()
    for route in iter_route_contexts(app.routes):
        own: frozenset[int] = getattr(route.endpoint, _REFUSES, frozenset())
        for method in route.methods or ():
            operation = document["paths"].get(route.path_format, {}).get(method.lower())
            if operation is None:
                continue
            answers = operation["responses"]
            answers.pop("422", None)
            for name in _names(operation, own):
                used.add(name)
                answers[str(_RESPONSES[name][0])] = {"$ref": f"#/components/responses/{name}"}
    document["components"]["responses"] = {name: _response(name) for name in sorted(used)}
