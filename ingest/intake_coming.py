"""A visit that nobody has begun yet, as it would be: for pages that are kept for a cellar."""

from __future__ import annotations

from datetime import datetime
from uuid import UUID

from ingest.intake_judging import boiler_and_site, history, judged, older_service
from ingest.intake_shapes import VisitView
from ingest.models import Visit
from ingest.store.book import Book
from ingest.store.moment import one_moment
from ingest.store.visits import VisitRow

NOT_BEGUN = UUID(int=0)
"""The id of a visit that nobody has begun: the nil UUID of RFC 9562 (memory)."""


class Coming:
    """What the intake tells of a boiler's next visit."""

    book: Book

    def coming_visit(self, boiler_id: UUID, started: datetime) -> VisitView:
        """Return a boiler's visit as it is on being begun; nothing is written.

        Raises
        ------
        NotFound
            If there is no such boiler.
        """
        sql = self.book.reader
        with one_moment(sql):
            visit = Visit(id=NOT_BEGUN, boiler_id=boiler_id, started=started)
            row = VisitRow(NOT_BEGUN, visit, "open", False, 0, None)
            boiler, site = boiler_and_site(sql, visit)
            judgement, limits, _ = judged(sql, row, ())
            past = history(sql, row)
            return VisitView(
                visit=visit,
                state=row.state,
                imported=row.imported,
                version=row.version,
                handed_in_at=row.handed_in_at,
                boiler=boiler,
                site=site,
                points=(),
                judgement=judgement,
                limits=limits,
                history=past,
                older=older_service(sql, row, past),
            )
