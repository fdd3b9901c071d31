"""What goes into the book and what comes out of it, as the faces see it."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any, Generic, TypeVar
from uuid import UUID

from ingest.earlier import EarlierVisit
from ingest.judgement import Judgement
from ingest.limits import LimitSet
from ingest.models import Boiler, Site, Visit, VisitState
from ingest.service.job import Job, with_job
from ingest.service.plans import Plan
from ingest.store.behind import Part
from ingest.store.book import Change
from ingest.store.judgements import KeptJudgement
from ingest.store.readings import Attachment, KeptReading
from parsers import FiringPoint, LineRange, Phase, ReadResult

OPEN_STATES: tuple[VisitState, ...] = ("open", "sent_back")


Doc = TypeVar("Doc", Site, Boiler, Visit, Job)


class WordsMissing(ValueError):
    """A decision that must say why does not."""


def must_say(text: str, what: str) -> str:
    """Return words without the space around them; refuse none, naming ``what`` is to be said."""
    words = text.strip()
    if not words:
        raise WordsMissing(f"say {what}")
    return words


@dataclass(frozen=True, slots=True)
class Kept(Generic[Doc]):
    """A document as the book has it."""

    document: Doc
    version: int


@dataclass(frozen=True, slots=True)
class Decided:
    """A judgement as hand-in freezes it: with its limits and the plan it was made by."""

    judgement: Judgement
    limits: Mapping[str, Any]
    plan: Plan | None


Signing = Callable[[Change, Decided | None], Mapping[str, Any]]
"""Called inside a hand-in or an acceptance: what is signed, for the line of the trail."""


@dataclass(frozen=True, slots=True)
class Statement:
    """What an uploader states about a file's readings."""

    rates: tuple[float, ...] = ()
    phase: Phase | None = None
    fuel: str | None = None
    burner: str | None = None
    line_ranges: tuple[LineRange, ...] = ()

    def as_json(self) -> dict[str, Any]:
        """Return only what is stated."""
        found: dict[str, Any] = json.loads(json.dumps(asdict(self)))
        return {key: value for key, value in found.items() if value not in (None, [])}


@dataclass(frozen=True, slots=True)
class FileTaken:
    """What became of a file: how it was read, and the visit's judgement with it."""

    attachment_id: UUID
    result: ReadResult
    readings: int
    points: Sequence[FiringPoint]
    judgement: Judgement
    version: int
    already_there: bool = False


@dataclass(frozen=True, slots=True)
class VisitView:
    """One visit with everything that hangs under it, as of one moment.

    Its readings are left in the book until somebody asks for them: a day's log keeps ten thousand.
    """

    visit: Visit
    state: VisitState
    imported: bool
    version: int
    handed_in_at: str | None
    boiler: Boiler | None
    site: Site | None
    points: Sequence[FiringPoint]
    judgement: Judgement
    limits: LimitSet
    judgements: Sequence[KeptJudgement] = ()
    attachments: Sequence[Attachment] = ()
    read: Callable[[], Sequence[KeptReading]] = tuple
    read_parts: Callable[[], Sequence[Sequence[Part]]] = tuple
    history: Sequence[EarlierVisit] = field(default=())
    older: Sequence[Visit] = ()
    """Visits with a service part before those of the history, oldest first."""
    job: Job | None = None
    """What it shares: its job today while it is open, else as it was at hand-in."""

    @property
    def readings(self) -> Sequence[KeptReading]:
        """Return every reading of the visit that stands, in order, as the book has them now."""
        return self.read()

    @property
    def parts(self) -> Sequence[Sequence[Part]]:
        """Return what each point is made of: much quicker than every reading of a long log."""
        return self.read_parts()

    @property
    def whole(self) -> Visit:
        """Return the visit with what it leaves out filled from its job."""
        return with_job(self.visit, self.job)

    @property
    def before(self) -> list[Visit]:
        """Return every earlier visit that a service part is judged with, oldest first."""
        return [*self.older, *(e.visit for e in self.history)]
