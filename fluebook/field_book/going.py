"""A visit on its way to the office: what the office has of it, and what is to be sent next."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from uuid import UUID

from fluebook.client import JsonObject
from fluebook.field_book.chains import Record, fresh, records_there
from fluebook.field_book.meeting import Meeting
from ingest.intake import VisitView


@dataclass(slots=True)
class Going:
    """One visit on its way, and what the office has of it so far."""

    meeting: Meeting
    view: VisitView
    id: UUID
    name: str
    files: list[JsonObject] = field(default_factory=list)
    there: list[Record] = field(default_factory=list)
    place: dict[UUID | str, int] = field(default_factory=dict)
    """Where each reading stands among all of the visit's, and each file with its first one."""

    def __post_init__(self) -> None:
        logs = self.meeting.intake.logs(self.id)
        for n, kept in enumerate(self.meeting.intake.all_readings(self.id)):
            self.place[str(kept.id)] = n
            # A log's cut that was confirmed anew took the readings of the one before out.
            if kept.attachment_id is not None and not (
                kept.superseded_at and kept.attachment_id in logs
            ):
                self.place.setdefault(kept.attachment_id, n)

    def look(self) -> None:
        """Look at what the office has now."""
        self.files = self.meeting.office.visit(self.id)["files"]
        self.there = records_there(self.meeting.office, self.id, self.files)

    def corrected(self, old: Record, new: Record | None) -> None:
        """Know of a correction that the office has just taken, without asking it again."""
        gone = replace(old, gone=True, by=None if new is None else new.id)
        self.there = [gone if record.id == old.id else record for record in self.there]
        if new is not None and all(record.id != new.id for record in self.there):
            self.there.append(fresh(new))

    def file_there(self, sha256: str) -> str | None:
        """Return the office's id of a file that it holds."""
        for file in self.files:
            if file["sha256"] == sha256 and file["withdrawn_at"] is None:
                return str(file["id"])
        return None


@dataclass(frozen=True, slots=True)
class Send:
    """One thing to send; ``at`` orders it among the visit's readings."""

    at: float
    what: str
    call: Callable[[], object]
