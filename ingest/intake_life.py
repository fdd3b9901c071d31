"""A boiler over the years: every finished visit with its points, its parts and findings."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any
from uuid import UUID

from ingest.earlier import EarlierVisit
from ingest.intake_judging import PROGRAM_VERSION
from ingest.intake_shapes import OPEN_STATES
from ingest.limits import LimitSet, resolve_limits
from ingest.models import Boiler, Site, Visit
from ingest.service.findings import open_findings
from ingest.service.models import Finding
from ingest.store import audit, fleet, lists, places, readings, settings, subjects, visits
from ingest.store.book import Book
from ingest.store.fleet import BoilerTrend, FleetBoiler
from ingest.store.visits import VisitRow

MOST_VISITS = 200
"""Visits of a boiler that its life shows, counted from the newest."""

_AT_ONCE = 10
"""Boilers summed up in one change: others who write wait for so many at most."""


@dataclass(frozen=True, slots=True)
class Fitting:
    """A part put into the boiler; ``visit`` is None where its document lists it."""

    day: date
    part: str
    visit: UUID | None = None


@dataclass(frozen=True, slots=True)
class Life:
    """One boiler over the years; ``visits`` are the finished ones, oldest first."""

    boiler: Boiler
    site: Site | None
    limits: LimitSet
    visits: Sequence[EarlierVisit]
    fittings: Sequence[Fitting]
    findings: Sequence[Finding]
    version: int = 0


class Lives:
    """What the intake tells of boilers over time."""

    book: Book

    def life(self, boiler_id: UUID) -> Life:
        """Return a boiler's finished visits with their points, its parts and open findings."""
        sql = self.book.reader
        boiler, version = places.document(sql, "boiler", boiler_id, Boiler)
        site = None
        if boiler.site_id is not None:
            site = places.document(sql, "site", boiler.site_id, Site)[0]
        kept = [
            EarlierVisit(visit, readings.points_marked(sql, identity, mark))
            for identity, visit, mark in visits.earlier(
                sql, boiler_id, lists.NO_TIME, None, MOST_VISITS
            )
        ]
        records = [e.visit.service for e in kept if e.visit.service is not None]
        return Life(
            boiler,
            site,
            resolve_limits(boiler, company=settings.company_limits(sql)),
            kept,
            _fittings(boiler, [e.visit for e in kept]),
            open_findings(records),
            version,
        )

    def named_boilers(
        self, text: str = "", *, skip: int = 0, most: int = 100
    ) -> list[tuple[UUID, str, str]]:
        """Return id, name and site of boilers by site and name; of those that hold a text."""
        return places.named_boilers(self.book.reader, text, skip=skip, most=most)

    def unfinished_visits(self, boiler_id: UUID) -> list[VisitRow]:
        """Return a boiler's visits that are not handed in, newest first."""
        return visits.in_states(self.book.reader, boiler_id, OPEN_STATES)

    def fleet(
        self,
        summed: Callable[[Life], BoilerTrend],
        sort: str = "money",
        worth: float | None = None,
        *,
        skip: int = 0,
        most: int = 100,
    ) -> list[FleetBoiler]:
        """Return all boilers by what they lose; ``summed`` is asked for those not yet summed up.

        ``sort`` and ``worth`` as in ``ingest.store.fleet.rows``.
        """
        self.sum_up(summed)
        return self.fleet_so_far(sort, worth, skip=skip, most=most)

    def fleet_so_far(
        self, sort: str = "money", worth: float | None = None, *, skip: int = 0, most: int = 100
    ) -> list[FleetBoiler]:
        """Return those boilers by what they lose that are summed up already."""
        sql = self.book.reader
        return fleet.rows(sql, PROGRAM_VERSION, sort, worth, skip=skip, most=most)

    def not_summed_up(self) -> int:
        """Return how many boilers are still to be summed up."""
        return fleet.count_missing(self.book.reader, PROGRAM_VERSION)

    def sum_up(self, summed: Callable[[Life], BoilerTrend], *, seconds: float | None = None) -> int:
        """Sum up boilers that are not yet, for so long or all of them; return how many are left.

        Worked out while no other program can change the book, a few at a time, so that what is
        kept is of the visits as they are. Which are missing is asked anew each time: several may do
        this at once, and one that is killed loses the few it was at. It is no act of anyone, and
        has no line in the trail.
        """
        ends = None if seconds is None else time.monotonic() + seconds
        while fleet.missing(self.book.reader, PROGRAM_VERSION, 1):
            with self.book.change("fluebook") as change:
                for boiler_id in fleet.missing(change.sql, PROGRAM_VERSION, _AT_ONCE):
                    trend = summed(self.life(boiler_id))
                    fleet.keep(change, boiler_id, PROGRAM_VERSION, trend)
            if ends is not None and time.monotonic() >= ends:
                return self.not_summed_up()
        return 0

    def trail_lines(
        self, *, before: int | None = None, who: str = "", most: int = 100
    ) -> list[dict[str, Any]]:
        """Return the newest lines of the whole trail, older than a line where given."""
        return [audit.line_of(row) for row in self.trail_rows(before=before, who=who, most=most)]

    def trail_rows(
        self, *, before: int | None = None, who: str = "", most: int = 100
    ) -> list[audit.TrailRow]:
        """Return the same lines as the book has them, their details not yet read."""
        return audit.newest(self.book.reader, before=before, who=who, most=most)

    def names_of(self, rows: Sequence[audit.TrailRow]) -> dict[str, subjects.Subject]:
        """Return the names of what lines of the trail are about, by their subject."""
        return subjects.names_of(self.book.reader, (row.subject for row in rows))


def _fittings(boiler: Boiler, history: Sequence[Visit]) -> list[Fitting]:
    found = [Fitting(p.installed, p.part) for p in boiler.parts]
    for visit in history:
        if visit.service is None or visit.started is None:
            continue
        for task in visit.service.tasks:
            for part in task.replaced:
                found.append(Fitting(visit.started.date(), part.part, visit.id))
    return sorted(found, key=lambda f: (f.day, f.part))
