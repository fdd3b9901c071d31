"""A whole visit in one body: its document, and beside it the readings taken at it.

``readings``, ``units``, ``phase``, ``fuel`` and ``burner`` mean what they mean in a body of
readings; ``units``, ``phase`` and ``fuel`` hold for the document, too.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from uuid import UUID, uuid5

from api.posted import PostedReadings, readings_from
from combustion.quantities import QUANTITIES
from ingest.dimensions import CANONICAL_UNITS
from ingest.documents import visit_from
from ingest.models import Visit
from parsers import Reading

_SHARED = ("phase", "fuel")


@dataclass(frozen=True, slots=True)
class PostedVisit:
    """A visit's document, and its readings where the body carries some."""

    visit: Visit
    readings: Sequence[tuple[UUID | None, Reading]] | None = None

    def under(self, visit: Visit) -> PostedVisit:
        """Return it as the visit that the book knows, whose id its readings follow."""
        if self.readings is None or visit.id is None:
            return PostedVisit(visit, self.readings)
        named = [
            (identity or uuid5(visit.id, f"reading {n}"), reading)
            for n, (identity, reading) in enumerate(self.readings)
        ]
        return PostedVisit(visit, named)


def posted_visit(body: Mapping[str, Any]) -> PostedVisit:
    """Return the visit and the readings of a body; a body without ``readings`` is a visit alone.

    A reading without an id gets one from the visit's id and its place in the body, so that the
    same body again brings nothing new; the readings of a visit without an id get theirs later.

    Raises
    ------
    DocumentError
        If the document cannot be used.
    pydantic.ValidationError
        If the readings have another shape.
    ProblemError
        Naming every reading without a unit, of an unknown quantity or unit, at once.
    """
    if body.get("readings") is None:
        return PostedVisit(visit_from(body, "body"))
    units = body.get("units")
    document = {k: v for k, v in body.items() if k not in ("readings", "burner")}
    if isinstance(units, Mapping):
        document["units"] = {
            k: u for k, u in units.items() if k in Visit.model_fields or k not in QUANTITIES
        }
        units = {k: u for k, u in units.items() if k in CANONICAL_UNITS or k in QUANTITIES}
    elif isinstance(units, str):
        units = CANONICAL_UNITS  # any other word is refused with the document
    visit = visit_from(document, "body")
    given = {k: body[k] for k in ("readings", "burner", *_SHARED) if k in body}
    posted = PostedReadings.model_validate({**given, "units": units or {}})
    made = readings_from(posted)
    given_ids = [one.id for one in posted.readings]
    return PostedVisit(visit, list(zip(given_ids, made, strict=True))).under(visit)
