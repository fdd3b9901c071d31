"""Taking a visit in: its document, its readings, or both in one change that is judged once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from uuid import UUID

from ingest.identifiers import new_id
from ingest.intake_jobs import refuse_other_plant
from ingest.intake_judging import Plant, at_home, boiler_and_site, judge_open, present, stated
from ingest.intake_shapes import OPEN_STATES, Doc, Kept, Statement
from ingest.joining import join_waiting
from ingest.judgement import Judgement
from ingest.models import Visit
from ingest.store import jobs, readings, visits, waiting
from ingest.store.book import Book, Change
from ingest.store.errors import StateConflict, VersionConflict
from ingest.store.visits import VisitRow
from parsers import Reading

Given = Sequence[tuple[UUID | None, Reading]]
"""Readings with the ids that their sender made for them, where it made some."""


@dataclass(frozen=True, slots=True)
class VisitTaken:
    """A visit as the book has it after its document and readings came in together."""

    kept: Kept[Visit]
    ids: Sequence[UUID]
    judgement: Judgement


class Taking:
    """Visits opened, changed and filled."""

    book: Book

    def put_visit(
        self,
        visit: Visit,
        who: str,
        *,
        owner: str = "",
        expected_version: int | None = None,
        imported: bool = False,
    ) -> Kept[Visit]:
        """Open a visit or change its document; the same document again changes nothing.

        Raises
        ------
        NotFound
            If the boiler it names is not in the book.
        StateConflict
            If it is handed in or accepted.
        """
        with self.book.change(who) as change:
            visit, row, plant = self._known(change, visit, owner)
            if row is not None and row.visit == visit:
                return Kept(visit, row.version)
            stored = _written(change, visit, row, owner, expected_version, imported)
            stored = join_waiting(change, stored, owner)
            judge_open(change, stored, plant=plant)
            _record(change, stored, row)
        return Kept(visit, stored.version)

    def take_visit(
        self,
        visit: Visit,
        given: Given,
        who: str,
        *,
        owner: str = "",
        expected_version: int | None = None,
    ) -> VisitTaken:
        """Open or change a visit and take readings into it: one change, judged once.

        The same document with the same readings again changes nothing, where their sender made
        their ids. Readings are added; those that the visit holds already stay.

        Raises
        ------
        NotFound
            If the boiler it names is not in the book.
        parsers.PointsUnclear
            If a reading has no firing rate or phase and the visit states none.
        StateConflict
            If the visit is not open, or an id is taken by another reading.
        """
        with self.book.change(who) as change:
            visit, row, plant = self._known(change, visit, owner)
            ids, fresh = _fresh(change, visit, given, plant)
            same = row is not None and row.visit == visit
            if row is not None and same and not fresh:
                return VisitTaken(Kept(visit, row.version), ids, present(change.sql, row)[1])
            if row is not None and same:
                must_be_open(row)
                visits.check_version(row, expected_version)
                version = visits.touch(change, row)
                stored = row
            else:
                stored = _written(change, visit, row, owner, expected_version, imported=False)
                stored = join_waiting(change, stored, owner)
                version = stored.version
                _record(change, stored, row)
            judgement = self._filled(change, stored, fresh, plant)
        return VisitTaken(Kept(visit, version), ids, judgement)

    def add_readings(
        self,
        visit_id: UUID,
        given: Given,
        who: str,
        *,
        expected_version: int | None = None,
    ) -> tuple[list[UUID], Judgement, int]:
        """Take typed or posted readings into a visit: all or none.

        Ids made by the sender make a repeat harmless. Returns the ids in order, the visit's
        judgement with them, and its version.

        Raises
        ------
        parsers.PointsUnclear
            If a reading has no firing rate or phase and the visit states none.
        StateConflict
            If the visit is not open, or an id is taken by another reading.
        """
        with self.book.change(who) as change:
            row = visits.visit_row(change.sql, visit_id)
            plant = boiler_and_site(change.sql, row.visit)
            ids, fresh = _fresh(change, row.visit, given, plant)
            if not fresh:
                return ids, present(change.sql, row)[1], row.version
            must_be_open(row)
            visits.check_version(row, expected_version)
            judgement = self._filled(change, row, fresh, plant)
            version = visits.touch(change, row)
        return ids, judgement, version

    def holds_few(self, visit_id: UUID | None, owner: str, most: int) -> bool:
        """Return whether so few readings stand under an id, or wait for it, that all is quick."""
        if visit_id is None:
            return True
        sql = self.book.reader
        return readings.at_most(sql, visit_id, most) and waiting.at_most(sql, owner, visit_id, most)

    def _known(
        self, change: Change, visit: Visit, owner: str
    ) -> tuple[Visit, VisitRow | None, Plant]:
        """Return the visit at home in its boiler with an id, its row if known, and its plant."""
        home, plant = at_home(change.sql, visit, owner)
        if home.id is None:
            return with_id(home), None, plant
        if not visits.exists(change.sql, home.id):
            return home, None, plant
        return home, visits.visit_row(change.sql, home.id), plant

    def _filled(
        self, change: Change, row: VisitRow, fresh: Sequence[tuple[UUID, Reading]], plant: Plant
    ) -> Judgement:
        """Add readings that the book does not have yet, and judge the visit with them."""
        if not fresh:
            return judge_open(change, row, plant=plant)[1]
        before = [] if row.empty else [k.reading for k in readings.readings(change.sql, row.id)]
        digest = readings.add_readings(change, row.id, fresh, None, first=row.empty)
        live = [*before, *(reading for _, reading in fresh)]
        _, judgement = judge_open(change, row, live=live, plant=plant)
        change.record(
            "readings_added",
            f"visit:{row.id}",
            {"ids": [str(identity) for identity, _ in fresh], "readings_sha256": digest},
        )
        return judgement


def _written(
    change: Change,
    visit: Visit,
    row: VisitRow | None,
    owner: str,
    expected_version: int | None,
    imported: bool,
) -> VisitRow:
    """Write a visit's document; return it as the book has it now."""
    if row is not None:
        must_be_open(row)
        visits.check_version(row, expected_version)
    elif expected_version:
        raise VersionConflict("visit", visit.id, expected_version, 0)
    stored = visits.write_visit(change, visit, owner=owner, imported=imported, previous=row)
    if visit.job_id is not None:
        refuse_other_plant(change, stored, jobs.job(change.sql, visit.job_id)[0])
    return stored


