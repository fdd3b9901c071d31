"""The one function behind the command, the API and the pages: ``judge(case)``."""

from __future__ import annotations

from ingest.judgement import Case, Flag, Judgement
from ingest.limits import LimitSet, resolve_limits
from ingest.rules import FAMILIES, co, oxygen, plain, stack
from ingest.rules.joining import joined
from ingest.rules.view import View
from ingest.service.rules import with_service, without_service

RULES_VERSION = "2026.11.4"
"""Changes with every change that can alter a flag."""

_POINT_FAMILIES = (co.judge, oxygen.judge, stack.judge, plain.judge)
"""Families whose as-found faults can be put right by adjusting and cleaning."""


def judge(case: Case, *, limits: LimitSet | None = None) -> Judgement:
    """Return everything found in one visit, worst first.

    Parameters
    ----------
    case : Case
        Boiler, visit, its points and earlier visits. Nothing of it is changed.
    limits : LimitSet or None
        Limits already resolved (a frozen snapshot, or many visits of one boiler); by default they
        are resolved from the case.

    Notes
    -----
    Rules never raise. Uncertainty never lowers a stop: that is decided on the measured value.
    """
    held_to = limits or resolve_limits(
        case.boiler, model=case.model_limits, company=case.company_limits
    )
    view = View(case, held_to)
    for family in FAMILIES:
        family(view)
    flags = tuple(joined(view.flags))
    visit = case.visit
    judgement = Judgement(
        visit=str(visit.id) if visit.id is not None else visit.external_id,
        rules_version=RULES_VERSION,
        limits_id=held_to.id,
        limits_sha256=held_to.sha256,
        flags=flags,
        not_judged=tuple(view.unjudged.values()),
        work_done=tuple(_work_done(view, flags)) if view.left_all and view.found else (),
    )
    return _served(judgement, case, held_to)


def judged_by_plan(judgement: Judgement, case: Case, *, limits: LimitSet) -> Judgement:
    """Return a case's judgement with its service part judged by the plan that the case now has.

    What was found in the readings stands: no plan has a part in it.

    Parameters
    ----------
    judgement : Judgement
        Of the same case, by whatever plan.
    limits : LimitSet
        What that judgement was made by.
    """
    return _served(without_service(judgement), case, limits)


def _served(judgement: Judgement, case: Case, limits: LimitSet) -> Judgement:
    earlier = [*case.older_service, *(e.visit for e in case.history)]
    return with_service(
        judgement, case.plan, visit=case.visit, boiler=case.boiler, limits=limits, earlier=earlier
    )


def _work_done(decided: View, left: tuple[Flag, ...]) -> list[Flag]:
    """Return as-found faults that no as-left flag repeats: put right, and never deciding."""
    view = decided.as_found()
    for family in _POINT_FAMILIES:
        family(view)
    faults = [f for f in view.flags if f.severity != "info" and f.answer != "too_close"]
    if not faults:
        return []
    still = {
        (rule, flag.burner, flag.fuel, rate)
        for flag in left
        if flag.severity != "info"
        for rule in (flag.rule, *(e.split(":", 1)[0] for e in flag.effects))
        for rate in flag.firing_rates
    }
    read = {(f.burner, f.fuel, f.rate) for f in decided.left}
    return joined(
        f
        for f in faults
        if all((f.burner, f.fuel, r) in read for r in f.firing_rates)
        and not any((f.rule, f.burner, f.fuel, r) in still for r in f.firing_rates)
    )
