"""Limits of a boiler and of the company: changed with a reason, after a look ahead."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date
from uuid import UUID

from ingest.intake_judging import case_of, live_points
from ingest.intake_shapes import must_say
from ingest.judgement import Case
from ingest.limits import resolve_limits
from ingest.limits_tried import MOST_TRIED, Trial, Tried, last_year, tried
from ingest.models import Boiler, Limits, LimitsDocument
from ingest.store import StateConflict, places, reach, settings, visits
from ingest.store.book import Book
from ingest.store.moment import one_moment
from ingest.store.settings import LimitsChange
from ingest.validator import judge


@dataclass(frozen=True, slots=True)
class StatedLimits:
    """What a boiler or the company states, its version, and its last change with a reason."""

    limits: Limits
    version: int
    changed: LimitsChange | None


def _stated(limits: Limits) -> dict[str, object]:
    return limits.model_dump(mode="json", exclude={"units"}, exclude_none=True)


def _own(limits: Limits) -> Limits:
    """Return limits as a boiler's document holds them: without units of their own."""
    return Limits.model_validate(limits.model_dump(exclude={"units"}, exclude_unset=True))


class LimitsStated:
    """What the intake takes about limits."""

    book: Book

    def boiler_limits(self, boiler_id: UUID) -> StatedLimits:
        """Return what a boiler states itself."""
        sql = self.book.reader
        boiler, version = places.document(sql, "boiler", boiler_id, Boiler)
        changed = settings.boiler_limits_changed(sql, boiler_id)
        return StatedLimits(boiler.limits, version, changed)

    def company_limits(self) -> StatedLimits:
        """Return what the company states for all its boilers; version 0 before the first."""
        sql = self.book.reader
        version, changed = settings.company_limits_changed(sql)
        return StatedLimits(settings.company_limits(sql) or LimitsDocument(), version, changed)

    def preview_time(self) -> tuple[date, date]:
        """Return the first and last day that a preview looks at unless others are asked for."""
        days = last_year(self.book.today())
        return days.first, days.last

    def try_limits(
        self,
        limits: Limits,
        boiler_id: UUID | None = None,
        *,
        since: date | None = None,
        until: date | None = None,
    ) -> Trial:
        """Judge finished visits by other limits of a boiler, or of the company; nothing is stored.

        Both sides are judged by today's rules, so that only the limits differ.

        Parameters
        ----------
        limits : Limits
            In place of the boiler's own, or of the company's where no boiler is named.
        since, until : date or None
            First and last day in UTC; the last year if absent.
        """
        sql = self.book.reader
        if boiler_id is not None:
            places.document(sql, "boiler", boiler_id, Boiler)
        days = last_year(self.book.today(), since, until)
        with one_moment(sql):
            rows, finished = visits.finished_between(
                sql, days.begin, days.end, MOST_TRIED, boiler_id
            )
            tried = []
            for row in rows:
                case = case_of(sql, row, live_points(sql, row.id))
                name = "" if row.visit.boiler_id is None else case.boiler.name
                tried.append(_tried(case, limits, name, company=boiler_id is None))
        return Trial(days.first, days.last, finished, tried)

    def keep_limits(
        self, boiler_id: UUID, limits: Limits, who: str, why: str, *, expected_version: int | None
    ) -> StatedLimits:
        """Write a boiler's limits, with who and why in the trail.

        Visits that are handed in keep the limits that they were judged by.
        """
        why = must_say(why, "why the limits change")
        with self.book.change(who) as change:
            there, _ = places.document(change.sql, "boiler", boiler_id, Boiler)
            boiler = there.model_copy(update={"limits": _own(limits)})
            if _stated(there.limits) != _stated(limits):
                owner = places.owner(change.sql, "boiler", boiler_id)
                places.put_boiler(change, boiler, owner, expected_version)
                change.record(
                    "limits_changed",
                    f"boiler:{boiler_id}",
                    {
                        "why": why,
                        "before": _stated(there.limits),
                        "after": _stated(limits),
                    },
                )
        return self.boiler_limits(boiler_id)

    def keep_company_limits(
        self, limits: LimitsDocument, who: str, why: str, *, expected_version: int | None = None
    ) -> StatedLimits:
        """Write what the company holds all its boilers to, with who and why in the trail.

        The same limits again change nothing.
        """
        why = must_say(why, "why the limits change")
        if not reach.unbounded():
            raise StateConflict("who is held to some sites cannot change what holds for all")
        with self.book.change(who) as change:
            there = settings.company_limits(change.sql) or LimitsDocument()
            if _stated(there) != _stated(limits):
                settings.put_company_limits(change, limits, why, expected_version)
        return self.company_limits()


def _tried(case: Case, limits: Limits, name: str, *, company: bool) -> Tried:
    if company:
        other = replace(case, company_limits=limits)
    else:
        other = replace(case, boiler=case.boiler.model_copy(update={"limits": _own(limits)}))
    now = resolve_limits(case.boiler, company=case.company_limits)
    then = resolve_limits(other.boiler, company=other.company_limits)
    before = judge(case, limits=now).flags
    after = before if then.sha256 == now.sha256 else judge(other, limits=then).flags
    return tried(case, name, before, after)
