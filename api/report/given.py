"""What a report is made from: one plain record, so that it does not depend on any store."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Literal

from api.pages.sources import Sources, plain_source
from ingest.earlier import EarlierVisit
from ingest.judgement import Flag, Judgement, NotJudged
from ingest.models import Boiler, Site, Visit
from ingest.service.models import Finding
from ingest.service.plans import Plan
from parsers.points import FiringPoint


@dataclass(frozen=True, slots=True)
class Evidence:
    """A kept file that readings or pictures came from."""

    name: str
    sha256: str
    size: int
    what: str = "readings"


@dataclass(frozen=True, slots=True)
class Photo:
    """A picture, PNG, JPEG or WebP, and what it shows."""

    name: str
    sha256: str
    data: bytes
    caption: str


@dataclass(frozen=True, slots=True)
class Signature:
    """One act of the audit chain: who signed what, when."""

    act: Literal["handed_in", "accepted", "sent_back"]
    account: str
    name: str
    time: datetime
    report_sha256: str
    note: str | None = None
    setting: str = ""
    """Units and language in which the signed content was frozen ("si en"), where it is kept."""

    facts_sha256: str = ""
    same_facts: bool = False
    """Whether the signed content says what this report says, in whatever units and language."""


@dataclass(frozen=True, slots=True)
class Replaced:
    """The earlier report that this one replaces."""

    report_id: str
    sha256: str
    made: datetime


@dataclass(frozen=True, slots=True)
class ReportInput:
    """All that one report says; ``made`` is the caller's, never the clock's."""

    report_id: str
    made: datetime
    boiler: Boiler
    visit: Visit
    points: Sequence[FiringPoint]
    judgement: Judgement
    limits: Mapping[str, Any]
    """The limits snapshot that the judgement was made with (``LimitSet.snapshot``)."""

    site: Site | None = None
    company: str | None = None
    plan: Plan | None = None
    service_flags: Sequence[Flag] = ()
    """From ``judge_service``, where the judgement does not hold them yet."""

    service_not_judged: Sequence[NotJudged] = ()
    open_findings: Sequence[Finding] = ()
    history: Sequence[EarlierVisit] = ()
    evidence: Sequence[Evidence] = ()
    waiting_logs: Sequence[str] = ()
    """Names of continuous logs whose cut, as it stands, nobody has confirmed."""

    photos: Sequence[Photo] = ()
    signatures: Sequence[Signature] = ()
    replaces: Replaced | None = None
    program_version: str = ""
    source: Sources = plain_source
    """Says where a value comes from; a point's own lines where nothing else is known."""


@dataclass(frozen=True, slots=True)
class ReportOptions:
    """How it is set: paper, units, language (a gettext catalogue; English without one).

    ``region`` decides how numbers and dates are written.
    """

    paper: Literal["a4", "us-letter"] = "a4"
    units: Literal["si", "us"] = "si"
    language: str = "en"
    region: str | None = None

    @property
    def setting(self) -> str:
        """Return what of it decides the words of the content, as the audit chain keeps it."""
        tag = f"{self.language}_{self.region}" if self.region else self.language
        return f"{self.units} {tag}"
