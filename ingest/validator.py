"""The one function behind the command, the API and the pages: ``judge(case)``."""

from __future__ import annotations

from ingest.judgement import Case, Flag, Judgement
from ingest.limits import LimitSet, resolve_limits
from ingest.models import SEVERITIES
from ingest.rules import FAMILIES
from ingest.rules.view import View

RULES_VERSION = "2026.11.1"
"""Changes with every change that can alter a flag."""

_RANK = {severity: n for n, severity in enumerate(SEVERITIES)}


def _order(flag: Flag) -> tuple[int, str]:
    return _RANK[flag.severity], flag.id


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
    visit = case.visit
    return Judgement(
        visit=str(visit.id) if visit.id is not None else visit.external_id,
        rules_version=RULES_VERSION,
        limits_id=held_to.id,
        limits_sha256=held_to.sha256,
        flags=tuple(sorted(view.flags, key=_order)),
        not_judged=tuple(view.unjudged.values()),
    )
