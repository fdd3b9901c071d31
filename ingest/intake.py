"""The one way in: every face hands its sites, boilers, visits, files and readings over here.

Each method is one change of the book: evidence, readings, firing points, judgement and audit line
together, or nothing of it. What cannot be read raises the parser's error before anything is
written.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from typing import Any, Literal
from uuid import UUID

from ingest.figures import Figures
from ingest.intake_coming import Coming
from ingest.intake_cuts import Cuts
from ingest.intake_deciding import Deciding
from ingest.intake_files import FilesTaken
from ingest.intake_handled import HandledFlags, Said
from ingest.intake_jobs import Jobs
from ingest.intake_judging import (
    PROGRAM_VERSION,
    boiler_and_site,
    history,
    judge_open,
    judged,
    limits_of,
    live_points,
    older_service,
)
from ingest.intake_life import Lives
from ingest.intake_limits import LimitsStated
from ingest.intake_notices import Notices
from ingest.intake_plans import PlansInUse
from ingest.intake_service import NotAPicture, PhotoTaken, ServiceParts
from ingest.intake_shapes import (
    OPEN_STATES,
    Decided,
    FileTaken,
    Kept,
    Signing,
    Statement,
    VisitView,
    WordsMissing,
)
from ingest.intake_standing import StandingAcceptances, end_by_part_change
from ingest.intake_taking import VisitTaken, with_id
from ingest.intake_together import AcceptingTogether
from ingest.models import Boiler, Severity, Site
from ingest.store import (
    answers,
    audit,
    jobs,
    judgements,
    lists,
    places,
    readings,
    sentences,
    visits,
)
from ingest.store.behind import parts_behind
from ingest.store.book import Book, Change
from ingest.store.errors import NotFound
from ingest.store.moment import one_moment
from ingest.store.visits import VisitRow

__all__ = [
    "OPEN_STATES",
    "PROGRAM_VERSION",
    "Decided",
    "FileTaken",
    "Intake",
    "Kept",
    "NotAPicture",
    "PhotoTaken",
    "Said",
    "Signing",
    "Statement",
    "VisitTaken",
    "VisitView",
    "WordsMissing",
]


Kind = Literal["site", "boiler", "job", "visit"]


class Intake(
    AcceptingTogether,
    Coming,
    Cuts,
    Deciding,
    FilesTaken,
    HandledFlags,
    Jobs,
    LimitsStated,
    Lives,
    Notices,
    PlansInUse,
    ServiceParts,
    StandingAcceptances,
):
    """The way into one book."""

    def __init__(self, book: Book) -> None:
        self.book = book

    # Sites and boilers

    def put_site(
        self, site: Site, who: str, *, owner: str = "", expected_version: int | None = None
    ) -> Kept[Site]:
        """Write a site; the same document again changes nothing."""
        site = with_id(site)
        with self.book.change(who) as change:
            version = places.put_site(change, site, owner, expected_version)
        return Kept(site, version)

    def put_boiler(
        self, boiler: Boiler, who: str, *, owner: str = "", expected_version: int | None = None
    ) -> Kept[Boiler]:
        """Write a boiler; the same document again changes nothing.

        Raises
        ------
        NotFound
            If the site it names is not in the book.
        """
        boiler = with_id(boiler)
        with self.book.change(who) as change:
            if boiler.site_id is None and boiler.site_external_id is not None:
                site = places.by_external_id(change.sql, "site", boiler.site_external_id, owner)
                if site is None:
                    raise NotFound("site", boiler.site_external_id)
                boiler = boiler.model_copy(update={"site_id": site})
            version = places.put_boiler(change, boiler, owner, expected_version)
            end_by_part_change(change, boiler.id)
            if boiler.external_id is not None:
                for row in visits.unassigned(change.sql, boiler.external_id, owner):
                    self._assign(change, row, boiler, owner)
        return Kept(boiler, version)

    def site(self, site_id: UUID) -> Kept[Site]:
        """Return a site."""
        return Kept(*places.document(self.book.reader, "site", site_id, Site))

    def boiler(self, boiler_id: UUID) -> Kept[Boiler]:
        """Return a boiler."""
        return Kept(*places.document(self.book.reader, "boiler", boiler_id, Boiler))

    def sites(self, change: Change | None = None) -> list[Site]:
        """Return all sites by name; within a change with what it has written."""
        return places.sites(self.book.reader if change is None else change.sql)

    def boilers(self, site_id: UUID | None = None, *, change: Change | None = None) -> list[Boiler]:
        """Return all boilers by name, of one site where given."""
        return places.boilers(self.book.reader if change is None else change.sql, site_id)

    # Visits

    def _assign(self, change: Change, row: VisitRow, boiler: Boiler, owner: str) -> None:
        """Put a visit that waited under its boiler, and judge it by what is now known."""
        visit = row.visit.model_copy(update={"boiler_id": boiler.id})
        row = visits.write_visit(change, visit, owner=owner, imported=row.imported, previous=row)
        details = {"boiler": str(boiler.id)}
        if row.state in OPEN_STATES:
            judge_open(change, row)
        else:
            judgement, limits, plan = judged(change.sql, row, live_points(change.sql, row.id))
            why = "its boiler became known"
            details |= judgements.write_judgement(
                change, row.id, "hand_in", judgement, limits, PROGRAM_VERSION, why, plan
            )
        change.record("visit_assigned", f"visit:{row.id}", details)

    # Reading the book

    def visit(self, visit_id: UUID) -> VisitView:
        """Return one visit with all that hangs under it."""
        sql = self.book.reader
        with one_moment(sql):
            row = visits.visit_row(sql, visit_id)
            boiler, site = boiler_and_site(self.book.reader, row.visit)
            made = judgements.judgements(sql, visit_id)
            decided = [j for j in made if j.kind != "again"][-1]
            points = readings.points_held(sql, visit_id)
            past = history(sql, row)
            return VisitView(
                visit=row.visit,
                state=row.state,
                imported=row.imported,
                version=row.version,
                handed_in_at=row.handed_in_at,
                boiler=boiler,
                site=site,
                points=points,
                judgement=decided.judgement,
                limits=limits_of(sql, row.visit),
                judgements=made,
                attachments=readings.attachments(sql, visit_id),
                read=lambda: readings.readings(self.book.reader, visit_id),
                read_parts=lambda: parts_behind(self.book.reader, visit_id, points),
                history=past,
                older=older_service(sql, row, past),
                job=jobs.shared_with(sql, row.id),
            )

    def visit_key(self, visit_id: UUID) -> tuple[answers.Key, int, bool]:
        """Return by what a whole visit is known, its version, and whether it may be kept so."""
        key, keepable = answers.visit_key(self.book.reader, visit_id)
        return key, int(key[answers.VERSION]), keepable

    def all_readings(self, visit_id: UUID) -> Sequence[readings.KeptReading]:
        """Return every reading of a visit in order, those that no longer stand included."""
        return readings.readings(self.book.reader, visit_id, superseded=True)

    def visit_of_reading(self, reading_id: UUID) -> UUID:
        """Return the visit that a reading belongs to, also of one that is superseded."""
        return readings.reading_owner(self.book.reader, reading_id)[0]

    def trail(self, visit_id: UUID) -> list[dict[str, Any]]:
        """Return the lines of the audit trail about a visit, oldest first."""
        visits.visit_row(self.book.reader, visit_id)
        return audit.trail(self.book.reader, f"visit:{visit_id}")

    def boiler_visits(self, boiler_id: UUID) -> list[VisitRow]:
        """Return every visit of a boiler, newest first, imported and open ones included."""
        places.document(self.book.reader, "boiler", boiler_id, Boiler)
        return visits.of_boiler(self.book.reader, boiler_id)

    def by_external_id(self, kind: Kind, external_id: str, owner: str = "") -> UUID | None:
        """Return the id of what an integrator knows under its own id, None where it is not here."""
        return places.by_external_id(self.book.reader, kind, external_id, owner)

    def review_list(
        self, wanted: lists.Wanted = lists.Wanted(), *, after: str | None = None, most: int = 40
    ) -> list[lists.Listed]:
        """Return visits worst first, then oldest; what stands accepted does not count."""
        self.expire_standings()
        return lists.review_list(self.book.reader, wanted, after=after, most=most)

    def next_to_review(self, visit_id: UUID) -> tuple[UUID, str | None] | None:
        """Return id and boiler's name of the visit to go on to, None where no other one waits."""
        return lists.next_waiting(self.book.reader, visit_id)

    def counts(self, wanted: lists.Wanted = lists.Wanted()) -> Mapping[Severity | None, int]:
        """Return how many visits there are by worst severity."""
        return lists.counts_by_severity(self.book.reader, wanted)

    def figures_behind(self, said: Collection[sentences.Said]) -> Mapping[sentences.Said, Figures]:
        """Return the figures of findings that are at hand as visit and sentence only."""
        return sentences.figures_behind(self.book.reader, said)

    def evidence(self, sha256: str) -> bytes:
        """Return the untouched bytes of a file."""
        return readings.evidence(self.book.reader, sha256)
