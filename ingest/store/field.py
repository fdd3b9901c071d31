"""Marks of what a field book and its office last had in common."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass
from typing import Literal
from uuid import UUID

from ingest.store.book import Change

Kind = Literal["site", "boiler", "visit"]


@dataclass(frozen=True, slots=True)
class Common:
    """The document's hash when both sides had it, and the field book's version then."""

    sha256: str
    local_version: int


def common(sql: sqlite3.Connection, office: str, kind: Kind, identity: UUID) -> Common | None:
    """Return what both sides last had of a thing."""
    row = sql.execute(
        "SELECT sha256, local_version FROM office_copy "
        "WHERE office = :office AND kind = :kind AND id = :id",
        {"office": office, "kind": kind, "id": str(identity)},
    ).fetchone()
    return None if row is None else Common(row[0], row[1])


def mark(
    change: Change, office: str, kind: Kind, identity: UUID, sha256: str, local_version: int
) -> None:
    """Write that both sides have this now."""
    change.sql.execute(
        "INSERT INTO office_copy (office, kind, id, sha256, local_version, at) "
        "VALUES (:office, :kind, :id, :sha256, :version, :at) "
        "ON CONFLICT (office, kind, id) DO UPDATE SET sha256 = excluded.sha256, "
        "local_version = excluded.local_version, at = excluded.at",
        {
            "office": office,
            "kind": kind,
            "id": str(identity),
            "sha256": sha256,
            "version": local_version,
            "at": change.at,
        },
    )


def own_visits(sql: sqlite3.Connection) -> list[UUID]:
    """Return the visits that were made in this book, oldest first; imported ones are not."""
    rows = sql.execute("SELECT id FROM visit WHERE imported = 0 ORDER BY started, id")
    return [UUID(row[0]) for row in rows]
