"""The service part's way into a book: plans, and pictures of a visit."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from uuid import UUID

from ingest.intake_judging import boiler_and_site, plan_of
from ingest.intake_shapes import OPEN_STATES
from ingest.limits_tried import MOST_TRIED, Trial, last_year
from ingest.models import Visit
from ingest.plans_tried import PlanTrial, new_plans, tried_due, tried_visits
from ingest.service.plans import Plan
from ingest.service.taking_in import TakenIn, taken_in
from ingest.store import plans, readings, visits
from ingest.store.book import Book
from ingest.store.errors import StateConflict
from ingest.store.moment import one_moment
from ingest.store.plans import KeptPlan

MAX_PHOTO = 12 * 1024 * 1024
"""Bytes of one picture: more than a telephone writes, less than what makes a report unwieldy."""


class NotAPicture(ValueError):
    """The bytes are no picture that a report can show, or too many."""


@dataclass(frozen=True, slots=True)
class PhotoTaken:
    """A picture as the book has it."""

    attachment_id: UUID
    sha256: str
    media_type: str
    version: int
    already_there: bool = False


@dataclass(frozen=True, slots=True)
class PlanKept:
    """What became of a plan: ``fresh`` where it was not there, and the plans that include it."""

    fresh: bool
    into: Sequence[TakenIn] = ()


def picture_type(data: bytes) -> str | None:
    """Return the media type of a picture by its first bytes, None for anything else.

    >>> picture_type(b"\\x89PNG\\r\\n\\x1a\\n....")
    'image/png'
    >>> picture_type(b"GIF89a") is None
    True
    """
    if data.startswith(b"\x89PNG\r\n\x1a\n"):
        return "image/png"
    if data.startswith(b"\xff\xd8\xff"):
        return "image/jpeg"
    if data[:4] == b"RIFF" and data[8:12] == b"WEBP":
        return "image/webp"
    return None


class ServiceParts:
    """What the intake takes for the service part of visits."""

    book: Book

    def put_plan(self, plan: Plan, who: str) -> bool:
        """Keep a service plan; the same one again changes nothing and returns False.

        Raises
        ------
        StateConflict
            If this version of it is in the book with other content.
        """
        with self.book.change(who) as change:
            return plans.put_plan(change, plan)

    def keep_plan(self, plan: Plan, who: str, known: Mapping[str, Plan]) -> PlanKept:
        """Keep a service plan, and with it the plans that include it, each as a version of its own.

        Parameters
        ----------
        known : mapping of plan key to Plan
            The plans in force, those that are not in the book included.

        Raises
        ------
        StateConflict
            If this version of it is in the book with other content.
        """
        with self.book.change(who) as change:
            into = self._taken_in(change.sql, plan, known)
            if not plans.put_plan(change, plan):
                return PlanKept(False)
            for one in into:
                if not one.problems:
                    plans.put_plan(change, one.plan)
        return PlanKept(True, into)

    def try_plan(
        self,
        plan: Plan,
        known: Mapping[str, Plan],
        *,
        since: date | None = None,
        until: date | None = None,
        take_in: bool = True,
    ) -> PlanTrial:
        """Judge finished visits, and compare what is due, by a plan in place of the present one.

        Nothing is stored. Every visit that followed a version of it, or of a plan that includes
        it, is judged by today's rules with the present version and with the new one, so that only
        the plan differs.

        Parameters
        ----------
        plan : Plan
            With what it includes taken in.
        known : mapping of plan key to Plan
            The plans in force.
        since, until : date or None
            First and last day in UTC; the last year if absent.
        take_in : bool
            Whether plans that include it take it in, as ``keep_plan`` lets them.
        """
        sql = self.book.reader
        today = self.book.today()
        days = last_year(today, since, until)
        with one_moment(sql):
            into = self._taken_in(sql, plan, known) if take_in else []
            changed = new_plans(plan, into)
            then = {**known, **changed}
            rows, finished = visits.finished_between(
                sql, days.begin, days.end, MOST_TRIED, plans=sorted(changed)
            )
            tried, elsewise = tried_visits(sql, rows, known, then)
            comes_due = tried_due(sql, changed.keys(), known, then, today)
        return PlanTrial(Trial(days.first, days.last, finished, tried), elsewise, into, comes_due)

    def _taken_in(
        self, sql: sqlite3.Connection, plan: Plan, known: Mapping[str, Plan]
    ) -> list[TakenIn]:
        return taken_in(plan, known, [kept.plan for kept in plans.versions(sql)])

    def plans(self) -> Mapping[str, Plan]:
        """Return the newest version of each plan by key."""
        return {kept.plan.key: kept.plan for kept in plans.plans(self.book.reader)}

    def plan(self, key: str, version: str | None = None) -> Plan | None:
        """Return a plan of the book in one version, the newest where none is named."""
        return plans.plan(self.book.reader, key, version)

    def plan_versions(self) -> list[KeptPlan]:
        """Return every version of each plan with who brought it in, by key, newest first."""
        return plans.versions(self.book.reader)

    def plan_of(self, visit: Visit) -> Plan | None:
        """Return the plan that a visit's service part is held to, None where the book has none."""
        sql = self.book.reader
        return plan_of(sql, visit, boiler_and_site(sql, visit)[0])

    def served_visits(self, boiler_id: UUID) -> tuple[date | None, list[Visit]]:
        """Return the day of a boiler's first finished visit, and those with a service part."""
        return visits.served(self.book.reader, boiler_id)

    def add_photo(
        self,
        visit_id: UUID,
        data: bytes,
        name: str,
        who: str,
        *,
        caption: str = "",
        expected_version: int | None = None,
    ) -> PhotoTaken:
        """Take a picture into an open visit: bytes untouched, as evidence.

        The same picture again changes nothing and gets the same answer.

        Raises
        ------
        NotAPicture
            If the bytes are neither JPEG, PNG nor WebP, or more than ``MAX_PHOTO``.
        StateConflict
            If the visit is not open, or these bytes are its file of readings.
        """
        media_type = picture_type(data)
        if media_type is None:
            raise NotAPicture("it is no JPEG, PNG or WebP picture")
        if len(data) > MAX_PHOTO:
            raise NotAPicture(f"it is larger than {MAX_PHOTO // (1024 * 1024)} MB")
        with self.book.change(who) as change:
            row = visits.visit_row(change.sql, visit_id)
            sha256 = readings.keep_evidence(change, data)
            for there in readings.attachments(change.sql, visit_id):
                if there.sha256 == sha256 and there.withdrawn_at is None:
                    if there.kind != "photo":
                        raise StateConflict(f"the visit holds these bytes as {there.name}")
                    return PhotoTaken(there.id, sha256, media_type, row.version, True)
            if row.state not in OPEN_STATES:
                raise StateConflict(
                    f"the visit is {row.state.replace('_', ' ')}; send it back before adding to it"
                )
            visits.check_version(row, expected_version)
            statement = {"caption": caption} if caption else {}
            attachment = readings.attach(change, visit_id, sha256, "photo", name, statement)
            version = visits.touch(change, row)
            change.record(
                "photo_added",
                f"visit:{visit_id}",
                {"file": name, "sha256": sha256, "attachment": str(attachment)},
            )
        return PhotoTaken(attachment, sha256, media_type, version)

    def evidence_under(self, visit_id: UUID, sha256: str) -> bytes:
        """Return the untouched bytes of a file that a visit has."""
        return readings.evidence_under(self.book.reader, visit_id, sha256)
