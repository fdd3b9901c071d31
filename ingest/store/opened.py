"""Which waiting visits a reviewer has opened, in the state in which they wait."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from uuid import UUID

from ingest.store.book import Change
from ingest.store.named import named


def keep_opened(change: Change, visit_id: UUID, version: int) -> None:
    """Keep that a visit was opened; the first time counts."""
    change.sql.execute(
        "INSERT OR IGNORE INTO opened_first (visit_id, version, opened_at, opened_by) "
        "VALUES (:v, :version, :at, :who)",
        {"v": str(visit_id), "version": version, "at": change.at, "who": change.who},
    )


def was_opened(sql: sqlite3.Connection, visit_id: UUID, version: int) -> bool:
    """Return whether somebody has opened a visit as it is now."""
    found = sql.execute(
        "SELECT 1 FROM opened_first WHERE visit_id = :v AND version = :version",
        {"v": str(visit_id), "version": version},
    ).fetchone()
    return found is not None


def opened_of(sql: sqlite3.Connection, visit_ids: Sequence[UUID]) -> set[UUID]:
    """Return which of these visits somebody has opened as they are now; in one query for all."""
    names, given = named("v", list(map(str, visit_ids)))
    rows = sql.execute(
        "SELECT v.id FROM visit v "
        "JOIN opened_first o ON o.visit_id = v.id AND o.version = v.version "
        f"WHERE v.id IN ({names})",
        given,
    )
    return {UUID(row[0]) for row in rows}
