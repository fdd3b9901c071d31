"""Readings sent in batches: all or none, or each on its own; and those that come too early."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal
from uuid import UUID

from ingest.identifiers import new_id
from ingest.intake import Intake
from ingest.intake_judging import boiler_and_site, present, stated
from ingest.intake_shapes import OPEN_STATES, Statement
from ingest.judgement import Judgement
from ingest.store import readings, visits, waiting
from ingest.store.errors import StateConflict
from ingest.store.waiting import WaitingReading
from parsers import ReadError, Reading

Became = Literal["stored", "already_there", "waiting", "refused"]


@dataclass(frozen=True, slots=True)
class ItemResult:
    """What became of one reading of a batch."""

    id: UUID | None
    became: Became
    problem: Exception | None = None


def is_known(intake: Intake, visit_id: UUID) -> bool:
    """Return whether the book has a visit, within reach or not."""
    return visits.exists(intake.book.reader, visit_id)


def there_already(intake: Intake, ids: Sequence[UUID | None]) -> set[UUID]:
    """Return which of these ids the book has readings under."""
    return set(readings.known_ids(intake.book.reader, [one for one in ids if one is not None]))


def add_each(
    intake: Intake,
    visit_id: UUID,
    given: Sequence[tuple[UUID | None, Reading]],
    who: str,
    *,
    expected_version: int | None = None,
) -> tuple[list[ItemResult], Judgement, int]:
    """Take what can be taken of a batch; return each one's result, judgement and version.

    Those that are taken are one change, judged once.
    """
    results: list[ItemResult] = []
    with intake.book.change(who) as change:
        row = visits.visit_row(change.sql, visit_id)
        visits.check_version(row, expected_version)
        boiler, _ = boiler_and_site(change.sql, row.visit)
        known = readings.known_ids(change.sql, [one for one, _ in given if one is not None])
        fresh: list[tuple[UUID, Reading]] = []
        for identity, reading in given:
            try:
                (whole,) = stated([reading], Statement(), row.visit, boiler, "readings")
                same = readings.identity(visit_id, whole)
                if identity is not None and identity in known:
                    if known[identity] != same:
                        raise StateConflict(f"the id {identity} is taken by another reading")
                    results.append(ItemResult(identity, "already_there"))
                    continue
                if row.state not in OPEN_STATES:
                    raise StateConflict(
                        f"the visit is {row.state.replace('_', ' ')}; send it back before changing"
                    )
            except (ReadError, StateConflict) as error:
                results.append(ItemResult(identity, "refused", error))
                continue
            made = identity or new_id()
            known[made] = same
            fresh.append((made, whole))
            results.append(ItemResult(made, "stored"))
        if not fresh:
            return results, present(change.sql, row)[1], row.version
        _, judgement, version = intake.add_readings(visit_id, fresh, who)
    return results, judgement, version


def wait(
    intake: Intake,
    visit_id: UUID,
    given: Sequence[tuple[UUID | None, Reading]],
    who: str,
    *,
    owner: str,
) -> list[ItemResult]:
    """Keep readings whose visit is not there yet: all of them, or none.

    Raises
    ------
    StateConflict
        If an id of one is taken by another reading that waits for the same visit.
    """
    results: list[ItemResult] = []
    with intake.book.change(who) as change:
        known = waiting.known(change.sql, owner, visit_id)
        fresh: list[tuple[UUID, Reading]] = []
        for identity, reading in given:
            document = waiting.document_of(reading)
            if identity is not None and identity in known:
                if known[identity] != document:
                    raise StateConflict(f"the id {identity} is taken by another reading")
                results.append(ItemResult(identity, "already_there"))
                continue
            made = identity or new_id()
            known[made] = document
            fresh.append((made, reading))
            results.append(ItemResult(made, "waiting"))
        if fresh:
            waiting.keep(change, owner, visit_id, fresh)
            change.record(
                "readings_waiting",
                f"visit:{visit_id}",
                {"owner": owner, "readings": {str(i): waiting.document_of(r) for i, r in fresh}},
            )
    return results


def waiting_readings(intake: Intake, owner: str) -> list[WaitingReading]:
    """Return what waits for its visit, with the reason where the visit has come already."""
    return waiting.all_waiting(intake.book.reader, owner)
