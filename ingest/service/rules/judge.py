"""The one function that judges a recorded service, and the closed list of its rules."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from types import MappingProxyType

from ingest.judgement import Flag, Judgement, NotJudged
from ingest.limits import LimitSet
from ingest.models import SEVERITIES, Boiler, Visit
from ingest.rules.model import Rule
from ingest.service.findings import open_findings
from ingest.service.models import InstalledPart, ServiceRecord
from ingest.service.parts import parts_before
from ingest.service.plans import Plan
from ingest.service.rules import burning, devices, isolation, leaving, proving, tasks
from ingest.service.rules.view import ServiceView

# Leaving comes last: it asks whether any rule before it said stop.
_MODULES = (isolation, tasks, proving, burning, devices, leaving)

SERVICE_RULES: Mapping[str, Rule] = MappingProxyType({r.key: r for m in _MODULES for r in m.RULES})
"""The closed list of the service part's rules by key."""


def judge_service(
    record: ServiceRecord,
    plan: Plan | None,
    *,
    visit: Visit,
    boiler: Boiler,
    limits: LimitSet,
    earlier: Sequence[ServiceRecord] = (),
    installed: Sequence[InstalledPart] = (),
    open_stops: Sequence[str] = (),
) -> tuple[tuple[Flag, ...], tuple[NotJudged, ...]]:
    """Return all flags of a recorded service, and what could not be judged.

    Parameters
    ----------
    record : ServiceRecord
        As recorded; never changed.
    plan : Plan or None
        The plan followed; without one most rules are not judged, and say so.
    visit, boiler : Visit, Boiler
        For how it was left, the day, and the boiler's fuel.
    limits : LimitSet
        What the boiler is held to, of whatever level.
    earlier : sequence of ServiceRecord
        Earlier visits of the boiler, oldest first: their open findings are carried on.
    installed : sequence of InstalledPart
        Wearing parts as they stood before this visit.
    open_stops : sequence of str
        Messages of stop flags from the readings: they count for how the boiler was left.

    Notes
    -----
    Never raises on what a record says. Nothing here says that a boiler is safe.
    """
    view = ServiceView(
        record,
        plan,
        visit=visit,
        boiler=boiler,
        limits=limits,
        earlier_findings=open_findings(earlier),
        installed=installed,
        open_stops=open_stops,
    )
    for module in _MODULES:
        module.judge(view)
    return tuple(view.flags), tuple(view.unjudged.values())


def holds_service(judgement: Judgement) -> bool:
    """Return whether a judgement was made with the service rules."""
    rules = {f.rule for f in judgement.flags} | {n.rule for n in judgement.not_judged}
    return not rules.isdisjoint(SERVICE_RULES)


def without_service(judgement: Judgement) -> Judgement:
    """Return a judgement of the readings alone."""
    return replace(
        judgement,
        flags=tuple(f for f in judgement.flags if f.rule not in SERVICE_RULES),
        not_judged=tuple(n for n in judgement.not_judged if n.rule not in SERVICE_RULES),
    )


def lacks_plan(judgement: Judgement) -> bool:
    """Return whether the service part was judged without a plan at hand."""
    return any(n.rule == tasks.TASK_MISSING.key for n in judgement.not_judged)


def with_service(
    judgement: Judgement,
    plan: Plan | None,
    *,
    visit: Visit,
    boiler: Boiler,
    limits: LimitSet,
    earlier: Sequence[Visit] = (),
) -> Judgement:
    """Return a judgement of readings joined with that of the service part, worst first.

    A visit without a service part comes back as it is. The boiler's own list of parts and what
    was replaced at earlier visits, oldest first, say what stood in it before the visit.
    """
    if visit.service is None:
        return judgement
    stops = [f.message for f in judgement.flags if f.severity == "stop"]
    flags, unjudged = judge_service(
        visit.service,
        plan,
        visit=visit,
        boiler=boiler,
        limits=limits,
        earlier=[v.service for v in earlier if v.service is not None],
        installed=parts_before(boiler.parts, earlier),
        open_stops=stops,
    )
    rank = {severity: n for n, severity in enumerate(SEVERITIES)}
    joined = sorted((*judgement.flags, *flags), key=lambda f: (rank[f.severity], f.id))
    return replace(judgement, flags=tuple(joined), not_judged=(*judgement.not_judged, *unjudged))
