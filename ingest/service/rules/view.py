"""What the service rules look at, and where they put down what they find."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date

from ingest.judgement import Flag, Level, NotJudged, Source, Status
from ingest.limits import Limit, LimitSet
from ingest.models import Boiler, Severity, Visit
from ingest.rules.model import Rule
from ingest.service.models import Finding, InstalledPart, ServiceRecord
from ingest.service.plans import Plan


def rule(
    key: str,
    family: str,
    title: str,
    meaning: str,
    next_step: str,
    *,
    needs: str,
    silent: str,
    causes: str,
    formula: str = "recorded answers against the plan",
    default: str = "as the plan states",
    source: str = "the service plan followed",
    status: Status = "common practice",
    safety: bool = False,
    limits: tuple[str, ...] = (),
) -> Rule:
    """Return a rule of the service part, with what most of them share filled in."""
    return Rule(
        key=key,
        family=family,
        title=title,
        meaning=meaning,
        formula=formula,
        default=default,
        source=source,
        status=status,
        causes=causes,
        next_step=next_step,
        silent=silent,
        needs=needs,
        safety=safety,
        limits=limits,
    )


class ServiceView:
    """One recorded service with its plan, boiler and earlier visits."""

    def __init__(
        self,
        record: ServiceRecord,
        plan: Plan | None,
        *,
        visit: Visit,
        boiler: Boiler,
        limits: LimitSet,
        earlier_findings: Sequence[Finding],
        installed: Sequence[InstalledPart],
        open_stops: Sequence[str],
    ) -> None:
        self.record = record
        self.plan = plan
        self.visit = visit
        self.boiler = boiler
        self.limits = limits
        self.earlier_findings = earlier_findings
        self.installed: Mapping[str, InstalledPart] = {p.part: p for p in installed}
        self.open_stops = tuple(open_stops)
        self.flags: list[Flag] = []
        self.unjudged: dict[str, NotJudged] = {}
        moment = visit.ended or visit.started
        self.on: date | None = None if moment is None else moment.date()

    def flag(
        self,
        found: Rule,
        severity: Severity,
        message: str,
        *,
        tag: str,
        next_step: str | None = None,
        unit: str | None = None,
        value: float | None = None,
        low: float | None = None,
        high: float | None = None,
        limit: Limit | None = None,
    ) -> None:
        """Put down one flag; ``tag`` tells it from others of its rule.

        ``limit`` is what the boiler is held to, where that decided: the flag names its source.
        """
        level: Level = "boiler" if found.status == "stated" else "default"
        source = Source(found.source, found.status, level) if limit is None else limit.source
        self.flags.append(
            Flag(
                id=f"{found.key}:{tag}",
                rule=found.key,
                severity=severity,
                message=message,
                next_step=next_step or found.next_step,
                unit=unit,
                value=value,
                low=low,
                high=high,
                answer=None if low is None and high is None else "beyond",
                source=source,
            )
        )

    def not_judged(self, found: Rule, why: str) -> None:
        """Put down that a rule lacked its input; the first reason stands."""
        self.unjudged.setdefault(found.key, NotJudged(found.key, found.needs, why))
