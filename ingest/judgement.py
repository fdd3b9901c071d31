"""What judging returns: flags, what was not judged, and the case it looks at.

``judge(case)`` in ``ingest.validator`` is the one function behind the command, the API and the
pages. The shapes here are fluebook.judge/1.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

from ingest.earlier import EarlierVisit
from ingest.models import Boiler, Limits, Severity, Visit
from ingest.service.plans import Plan
from parsers.model import Phase
from parsers.points import FiringPoint

Answer = Literal["beyond", "too_close"]
Status = Literal["read", "quoted", "memory", "common practice", "stated"]
Level = Literal["default", "company", "model", "boiler"]


@dataclass(frozen=True, slots=True)
class Case:
    """One visit with all that its judging may look at; ``history`` is oldest first.

    ``company_limits`` and ``model_limits`` stand under the boiler's own and above the defaults.
    """

    boiler: Boiler
    visit: Visit
    points: Sequence[FiringPoint]
    history: Sequence[EarlierVisit] = ()
    company_limits: Limits | None = None
    model_limits: Limits | None = None
    plan: Plan | None = None
    """The service plan followed; without one most of a service part is not judged."""

    older_service: Sequence[Visit] = ()
    """Visits with a service part before those of the history: open findings and parts fitted."""

    assumed: tuple[str, ...] = ()
    """What the reader took for granted, in plain sentences: each becomes an `info` flag."""


@dataclass(frozen=True, slots=True)
class Source:
    """Where a limit comes from: its text, how it is known, and which level stated it."""

    text: str
    status: Status
    level: Level


@dataclass(frozen=True, slots=True)
class Flag:
    """A judged finding. Numbers in the quantity's canonical unit; ``uncertainty`` has k = 1."""

    id: str
    rule: str
    severity: Severity
    message: str
    next_step: str
    phase: Phase | None = None
    burner: str | None = None
    fuel: str | None = None
    firing_rates: tuple[float, ...] = ()
    quantity: str | None = None
    unit: str | None = None
    value: float | None = None
    uncertainty: float | None = None
    low: float | None = None
    high: float | None = None
    answer: Answer | None = None
    probability_beyond: float | None = None
    source: Source | None = None
    effects: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class NotJudged:
    """A rule that lacked its input: silence never looks like a pass."""

    rule: str
    needs: str
    why: str


@dataclass(frozen=True, slots=True)
class Judgement:
    """All that was found, worst first, and all that could not be looked at."""

    visit: str | None
    rules_version: str
    limits_id: str
    limits_sha256: str
    flags: tuple[Flag, ...] = ()
    not_judged: tuple[NotJudged, ...] = ()
    work_done: tuple[Flag, ...] = field(default=())
    """As-found faults that the as-left points show put right: they never decide."""

    @property
    def worst(self) -> Severity | None:
        """Return the worst severity among the flags, None where there are none."""
        return self.flags[0].severity if self.flags else None
