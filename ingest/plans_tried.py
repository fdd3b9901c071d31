"""A service plan tried before it is kept: last year's visits judged by it, and today's due list."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Mapping, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, replace
from datetime import date

from ingest.intake_judging import case_of, live_points
from ingest.limits import resolve_limits
from ingest.limits_tried import Trial, Tried, tried
from ingest.models import Boiler, Site, Visit
from ingest.service.due import BoilerHistory, due
from ingest.service.due_tried import DueTried, due_tried
from ingest.service.kept import boiler_history, followed, plans_for
from ingest.service.plans import Plan
from ingest.service.taking_in import TakenIn
from ingest.store import places, visits
from ingest.store.visits import VisitRow
from ingest.validator import judge, judged_by_plan

MOST_BOILERS = 400
"""Boilers whose due list one trial compares, by name: a page waits for the answer."""


@dataclass(frozen=True, slots=True)
class PlanTrial:
    """A plan tried; nothing of it is stored.

    Attributes
    ----------
    findings : Trial
        The finished visits that followed it, or a plan that includes it, judged by the present
        plans and by the new ones.
    elsewise : int
        How many of them followed another version than the present one.
    into : sequence of TakenIn
        Plans that include it.
    """

    findings: Trial
    elsewise: int
    into: Sequence[TakenIn]
    due: DueTried


def new_plans(plan: Plan, into: Sequence[TakenIn]) -> dict[str, Plan]:
    """Return the plans that change, by key."""
    return {plan.key: plan} | {t.plan.key: t.plan for t in into if not t.problems}


def tried_visits(
    sql: sqlite3.Connection,
    rows: Iterable[VisitRow],
    now: Mapping[str, Plan],
    then: Mapping[str, Plan],
) -> tuple[list[Tried], int]:
    """Return each visit judged by the plans of ``now`` and of ``then``.

    Returns
    -------
    tuple of (list of Tried, int)
        Also, how many of them followed another version than that of ``now``.
    """
    judged, elsewise = [], 0
    for row in rows:
        case = case_of(sql, row, live_points(sql, row.id))
        key = followed(row.visit, case.boiler) or ""
        present, fresh = now.get(key), then.get(key)
        record = row.visit.service
        version = None if record is None else record.plan_version
        elsewise += present is not None and version not in (None, present.version)
        limits = resolve_limits(case.boiler, company=case.company_limits)
        before = judge(replace(case, plan=present), limits=limits)
        after = judged_by_plan(before, replace(case, plan=fresh), limits=limits)
        name = "" if row.visit.boiler_id is None else case.boiler.name
        judged.append(tried(case, name, before.flags, after.flags))
    return judged, elsewise


def tried_due(
    sql: sqlite3.Connection,
    changed: AbstractSet[str],
    now: Mapping[str, Plan],
    then: Mapping[str, Plan],
    today: date,
) -> DueTried:
    """Return what comes due otherwise at the boilers that a changed plan keeps."""
    kept = [b for b in places.boilers(sql) if changed & (_keys(b, now) | _keys(b, then))]
    sites = {site.id: site for site in places.sites(sql)}
    before, after = [], []
    for boiler in kept[:MOST_BOILERS]:
        if boiler.id is None:
            continue
        first, served = visits.served(sql, boiler.id)
        site = sites.get(boiler.site_id)
        before += _history(boiler, served, now, site, first)
        after += _history(boiler, served, then, site, first)
    return due_tried(
        due(before, date.max, known=now),
        due(after, date.max, known=then),
        today,
        boilers=len(kept),
        looked=min(len(kept), MOST_BOILERS),
    )


def _keys(boiler: Boiler, plans: Mapping[str, Plan]) -> set[str]:
    try:
        return {plan.key for plan in plans_for(boiler, plans)}
    except KeyError:
        return set()  # it names a plan that is not there: it has no due list


def _history(
    boiler: Boiler,
    served: Sequence[Visit],
    plans: Mapping[str, Plan],
    site: Site | None,
    first: date | None,
) -> list[BoilerHistory]:
    try:
        history = boiler_history(boiler, served, plans, site=site, first=first)
    except KeyError:
        return []
    return [] if history is None else [history]