def _record(change: Change, stored: VisitRow, before: VisitRow | None) -> None:
    change.record(
        "visit_changed" if before else "visit_opened",
        f"visit:{stored.id}",
        {"document": stored.visit.model_dump(mode="json", exclude_none=True)},
    )


def _fresh(
    change: Change, visit: Visit, given: Given, plant: Plant
) -> tuple[list[UUID], list[tuple[UUID, Reading]]]:
    """Return the ids of all readings, and those that the book does not have yet."""
    assert visit.id is not None
    whole = stated([r for _, r in given], Statement(), visit, plant[0], "readings")
    ids = [identity or new_id() for identity, _ in given]
    known = readings.known_ids(change.sql, [identity for identity, _ in given if identity])
    fresh: dict[UUID, Reading] = {}
    for identity, reading in zip(ids, whole, strict=True):
        if identity not in known and identity not in fresh:
            fresh[identity] = reading
            continue
        if identity in fresh:  # the same id twice in one message
            there = readings.identity(visit.id, fresh[identity])
        else:
            there = known[identity]
        if there != readings.identity(visit.id, reading):
            raise StateConflict(
                f"the id {identity} is taken by another reading: supersede that one to correct it, "
                "or send the new one with an id of its own"
            )
    return ids, list(fresh.items())


def with_id(document: Doc) -> Doc:
    """Return the document, with an id made for it where its sender made none."""
    return document if document.id else document.model_copy(update={"id": new_id()})


def must_be_open(row: VisitRow) -> None:
    """Refuse a change of a visit that is out of its technician's hands."""
    if row.state not in OPEN_STATES:
        raise StateConflict(
            f"the visit is {row.state.replace('_', ' ')}; send it back before changing it"
        )
