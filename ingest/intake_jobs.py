"""Jobs in a book: kept once for the visits of a plant and day, and judged with each of them."""

from __future__ import annotations

from uuid import UUID

from ingest.identifiers import new_id
from ingest.intake_judging import boiler_and_site, judge_open
from ingest.intake_shapes import OPEN_STATES, Kept
from ingest.service.job import Job
from ingest.store import jobs, places, visits
from ingest.store.book import Book, Change
from ingest.store.errors import StateConflict
from ingest.store.visits import VisitRow


class Jobs:
    """What the intake takes for jobs."""

    book: Book

    def put_job(
        self, job: Job, who: str, *, owner: str = "", expected_version: int | None = None
    ) -> Kept[Job]:
        """Write a job; its visits that are still open are judged again with what it now shares.

        The same document again changes nothing. Visits that are handed in keep what it said then.

        Raises
        ------
        NotFound
            If its site is not in the book.
        StateConflict
            If one of its visits is at a boiler of another site.
        """
        job = job if job.id else job.model_copy(update={"id": new_id()})
        assert job.id is not None
        with self.book.change(who) as change:
            before = None
            if places.has(change.sql, "job", job.id):
                before = jobs.job(change.sql, job.id)[1]
            version = jobs.put_job(change, job, owner, expected_version)
            if before != version:
                for visit_id in jobs.visits_of(change.sql, job.id):
                    self._shared_anew(change, visits.visit_row(change.sql, visit_id), job)
        return Kept(job, version)

    def _shared_anew(self, change: Change, row: VisitRow, job: Job) -> None:
        refuse_other_plant(change, row, job)
        if row.state not in OPEN_STATES:
            return
        judge_open(change, row)
        visits.touch(change, row)
        change.record("job_changed", f"visit:{row.id}", {"job": str(job.id)})

    def job(self, job_id: UUID) -> Kept[Job]:
        """Return a job."""
        return Kept(*jobs.job(self.book.reader, job_id))

    def jobs(self, site_id: UUID | None = None) -> list[Job]:
        """Return all jobs, newest day first, of one site where given."""
        return jobs.jobs(self.book.reader, site_id)

    def job_visits(self, job_id: UUID) -> list[VisitRow]:
        """Return the visits of a job, earliest first."""
        sql = self.book.reader
        jobs.job(sql, job_id)
        return [visits.visit_row(sql, identity) for identity in jobs.visits_of(sql, job_id)]


def refuse_other_plant(change: Change, row: VisitRow, job: Job) -> None:
    """Raise StateConflict where a visit is at a boiler of another plant than its job's."""
    boiler, _ = boiler_and_site(change.sql, row.visit)
    site = None if boiler is None else boiler.site_id
    if site is not None and job.site_id is not None and site != job.site_id:
        raise StateConflict(
            f"the visit {row.id} is at {boiler.name if boiler else 'a boiler'}, which stands at "
            "another site than the job's"
        )
