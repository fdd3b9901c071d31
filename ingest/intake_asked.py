"""A visit judged without storing it, as the book would judge it had it been stored.

What the asker leaves out is taken from the book, as it would be for a stored visit: a known boiler
with its limits and site, its earlier visits, the job, the plan, and what the company states.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from uuid import UUID

from ingest.earlier import EarlierVisit
from ingest.intake_coming import NOT_BEGUN
from ingest.intake_judging import (
    HISTORY_VISITS,
    history,
    in_zone,
    older_service,
    plan_of,
    unknown_boiler,
    with_site,
)
from ingest.judgement import Case, Judgement
from ingest.models import Boiler, Limits, Site, Visit
from ingest.service.job import Job, with_job
from ingest.service.office import plan_named
from ingest.service.plans import Plan
from ingest.store import jobs, places, settings
from ingest.store.book import Book
from ingest.store.errors import NotFound
from ingest.store.moment import one_moment
from ingest.store.visits import VisitRow
from ingest.validator import judge
from parsers import FiringPoint, Reading, firing_points


@dataclass(frozen=True, slots=True)
class AskedVisit:
    """A visit's document and the readings taken at it."""

    visit: Visit
    readings: Sequence[Reading] = ()


@dataclass(frozen=True, slots=True)
class Asked:
    """A visit and what its asker states beside it; None is taken from the book.

    ``plans`` are the office's, of which a stored visit would bring the one that it names into the
    book.
    """

    now: AskedVisit
    boiler: Boiler | None = None
    site: Site | None = None
    job: Job | None = None
    plan: Plan | None = None
    plans: Mapping[str, Plan] = field(default_factory=dict)
    history: Sequence[AskedVisit] | None = None
    company_limits: Limits | None = None
    model_limits: Limits | None = None


def judge_asked(book: Book, asked: Asked, *, owner: str = "") -> Judgement:
    """Return the judgement that the visit would get if it were stored; nothing is written.

    Parameters
    ----------
    book : Book
        Looked up for what the asker leaves out.
    asked : Asked
        A boiler known to the book by its id or external id, or named by the visit, is the book's
        with every field over it that the asker states.
    owner : str
        Whose external ids are meant.

    Raises
    ------
    NotFound
        If no boiler is stated and the visit names one by an id that is not in the book.
    """
    sql = book.reader
    with one_moment(sql):
        return judge(_case(sql, asked, owner))


def _case(sql: sqlite3.Connection, asked: Asked, owner: str) -> Case:
    known, boiler = _boiler(sql, asked, owner)
    site = asked.site or _site(sql, boiler, owner)
    told = boiler or unknown_boiler(asked.now.visit)
    visit = in_zone(asked.now.visit, boiler, site).model_copy(update={"boiler_id": known})
    row = VisitRow(visit.id or NOT_BEGUN, visit, "open", False, 0, None)
    if asked.history is None:
        past = history(sql, row)
        older = older_service(sql, row, past)
    else:
        before = sorted(
            (
                EarlierVisit(in_zone(one.visit, boiler, site), _points(one, told))
                for one in asked.history
            ),
            key=lambda e: "" if e.visit.started is None else e.visit.started.isoformat(),
        )
        past = before[-HISTORY_VISITS:]
        older = [e.visit for e in before[:-HISTORY_VISITS] if e.visit.service is not None]
    return Case(
        boiler=with_site(told, site),
        visit=with_job(visit, asked.job or _job(sql, visit)),
        points=_points(asked.now, told),
        history=past,
        older_service=older,
        company_limits=asked.company_limits or settings.company_limits(sql),
        model_limits=asked.model_limits,
        plan=asked.plan or plan_of(sql, visit, boiler) or _office_plan(asked),
    )


def _points(one: AskedVisit, boiler: Boiler) -> Sequence[FiringPoint]:
    visit = one.visit
    return firing_points(
        one.readings,
        fuel=visit.fuel or boiler.fuel,
        burner=boiler.burners[0],
        phase=visit.phase or "as_left",
    )


def _boiler(sql: sqlite3.Connection, asked: Asked, owner: str) -> tuple[UUID | None, Boiler | None]:
    """Return the id of the book's boiler, and the boiler as the book and the asker tell it."""
    stated, visit = asked.boiler, asked.now.visit
    if stated is None and visit.boiler_id is not None:
        return visit.boiler_id, places.document(sql, "boiler", visit.boiler_id, Boiler)[0]
    ids = [None if stated is None else stated.id, visit.boiler_id]
    for external in (None if stated is None else stated.external_id, visit.boiler_external_id):
        if external is not None:
            ids.append(places.by_external_id(sql, "boiler", external, owner))
    for identity in filter(None, ids):
        try:
            there, _ = places.document(sql, "boiler", identity, Boiler)
        except NotFound:
            continue
        return identity, there if stated is None else _over(there, stated)
    return None, stated


def _over(there: Boiler, stated: Boiler) -> Boiler:
    fields = set(stated.model_fields_set)
    if not stated.limits.model_fields_set:
        fields.discard("limits")  # reading a document puts empty ones where it has none
    return there.model_copy(update={name: getattr(stated, name) for name in fields})


def _site(sql: sqlite3.Connection, boiler: Boiler | None, owner: str) -> Site | None:
    if boiler is None:
        return None
    identity = boiler.site_id
    if identity is None and boiler.site_external_id is not None:
        identity = places.by_external_id(sql, "site", boiler.site_external_id, owner)
    try:
        return places.document(sql, "site", identity, Site)[0]
    except NotFound:
        return None


def _job(sql: sqlite3.Connection, visit: Visit) -> Job | None:
    try:
        return jobs.job(sql, visit.job_id)[0]
    except NotFound:
        return None


def _office_plan(asked: Asked) -> Plan | None:
    record = asked.now.visit.service
    if record is None or record.plan is None:
        return None
    return plan_named(asked.plans, record.plan, record.plan_version)
