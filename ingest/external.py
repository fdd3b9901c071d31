"""Documents put under the id that an integrator has for them: looked up and written as one change.

External ids are an integrator's own: two of them may use the same number for different boilers.
"""

from __future__ import annotations

from typing import TypeVar
from uuid import UUID

from ingest.identifiers import new_id
from ingest.intake import Intake, Kept, Kind
from ingest.models import Boiler, Site, Visit
from ingest.store import places
from ingest.store.book import Change
from ingest.store.errors import NotFound, StateConflict

Doc = TypeVar("Doc", Site, Boiler, Visit)


def put_by_external_id(
    intake: Intake,
    document: Doc,
    external_id: str,
    who: str,
    *,
    owner: str,
    expected_version: int | None = None,
) -> tuple[Kept[Doc], bool]:
    """Write a site, boiler or visit under its integrator's id; return it and whether it is new.

    Two senders at the same moment make one, not two: lookup and write are one change.

    Raises
    ------
    StateConflict
        If the document states another id than the one known under this external id.
    """
    with intake.book.change(who) as change:
        whole, made = known_as(change, document, external_id, owner)
        put = {"site": intake.put_site, "boiler": intake.put_boiler, "visit": intake.put_visit}
        kept: Kept[Doc] = put[_kind(document)](  # type: ignore[operator]
            whole, who, owner=owner, expected_version=expected_version
        )
    return kept, made


def known_as(change: Change, document: Doc, external_id: str, owner: str) -> tuple[Doc, bool]:
    """Return a document under the id that it has here, and whether it is new.

    Raises
    ------
    StateConflict
        If the document states another id than the one known under this external id.
    """
    kind = _kind(document)
    known = places.by_external_id(change.sql, kind, external_id, owner)
    if known is not None and document.id not in (None, known):
        raise StateConflict(f"the external id {external_id!r} already names the {kind} {known}")
    identity = known or document.id or new_id()
    whole = document.model_copy(update={"id": identity, "external_id": external_id})
    return whole, known is None


def found_by_external_id(intake: Intake, kind: Kind, external_id: str, owner: str) -> UUID:
    """Return the id of what an integrator knows under its own id; raise NotFound otherwise."""
    found = intake.by_external_id(kind, external_id, owner)
    if found is None:
        raise NotFound(kind, external_id)
    return found


def _kind(document: Site | Boiler | Visit) -> Kind:
    if isinstance(document, Site):
        return "site"
    return "boiler" if isinstance(document, Boiler) else "visit"
