"""Marks of what a field book and its office last had in common."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass
from typing import Literal
from uuid import UUID

from ingest.store.book import Change

Kind = Literal["site", "boiler", "job", "visit", "past_visit", "map", "limits", "cut"]
"""``past_visit``: one that was fetched, by its state and version at the office. ``cut``: of a log,
by the office's corrections up to where both cuts were the same, and how many this book had then."""


@dataclass(frozen=True, slots=True)
class Common:
    """The document's hash when both sides had it, and the field book's version then."""

    sha256: str
    local_version: int


def common(sql: sqlite3.Connection, office: str, kind: Kind, identity: UUID | str) -> Common | None:
    """Return what both sides last had of a thing."""
    row = sql.execute(
        "SELECT sha256, local_version FROM office_copy "
        "WHERE office = :office AND kind = :kind AND id = :id",
        {"office": office, "kind": kind, "id": str(identity)},
    ).fetchone()
    return None if row is None else Common(row[0], row[1])


def mark(
    change: Change,
    office: str,
    kind: Kind,
    identity: UUID | str,
    sha256: str,
    local_version: int,
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


FETCHED_AS = "office-{}.json"
"""Name of the file in which a fetched past visit is kept."""


@dataclass(frozen=True, slots=True)
class Staying:
    """How many things stand in a book that no field book sends: the office's own acts and lists."""

    past_visits: int
    waiting_readings: int
    standing_acceptances: int
    stops_taken: int
    accepted: int


def staying(sql: sqlite3.Connection) -> Staying:
    """Return what a book holds that does not go up."""
    one = {
        "past_visits": "visit v WHERE v.imported = 1 AND NOT EXISTS (SELECT 1 FROM attachment a "
        "WHERE a.visit_id = v.id AND a.name = REPLACE(:fetched_as, '{}', v.id))",
        "waiting_readings": "waiting_readings WHERE joined_at IS NULL",
        "standing_acceptances": "standing_acceptance",
        "stops_taken": "standing_stop WHERE taken_at IS NOT NULL",
        "accepted": "audit WHERE action = 'accepted' AND who NOT LIKE 'office: %'",
    }
    given = {"fetched_as": FETCHED_AS}
    counts = {
        name: int(sql.execute(f"SELECT COUNT(*) FROM {what}", given).fetchone()[0])
        for name, what in one.items()
    }
    return Staying(**counts)
