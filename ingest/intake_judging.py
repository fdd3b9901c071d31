"""Judging what the book holds: the case of a visit, its points, and keeping the judgement."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from datetime import UTC
from importlib.metadata import version as installed_version
from uuid import UUID

from ingest.earlier import EarlierVisit
from ingest.intake_shapes import Statement
from ingest.judgement import Case, Judgement
from ingest.limits import LimitSet, resolve_limits
from ingest.log_points import counted, points_in_force
from ingest.models import Boiler, Site, Visit
from ingest.service.job import with_job
from ingest.service.kept import followed
from ingest.service.plans import Plan
from ingest.store import cuts, jobs, judgements, lists, places, plans, readings, settings, visits
from ingest.store.book import Change, stamp
from ingest.store.held import Held
from ingest.store.visits import VisitRow
from ingest.validator import judge
from parsers import FiringPoint, Reading, assign, firing_points, refuse_unclear
from parsers.points import filled
from parsers.times import zone_of

PROGRAM_VERSION = installed_version("fluebook")
HISTORY_VISITS = 20
"""Earlier visits whose readings judging looks back on; service parts it looks back on for ever."""


Plant = tuple[Boiler | None, Site | None]
"""The boiler of a visit and the site it stands in, None where not known."""


def boiler_and_site(sql: sqlite3.Connection, visit: Visit) -> Plant:
    """Return the boiler of a visit and the site it stands in, None where not known."""
    if visit.boiler_id is None:
        return None, None
    boiler, _ = places.document(sql, "boiler", visit.boiler_id, Boiler)
    if boiler.site_id is None:
        return boiler, None
    return boiler, places.document(sql, "site", boiler.site_id, Site)[0]


def at_home(sql: sqlite3.Connection, visit: Visit, owner: str) -> tuple[Visit, Plant]:
    """Return a visit with its boiler looked up by external id, and times in the site's zone.

    A boiler that is not in the book yet leaves the visit unassigned. Its boiler and site come with
    it, so that nobody has to look for them again.

    Raises
    ------
    NotFound
        If the boiler's id is not in the book.
    """
    if visit.boiler_id is None and visit.boiler_external_id is not None:
        found = places.by_external_id(sql, "boiler", visit.boiler_external_id, owner)
        visit = visit.model_copy(update={"boiler_id": found})
    plant = boiler_and_site(sql, visit)
    return in_zone(visit, *plant), plant


def in_zone(visit: Visit, boiler: Boiler | None, site: Site | None) -> Visit:
    """Return a visit with its times in the zone of its boiler or site, where they state none."""
    naive = {
        key: moment
        for key, moment in (("started", visit.started), ("ended", visit.ended))
        if moment is not None and moment.tzinfo is None
    }
    if not naive:
        return visit
    name = (boiler.zone if boiler else None) or (site.zone if site else None)
    zone = zone_of(name) or UTC
    return visit.model_copy(update={k: m.replace(tzinfo=zone) for k, m in naive.items()})


def with_site(boiler: Boiler, site: Site | None) -> Boiler:
    """Return a boiler with its site's altitude, where it states none of its own."""
    if boiler.altitude is not None or site is None or site.altitude is None:
        return boiler
    return boiler.model_copy(update={"altitude": site.altitude})


def unknown_boiler(visit: Visit) -> Boiler:
    """Return what a visit without a known boiler is judged as: the defaults and its fuel."""
    return Boiler(name="not yet assigned", fuel=visit.fuel or "natural_gas")


def limits_of(sql: sqlite3.Connection, visit: Visit) -> LimitSet:
    """Return the limits that a visit is held to today."""
    boiler, _ = boiler_and_site(sql, visit)
    return resolve_limits(boiler or unknown_boiler(visit), company=settings.company_limits(sql))


def history(sql: sqlite3.Connection, row: VisitRow) -> list[EarlierVisit]:
    """Return the boiler's finished visits before this one, oldest first."""
    visit = row.visit
    if visit.boiler_id is None:
        return []
    before = lists.NO_TIME if visit.started is None else stamp(visit.started)
    return [
        _earlier(sql, identity, earlier, mark)
        for identity, earlier, mark in visits.earlier(
            sql, visit.boiler_id, before, row.id, HISTORY_VISITS
        )
    ]


_by_mark: Held[EarlierVisit] = Held(2048)


def _earlier(
    sql: sqlite3.Connection, identity: str, visit: Visit, mark: str | None
) -> EarlierVisit:
    """Return an earlier visit, the same object again while its document and points are."""
    held = None if mark is None else _by_mark.get(mark)
    if held is not None and held.visit is visit:
        return held
    made = EarlierVisit(visit, readings.points_marked(sql, identity, mark))
    return made if mark is None else _by_mark.put(mark, made)


