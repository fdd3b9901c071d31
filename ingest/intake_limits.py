"""A boiler's limits changed with their reason, after a look at what they would have flagged."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, timedelta
from uuid import UUID

from ingest.intake_judging import (
    boiler_and_site,
    history,
    live_points,
    older_service,
    plan_of,
    with_site,
)
from ingest.intake_shapes import Kept, WordsMissing
from ingest.judgement import Case, Flag
from ingest.models import Boiler, Limits, Visit
from ingest.service.job import with_job
from ingest.store import jobs, places, settings, visits
from ingest.store.book import Book, stamp
from ingest.store.visits import VisitRow
from ingest.validator import judge

PREVIEW_DAYS = 365


@dataclass(frozen=True, slots=True)
class Tried:
    """One visit judged twice: by the limits in force and by those asked about.

    Attributes
    ----------
    before, after : sequence of Flag
        All findings each way.
    """

    visit: Visit
    before: Sequence[Flag]
    after: Sequence[Flag]

    @property
    def new(self) -> list[Flag]:
        """Return the findings that only the limits asked about give."""
        known = {(f.rule, f.severity, f.phase, f.firing_rates) for f in self.before}
        return [f for f in self.after if (f.rule, f.severity, f.phase, f.firing_rates) not in known]

    @property
    def gone(self) -> list[Flag]:
        """Return the findings that the limits asked about no longer give."""
        return replace(self, before=self.after, after=self.before).new


class LimitsOfBoilers:
    """What the intake takes about limits."""

    book: Book

    def try_limits(self, boiler_id: UUID, limits: Limits) -> list[Tried]:
        """Judge the last year's finished visits by other limits; nothing is stored.

        Both sides are judged by today's rules, so that only the limits differ.
        """
        sql = self.book.reader
        boiler, _ = places.document(sql, "boiler", boiler_id, Boiler)
        since = stamp(self.book.clock().astimezone(UTC) - timedelta(days=PREVIEW_DAYS))
        other = boiler.model_copy(update={"limits": limits})
        out = []
        for row in reversed(visits.of_boiler(sql, boiler_id)):
            finished = row.imported or row.state in ("handed_in", "accepted")
            if not finished or row.visit.started is None or stamp(row.visit.started) < since:
                continue
            case = self._case(row, boiler)
            before = judge(case).flags
            changed = replace(case, boiler=case.boiler.model_copy(update={"limits": other.limits}))
            out.append(Tried(row.visit, before, judge(changed).flags))
        return out

    def _case(self, row: VisitRow, boiler: Boiler) -> Case:
        sql = self.book.reader
        _, site = boiler_and_site(sql, row.visit)
        return Case(
            boiler=with_site(boiler, site),
            visit=with_job(row.visit, jobs.shared_with(sql, row.id)),
            points=live_points(sql, row.id),
            history=history(sql, row),
            older_service=older_service(sql, row),
            company_limits=settings.company_limits(sql),
            plan=plan_of(sql, row.visit, boiler),
        )

    def keep_limits(
        self, boiler_id: UUID, limits: Limits, who: str, why: str, *, expected_version: int
    ) -> Kept[Boiler]:
        """Write a boiler's limits, with who and why in the trail.

        Visits that are handed in keep the limits that they were judged by.
        """
        if not why.strip():
            raise WordsMissing("say why the limits change")
        with self.book.change(who) as change:
            there, version = places.document(change.sql, "boiler", boiler_id, Boiler)
            boiler = there.model_copy(update={"limits": limits})
            if boiler == there:
                return Kept(there, version)
            owner = places.owner(change.sql, "boiler", boiler_id)
            version = places.put_boiler(change, boiler, owner, expected_version)

            change.record(
                "limits_changed",
                f"boiler:{boiler_id}",
                {
                    "why": why.strip(),
                    "before": there.limits.model_dump(mode="json", exclude_none=True),
                    "after": limits.model_dump(mode="json", exclude_none=True),
                },
            )
        return Kept(boiler, version)
