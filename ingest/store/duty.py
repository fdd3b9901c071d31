"""Who is told of a stop, and the stops that still wait for a person."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from uuid import UUID

from ingest.identifiers import new_id
from ingest.store import reach
from ingest.store.book import Change
from ingest.store.errors import NotFound, StateConflict, VersionConflict


@dataclass(frozen=True, slots=True)
class DutyPerson:
    """Somebody who gets a mail when a visit is handed in with a stop."""

    id: UUID
    name: str
    email: str
    version: int


@dataclass(frozen=True, slots=True)
class StandingStop:
    """A visit handed in with a stop that nobody has taken yet."""

    visit_id: UUID
    raised_at: str
    handed_in_by: str
    flags: Sequence[Mapping[str, str]]
    boiler_name: str | None
    site_name: str | None


def people(sql: sqlite3.Connection) -> list[DutyPerson]:
    """Return the duty list by name."""
    rows = sql.execute("SELECT id, name, email, version FROM duty_person ORDER BY name, id")
    return [DutyPerson(UUID(r[0]), r[1], r[2], r[3]) for r in rows]


def person(sql: sqlite3.Connection, person_id: UUID) -> DutyPerson:
    """Return one person of the list."""
    found = next((p for p in people(sql) if p.id == person_id), None)
    if found is None:
        raise NotFound("person on duty", person_id)
    return found


def put_person(
    change: Change, name: str, email: str, person_id: UUID | None, expected: int | None
) -> UUID:
    """Write a person of the list; the same again changes nothing."""
    identity = person_id or new_id()
    there = next((p for p in people(change.sql) if p.id == identity), None)
    if expected is not None and there is not None and expected != there.version:
        raise VersionConflict("person on duty", identity, expected, there.version)
    if there is not None and (there.name, there.email) == (name, email):
        return identity
    change.sql.execute(
        "INSERT INTO duty_person (id, name, email) VALUES (:id, :name, :email) "
        "ON CONFLICT (id) DO UPDATE SET name = excluded.name, email = excluded.email, "
        "version = duty_person.version + 1",
        {"id": str(identity), "name": name, "email": email},
    )
    change.record("duty_person_put", f"duty:{identity}", {"name": name, "email": email})
    return identity


def remove_person(change: Change, person_id: UUID) -> None:
    """Take a person off the list."""
    there = person(change.sql, person_id)
    change.sql.execute("DELETE FROM duty_person WHERE id = :id", {"id": str(person_id)})
    change.record("duty_person_removed", f"duty:{person_id}", {"name": there.name})


def standing_stops(sql: sqlite3.Connection) -> list[StandingStop]:
    """Return the stops within reach that nobody has taken, oldest first."""
    rows = sql.execute(
        "SELECT t.visit_id, t.raised_at, t.handed_in_by, t.flags, b.name, s.name "
        "FROM standing_stop t JOIN visit v ON v.id = t.visit_id "
        "LEFT JOIN boiler b ON b.id = v.boiler_id LEFT JOIN site s ON s.id = b.site_id "
        "WHERE t.taken_at IS NULL ORDER BY t.raised_at, t.id"
    ).fetchall()
    return [
        StandingStop(UUID(r[0]), r[1], r[2], json.loads(r[3]), r[4], r[5])
        for r in rows
        if reach.reaches_visit(sql, r[0])
    ]


def take_stop(change: Change, visit_id: UUID, words: str) -> None:
    """Write who took a standing stop.

    Raises
    ------
    StateConflict
        If somebody else took it, or there was none.
    """
    visit = {"v": str(visit_id)}
    done = change.sql.execute(
        "UPDATE standing_stop SET taken_at = :at, taken_by = :who, words = :words "
        "WHERE visit_id = :v AND taken_at IS NULL",
        {**visit, "at": change.at, "who": change.who, "words": words},
    )
    if done.rowcount == 0:
        last = change.sql.execute(
            "SELECT taken_by, taken_at FROM standing_stop WHERE visit_id = :v "
            "ORDER BY taken_at DESC LIMIT 1",
            visit,
        ).fetchone()
        if last is None:
            raise StateConflict("no stop of this visit waits for a person")
        raise StateConflict(f"{last[0]} took this stop at {last[1]}")
    change.record("stop_taken", f"visit:{visit_id}", {"words": words})