def older_service(
    sql: sqlite3.Connection, row: VisitRow, past: Sequence[EarlierVisit]
) -> list[Visit]:
    """Return the boiler's visits with a service part that are too old for its history, ``past``.

    A finding stays open until it is closed, and a part stays in until it is replaced, however many
    visits ago that was. A history that is not full leaves nothing out.
    """
    full = len(past) == HISTORY_VISITS
    if not full or row.visit.boiler_id is None or row.visit.started is None:
        return []
    return visits.older_service(
        sql, row.visit.boiler_id, stamp(row.visit.started), row.id, HISTORY_VISITS
    )


def live_points(
    sql: sqlite3.Connection, visit_id: UUID, file: str = "readings"
) -> Sequence[FiringPoint]:
    """Return a visit's firing points with the readings in them, from the readings that stand."""
    kept = readings.readings(sql, visit_id)
    logs = {c.attachment_id: c for c in cuts.confirmed(sql, visit_id)}
    plain = [k.reading for k in kept if k.attachment_id not in logs]
    points = firing_points(plain, file=file) if plain else []
    if not logs:
        return points
    for attachment_id, confirmation in logs.items():
        mine = [k.reading for k in kept if k.attachment_id == attachment_id]
        points += points_in_force(confirmation, mine)
    return counted(points)


def plan_of(sql: sqlite3.Connection, visit: Visit, boiler: Boiler | None) -> Plan | None:
    """Return the plan of the book that a visit's service part is held to.

    The one that the record names, in the version that it names: work is never judged by another
    version than the one followed. A record that names none is held to the boiler's plan where the
    boiler has one only.
    """
    key, record = followed(visit, boiler), visit.service
    if key is None or record is None:
        return None
    return plans.plan(sql, key, None if record.plan is None else record.plan_version)


def case_of(
    sql: sqlite3.Connection,
    row: VisitRow,
    points: Sequence[FiringPoint],
    plant: Plant | None = None,
) -> Case:
    """Return all that judging a stored visit looks at, by what the book holds today.

    ``plant`` is its boiler and site, where the caller has them from the same change.
    """
    boiler, site = plant or boiler_and_site(sql, row.visit)
    boiler = with_site(boiler or unknown_boiler(row.visit), site)
    past = history(sql, row)
    job = None if row.visit.job_id is None else jobs.shared_with(sql, row.id)
    return Case(
        boiler=boiler,
        visit=with_job(row.visit, job),
        points=points,
        history=past,
        older_service=older_service(sql, row, past),
        company_limits=settings.company_limits(sql),
        # By the visit as recorded: what a job shares never makes a visit owe a whole plan.
        plan=plan_of(sql, row.visit, boiler),
    )


def judged(
    sql: sqlite3.Connection,
    row: VisitRow,
    points: Sequence[FiringPoint],
    plant: Plant | None = None,
) -> tuple[Judgement, LimitSet, Plan | None]:
    """Return a visit's judgement by today's rules and limits, and the plan it is held to."""
    case = case_of(sql, row, points, plant)
    limits = resolve_limits(case.boiler, company=case.company_limits)
    return judge(case, limits=limits), limits, case.plan


def judge_open(
    change: Change,
    row: VisitRow,
    file: str = "readings",
    live: Sequence[Reading] | None = None,
    plant: Plant | None = None,
) -> tuple[Sequence[FiringPoint], Judgement]:
    """Put points and judgement of a visit in step with its readings.

    ``live`` are the readings that stand, where the caller has them: a long log is then not read
    back from the book it was just written to. ``plant`` is the visit's boiler and site, likewise.
    """
    if live is None or (not row.empty and cuts.confirmed(change.sql, row.id)):
        points = live_points(change.sql, row.id, file)
    else:
        points = firing_points(live, file=file) if live else []
    readings.write_points(change, row.id, points, first=row.empty)
    judgement, limits, plan = judged(change.sql, row, points, plant)
    judgements.write_judgement(
        change, row.id, "current", judgement, limits, PROGRAM_VERSION, plan=plan, first=row.empty
    )
    return points, judgement


def present(sql: sqlite3.Connection, row: VisitRow) -> tuple[Sequence[FiringPoint], Judgement]:
    """Return the points and the deciding judgement as the book has them."""
    made = judgements.judgements(sql, row.id)
    decided = [j for j in made if j.kind != "again"][-1]
    return readings.points(sql, row.id), decided.judgement


def stated(
    read_in: Sequence[Reading],
    statement: Statement,
    visit: Visit,
    boiler: Boiler | None,
    file: str,
) -> list[Reading]:
    """Return readings with rate, phase, fuel and burner, from statement, visit and boiler.

    Raises
    ------
    parsers.PointsUnclear
        If a reading has no rate or phase, before anything is written.
    """
    whole = assign(
        read_in,
        rates=statement.rates or None,
        phase=statement.phase or visit.phase,
        fuel=statement.fuel,
        burner=statement.burner,
        line_ranges=statement.line_ranges,
        file=file,
    )
    fuel = visit.fuel or (boiler.fuel if boiler is not None else "natural_gas")
    burner = boiler.burners[0] if boiler is not None else "1"
    whole = [filled(r, fuel=fuel, burner=burner) for r in whole]
    refuse_unclear(whole, file=file)
    return whole
