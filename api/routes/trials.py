"""What a trial of limits or of a plan would have flagged, as an answer over the API."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime
from uuid import UUID

from pydantic import BaseModel, ConfigDict, Field

from api.problems import ErrorItem, ProblemError
from ingest.judgement import Flag
from ingest.limits_tried import MOST_TRIED, Trial, Tried
from ingest.models import Severity


class _Shape(BaseModel):
    model_config = ConfigDict(extra="forbid")


class Finding(_Shape):
    """A finding that comes or goes."""

    rule: str
    severity: Severity
    message: str


class Count(_Shape):
    """How many findings a rule gives at one severity, each way."""

    rule: str
    severity: Severity
    before: int
    after: int


class ChangedVisit(_Shape):
    """A visit whose findings change."""

    visit_id: UUID
    started: datetime | None
    boiler: str
    new: list[Finding]
    gone: list[Finding]


class TrialAnswer(_Shape):
    """What other limits, or another plan, would have flagged; nothing of it is stored."""

    since: date
    until: date
    finished: int = Field(description="Finished visits in that time.")
    judged: int = Field(description=f"How many of them were judged: the newest {MOST_TRIED}.")
    counts: list[Count] = Field(description="By rule and severity, worst first.")
    newly_flagged: list[ChangedVisit] = Field(description="Nothing above info before.")
    no_longer_flagged: list[ChangedVisit] = Field(description="Nothing above info after.")
    otherwise_changed: list[ChangedVisit]


def _findings(flags: Sequence[Flag]) -> list[Finding]:
    return [Finding(rule=f.rule, severity=f.severity, message=f.message) for f in flags]


def _visits(tried: Sequence[Tried]) -> list[ChangedVisit]:
    return [
        ChangedVisit(
            visit_id=one.visit.id,
            started=one.visit.started,
            boiler=one.boiler,
            new=_findings(one.new),
            gone=_findings(one.gone),
        )
        for one in tried
        if one.visit.id is not None
    ]


def trial_answer(trial: Trial) -> TrialAnswer:
    """Return a trial as it is answered."""
    return TrialAnswer(
        since=trial.since,
        until=trial.until,
        finished=trial.finished,
        judged=len(trial.tried),
        counts=[
            Count(rule=c.rule, severity=c.severity, before=c.before, after=c.after)
            for c in trial.counts()
        ],
        newly_flagged=_visits(trial.newly_flagged),
        no_longer_flagged=_visits(trial.no_longer_flagged),
        otherwise_changed=_visits(trial.otherwise_changed),
    )


def refuse_backwards(since: date | None, until: date | None) -> None:
    """Refuse a time that ends before it begins."""
    if since is not None and until is not None and since > until:
        item = ErrorItem(message="the first day is after the last", pointer="/since")
        raise ProblemError("not-valid", "The time ends before it begins.", [item])
