"""Two books that meet: the technician's own, and the office's at the other end of a line."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping, Sequence
from typing import Any
from uuid import UUID

from fluebook.client import Client, JsonObject, Refused
from fluebook.field_book.outcome import Conflict, Outcome, Whose, differences
from ingest.dimensions import CANONICAL_UNITS, Document
from ingest.intake import Intake
from ingest.models import VisitState
from ingest.store import BookError
from ingest.store import field as marks
from ingest.store.audit import canonical_json
from parsers import ReadError
from parsers.cut_corrections import CorrectionError

FINISHED: tuple[VisitState, ...] = ("handed_in", "accepted")
_NOT_KNOWN = 401


class Meeting:
    """Both sides, what a person decided, and what has become of it so far.

    Parameters
    ----------
    intake : Intake
        Of the technician's own book.
    office : Client
        Connected to the office.
    address : str
        Of the office: marks of what both have are kept under it.
    who : str
        For the trail of the field book.
    whose : mapping
        Which side stands, by id, where both changed a thing.
    told : callable
        Hears of each thing as soon as it is done.
    """

    def __init__(
        self,
        intake: Intake,
        office: Client,
        address: str,
        who: str,
        *,
        whose: Mapping[UUID | str, Whose] | None = None,
        told: Callable[[str], None] = lambda _: None,
    ) -> None:
        self.intake = intake
        self.office = office
        self.who = who
        self.told = told
        self.outcome = Outcome()
        self._address = address.rstrip("/")
        self._whose = {str(identity): side for identity, side in (whose or {}).items()}
        self._decided: set[str] = set()

    def stands(self, identity: UUID | str) -> Whose | None:
        """Return whose version a person lets stand, None where nobody said.

        Asked where both sides changed a thing, and nowhere else.
        """
        self._decided.add(str(identity))
        return self._whose.get(str(identity))

    @property
    def undecided(self) -> list[str]:
        """Return the ids of which a person said whose stands, and that are in no clash."""
        return [identity for identity in self._whose if identity not in self._decided]

    def done(self, what: str) -> None:
        """Tell what is done, as soon as it is."""
        self.outcome.done.append(what)
        self.told(what)

    def attempt(self, what: str, call: Callable[[], object]) -> bool:
        """Make a call; where one of both sides refuses it, say so and return False.

        Raises
        ------
        Refused
            If the key opens nothing any more: all that follows would be refused, too.
        """
        try:
            call()
        except (Refused, BookError, ReadError, CorrectionError) as error:
            if isinstance(error, Refused) and error.status == _NOT_KNOWN:
                raise
            self.outcome.refused.append(f"{what}: {error}")
            return False
        return True

    def conflict(self, kind: str, identity: UUID | str, name: str, mine: Any, office: Any) -> None:
        """Show that both sides changed a thing, each its own way."""
        found = Conflict(kind, str(identity), name, differences(mine, office))
        self.outcome.conflicts.append(found)

    def common(self, kind: marks.Kind, identity: UUID | str) -> marks.Common | None:
        """Return what both sides last had of a thing."""
        return marks.common(self.intake.book.reader, self._address, kind, identity)

    def mark(self, kind: marks.Kind, identity: UUID | str, document: Any, version: int) -> None:
        """Write that both sides have this now."""
        wanted = marks.Common(hash_of(document), version)
        if self.common(kind, identity) != wanted:
            with self.intake.book.change(self.who) as change:
                marks.mark(change, self._address, kind, identity, wanted.sha256, version)


def plain(document: Document) -> JsonObject:
    """Return a document as both sides compare it."""
    return document.model_dump(mode="json", exclude_none=True)


def hash_of(document: Any) -> str:
    """Return the SHA-256 of a document, however its keys are ordered."""
    return hashlib.sha256(canonical_json(document).encode()).hexdigest()


def last_of(lines: Sequence[JsonObject], action: str) -> JsonObject:
    """Return the last line of a trail that tells of an action; it must have one."""
    return next(line for line in reversed(lines) if line["action"] == action)


def for_the_door(document: JsonObject) -> JsonObject:
    """Return a document in canonical units, as the API takes it: with its units said."""
    return {**document, "units": dict(CANONICAL_UNITS)}
