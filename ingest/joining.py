"""Readings that waited join their visit in the change that brings it."""

from __future__ import annotations

from dataclasses import replace
from uuid import UUID

from ingest.intake_judging import boiler_and_site, stated
from ingest.intake_shapes import Statement
from ingest.store import readings, waiting
from ingest.store.book import Change
from ingest.store.visits import VisitRow
from parsers import ReadError, Reading


def join_waiting(change: Change, row: VisitRow, owner: str) -> VisitRow:
    """Put the readings that an owner sent ahead under their visit; the caller judges it after.

    Returns the visit's row, which is no longer empty where any joined.

    One that cannot join, for want of a rate or for an id that is taken, goes on waiting with the
    reason beside it: nothing that was sent is lost.
    """
    waits = waiting.of_visit(change.sql, owner, row.id)
    if not waits:
        return row
    boiler, _ = boiler_and_site(change.sql, row.visit)
    taken = readings.known_ids(change.sql, [one.id for one in waits])
    fresh: list[tuple[UUID, Reading]] = []
    for one in waits:
        try:
            (whole,) = stated([one.reading], Statement(), row.visit, boiler, "readings")
        except ReadError as error:
            waiting.refused(change, one, " ".join(error.lines()))
            continue
        there = taken.get(one.id)
        if there is None:
            fresh.append((one.id, whole))
        elif there != readings.identity(row.id, whole):
            waiting.refused(change, one, f"the id {one.id} is taken by another reading")
            continue
        waiting.joined(change, one)
    if fresh:
        digest = readings.add_readings(change, row.id, fresh, None)
        change.record(
            "readings_joined",
            f"visit:{row.id}",
            {"ids": [str(identity) for identity, _ in fresh], "readings_sha256": digest},
        )
        return replace(row, empty=False)
    return row
