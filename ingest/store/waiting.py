"""Readings that came before their visit: kept as they came until the visit is there."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any
from uuid import UUID

from ingest.store import reach
from ingest.store.audit import canonical_json
from ingest.store.book import Change
from ingest.store.rows import reading_from, reading_json
from parsers.model import Reading


@dataclass(frozen=True, slots=True)
class WaitingReading:
    """A reading without its visit.

    Attributes
    ----------
    problem : str or None
        Why it could not join the visit, where the visit has come.
    """

    id: UUID
    visit_id: UUID
    owner: str
    reading: Reading
    sent_at: str
    sent_by: str
    problem: str | None


def document_of(reading: Reading) -> str:
    """Return a reading as it is kept while it waits."""
    return canonical_json(
        {
            "phase": reading.phase,
            "burner": reading.burner,
            "fuel": reading.fuel,
            "firing_rate": None if reading.firing_rate is None else float(reading.firing_rate),
            "document": reading_json(reading),
        }
    )


def known(sql: sqlite3.Connection, owner: str, visit_id: UUID) -> dict[UUID, str]:
    """Return the documents of all readings that an owner sent before a visit, by their id."""
    rows = sql.execute(
        "SELECT id, document FROM waiting_readings WHERE owner = :owner AND visit_id = :visit",
        {"owner": owner, "visit": str(visit_id)},
    )
    return {UUID(row[0]): row[1] for row in rows}


def keep(change: Change, owner: str, visit_id: UUID, given: Sequence[tuple[UUID, Reading]]) -> None:
    """Keep readings in the order they came."""
    last = change.sql.execute(
        "SELECT COALESCE(MAX(number), 0) FROM waiting_readings "
        "WHERE owner = :owner AND visit_id = :visit",
        {"owner": owner, "visit": str(visit_id)},
    ).fetchone()[0]
    change.sql.executemany(
        "INSERT INTO waiting_readings (owner, visit_id, id, number, sent_at, sent_by, document) "
        "VALUES (?, ?, ?, ?, ?, ?, ?)",
        [
            (owner, str(visit_id), str(one), last + n, change.at, change.who, document_of(reading))
            for n, (one, reading) in enumerate(given, start=1)
        ],
    )


def of_visit(sql: sqlite3.Connection, owner: str, visit_id: UUID) -> list[WaitingReading]:
    """Return the readings that wait for a visit of the same owner, in the order they came."""
    return _waiting(
        sql,
        "AND owner = :owner AND visit_id = :visit",
        {"owner": owner, "visit": str(visit_id)},
    )


def at_most(sql: sqlite3.Connection, owner: str, visit_id: UUID, most: int) -> bool:
    """Return whether no more readings than this were sent before a visit by the same owner."""
    found = sql.execute(
        "SELECT 1 FROM waiting_readings WHERE owner = :owner AND visit_id = :visit "
        "LIMIT 1 OFFSET :most",
        {"owner": owner, "visit": str(visit_id), "most": most},
    )
    return found.fetchone() is None


def all_waiting(sql: sqlite3.Connection, owner: str) -> list[WaitingReading]:
    """Return what waits: everything, or an owner's own for whoever is held to some sites."""
    if reach.unbounded():
        return _waiting(sql, "", {})
    return _waiting(sql, "AND owner = :owner AND :owner <> ''", {"owner": owner})


def _waiting(
    sql: sqlite3.Connection, condition: str, given: dict[str, Any]
) -> list[WaitingReading]:
    rows = sql.execute(
        "SELECT id, visit_id, owner, document, sent_at, sent_by, problem FROM waiting_readings "
        f"WHERE joined_at IS NULL {condition} ORDER BY owner, visit_id, number",
        given,
    )
    return [
        WaitingReading(UUID(r[0]), UUID(r[1]), r[2], _reading(r[3]), r[4], r[5], r[6]) for r in rows
    ]


def _reading(text: str) -> Reading:
    found = json.loads(text)
    return reading_from(
        found["document"],
        phase=found["phase"],
        burner=found["burner"],
        fuel=found["fuel"],
        firing_rate=found["firing_rate"],
    )


def joined(change: Change, one: WaitingReading) -> None:
    """Mark a reading as one that is now under its visit."""
    change.sql.execute(
        "UPDATE waiting_readings SET joined_at = :at, problem = NULL "
        "WHERE owner = :owner AND visit_id = :visit AND id = :id",
        {"at": change.at, "owner": one.owner, "visit": str(one.visit_id), "id": str(one.id)},
    )


def refused(change: Change, one: WaitingReading, problem: str) -> None:
    """Say why a reading could not join its visit; it goes on waiting."""
    change.sql.execute(
        "UPDATE waiting_readings SET problem = :problem "
        "WHERE owner = :owner AND visit_id = :visit AND id = :id",
        {
            "problem": problem,
            "owner": one.owner,
            "visit": str(one.visit_id),
            "id": str(one.id),
        },
    )
