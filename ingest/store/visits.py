"""Visits: their document, state and version."""

from __future__ import annotations

import secrets
import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any
from uuid import UUID

from ingest.models import Visit, VisitState
from ingest.service.job import Job, with_job
from ingest.store import jobs, places, reach
from ingest.store.book import Change, stamp
from ingest.store.errors import NotFound, VersionConflict
from ingest.store.held import document_of
from ingest.store.named import named


@dataclass(frozen=True, slots=True)
class VisitRow:
    """A visit as the book has it.

    Attributes
    ----------
    empty : bool
        True in the change that opens the visit, while nothing hangs under it: then nothing need be
        looked for nor taken away.
    """

    id: UUID
    visit: Visit
    state: VisitState
    imported: bool
    version: int
    handed_in_at: str | None
    empty: bool = False


_COLUMNS = "id, document, state, imported, version, handed_in_at"


def visit_row(sql: sqlite3.Connection, visit_id: UUID | str | None) -> VisitRow:
    """Return one visit."""
    row = sql.execute(
        f"SELECT {_COLUMNS} FROM visit WHERE id = :id", {"id": str(visit_id)}
    ).fetchone()
    if row is None or not reach.reaches_visit(sql, row[0]):
        raise NotFound("visit", visit_id)
    return _row(row)


def _row(row: Any) -> VisitRow:
    visit = document_of(Visit, row[1])
    return VisitRow(UUID(row[0]), visit, row[2], bool(row[3]), row[4], row[5])


def exists(sql: sqlite3.Connection, visit_id: UUID | None) -> bool:
    """Return whether the book has a visit."""
    return (
        sql.execute("SELECT 1 FROM visit WHERE id = :id", {"id": str(visit_id)}).fetchone()
        is not None
    )


def write_visit(
    change: Change, visit: Visit, *, owner: str, imported: bool, previous: VisitRow | None
) -> VisitRow:
    """Write a visit's document, which has its id; return it as the book has it now."""
    assert visit.id is not None
    places.refuse_taken(change.sql, "visit", visit.id, visit.external_id, owner)
    if visit.job_id is not None:
        jobs.ensure_job(change, visit.job_id)
    state = "open" if previous is None else previous.state
    version = 1 if previous is None else previous.version + 1
    row = {
        "id": str(visit.id),
        "boiler_id": None if visit.boiler_id is None else str(visit.boiler_id),
        "job_id": None if visit.job_id is None else str(visit.job_id),
        "owner": owner,
        "external_id": visit.external_id,
        "state": state,
        "imported": int(imported),
        "started": None if visit.started is None else stamp(visit.started),
        "technician": visit.technician,
        "boiler_external_id": visit.boiler_external_id,
        "document": visit.model_dump_json(exclude_none=True),
        "version": version,
        "changed_at": change.at,
    }
    if previous is None:
        row["points_stamp"] = points_mark()
    names = list(row)
    change.sql.execute(
        f"INSERT INTO visit ({', '.join(names)}) VALUES ({', '.join(':' + n for n in names)}) "
        "ON CONFLICT (id) DO UPDATE SET "
        + ", ".join(f"{n} = excluded.{n}" for n in names if n not in ("id", "owner", "imported")),
        row,
    )
    return VisitRow(
        visit.id,
        visit,
        state,
        imported if previous is None else previous.imported,
        version,
        None if previous is None else previous.handed_in_at,
        empty=previous is None,
    )


def points_mark() -> str:
    """Return a mark that no other points in any book have.

    What is kept under it is never stale, and the mark of a change that was undone is never seen
    again.
    """
    return secrets.token_hex(16)


def unassigned(sql: sqlite3.Connection, boiler_external_id: str, owner: str) -> list[VisitRow]:
    """Return the visits that wait for the boiler that an owner knows under this id."""
    rows = sql.execute(
        f"SELECT {_COLUMNS} FROM visit WHERE boiler_id IS NULL AND owner = :owner "
        "AND boiler_external_id = :external_id ORDER BY started, id",
        {"owner": owner, "external_id": boiler_external_id},
    )
    return [_row(r) for r in rows]


def of_boiler(sql: sqlite3.Connection, boiler_id: UUID) -> list[VisitRow]:
    """Return every visit of a boiler, newest first."""
    rows = sql.execute(
        f"SELECT {_COLUMNS} FROM visit WHERE boiler_id = :boiler_id ORDER BY started DESC, id DESC",
        {"boiler_id": str(boiler_id)},
    )
    return [_row(r) for r in rows]


def in_states(
    sql: sqlite3.Connection, boiler_id: UUID, states: Sequence[VisitState]
) -> list[VisitRow]:
    """Return a boiler's visits in some states, newest first, without those from another book."""
    inside, given = named("state", states)
    rows = sql.execute(
        f"SELECT {_COLUMNS} FROM visit WHERE boiler_id = :boiler_id AND NOT imported "
        f"AND state IN ({inside}) ORDER BY started DESC, id DESC",
        {"boiler_id": str(boiler_id), **given},
    )
    return [_row(r) for r in rows]


def served(sql: sqlite3.Connection, boiler_id: UUID) -> tuple[date | None, list[Visit]]:
    """Return the day of a boiler's first finished visit, and those with a service part in order.

    A visit's day is that of its end, or of its start, at its own place. Visits without a service
    part are not read: that is most of a long life.
    """
    finished = "boiler_id = :boiler_id AND (imported = 1 OR state IN ('handed_in', 'accepted'))"
    given = {"boiler_id": str(boiler_id)}
    first = sql.execute(
        "SELECT MIN(SUBSTR(COALESCE(json_extract(document, '$.ended'), "
        f"json_extract(document, '$.started')), 1, 10)) FROM visit WHERE {finished}",
        given,
    ).fetchone()[0]
    rows = sql.execute(
        f"SELECT document FROM visit WHERE {finished} "
        "AND json_extract(document, '$.service') IS NOT NULL ORDER BY started, id",
        given,
    )
    visits = [document_of(Visit, row[0]) for row in rows]
    return None if first is None else date.fromisoformat(first), visits


_FOLLOWS = (
    "(json_extract(document, '$.service.plan') IN ({keys}) "
    "OR json_extract(document, '$.service') IS NOT NULL "
    "AND json_extract(document, '$.service.plan') IS NULL AND EXISTS ("
    "SELECT 1 FROM boiler WHERE boiler.id = visit.boiler_id "
    "AND json_array_length(boiler.document, '$.plans') = 1 "
    "AND json_extract(boiler.document, '$.plans[0]') IN ({keys})))"
)


def finished_between(
    sql: sqlite3.Connection,
    since: str,
    until: str,
    most: int,
    boiler_id: UUID | None = None,
    plans: Sequence[str] | None = None,
) -> tuple[list[VisitRow], int]:
    """Return finished or imported visits begun in a time, newest first, and how many there are.

    Parameters
    ----------
    since, until : str
        Times as the book keeps them, both inside.
    most : int
        Visits returned; all are counted.
    boiler_id : UUID or None
        Of one boiler only.
    plans : sequence of str or None
        Only those whose service part follows one of these plans, by key: it names it, or names none
        and its boiler is kept by that one alone.
    """
    where = [
        "started >= :since AND started <= :until",
        "(imported = 1 OR state IN ('handed_in', 'accepted'))",
    ]
    given: dict[str, Any] = {"since": since, "until": until, "most": most}
    if boiler_id is not None:
        where.append("boiler_id = :boiler_id")
        given["boiler_id"] = str(boiler_id)
    if plans is not None:
        keys, named_keys = named("plan", plans)
        where.append(_FOLLOWS.format(keys=keys))
        given |= named_keys
    held = reach.where_visits("boiler_id", "owner")
    if held is not None:
        where.append(held[0])
        given |= held[1]
    condition = " AND ".join(where)
    rows = sql.execute(
        f"SELECT {_COLUMNS} FROM visit WHERE {condition} "
        "ORDER BY started DESC, id DESC LIMIT :most",
        given,
    )
    found = [_row(r) for r in rows]
    if len(found) < most:
        return found, len(found)
    counted = sql.execute(f"SELECT COUNT(*) FROM visit WHERE {condition}", given)
    return found, int(counted.fetchone()[0])


def check_version(row: VisitRow, expected: int | None) -> None:
    """Refuse a change that was decided on an older version."""
    if expected is not None and expected != row.version:
        raise VersionConflict("visit", row.visit.id, expected, row.version)


def set_state(change: Change, row: VisitRow, state: VisitState) -> int:
    """Move a visit to a state; return its new version."""
    change.sql.execute(
        "UPDATE visit SET state = :state, version = :version, changed_at = :at, handed_in_at = "
        "CASE WHEN :state = 'handed_in' THEN :at ELSE handed_in_at END WHERE id = :id",
        {
            "state": state,
            "version": row.version + 1,
            "at": change.at,
            "id": str(row.visit.id),
        },
    )
    return row.version + 1


def touch(change: Change, row: VisitRow) -> int:
    """Count a change of what hangs under a visit; return its new version."""
    change.sql.execute(
        "UPDATE visit SET version = :version, changed_at = :at WHERE id = :id",
        {"version": row.version + 1, "at": change.at, "id": str(row.visit.id)},
    )
    return row.version + 1


_BEFORE = (
    "FROM visit WHERE boiler_id = :boiler_id AND started < :before AND id <> :but "
    "AND (imported = 1 OR state IN ('handed_in', 'accepted')) ORDER BY started DESC, id DESC "
)


def earlier(
    sql: sqlite3.Connection, boiler_id: UUID, before: str, but: UUID | None, most: int
) -> list[tuple[str, Visit, str | None]]:
    """Return the boiler's last finished or imported visits before a time, oldest first.

    Each with its id and the mark of its firing points, and filled from its job as it was then.
    """
    rows = sql.execute(
        f"SELECT id, document, points_stamp, job_document {_BEFORE}LIMIT :most",
        {"boiler_id": str(boiler_id), "before": before, "but": str(but), "most": most},
    ).fetchall()
    return [(row[0], _filled(row[1], row[3]), row[2]) for row in reversed(rows)]


def older_service(
    sql: sqlite3.Connection, boiler_id: UUID, before: str, but: UUID | None, skip: int
) -> list[Visit]:
    """Return the visits with a service part that ``earlier`` leaves out, oldest first."""
    rows = sql.execute(
        "SELECT document, job_document FROM "
        f"(SELECT id, started, document, job_document {_BEFORE}LIMIT -1 OFFSET :skip) "
        "WHERE json_extract(document, '$.service') IS NOT NULL ORDER BY started, id",
        {"boiler_id": str(boiler_id), "before": before, "but": str(but), "skip": skip},
    )
    return [_filled(row[0], row[1]) for row in rows]


def _filled(document: str, shared: str | None) -> Visit:
    visit = document_of(Visit, document)
    return visit if shared is None else with_job(visit, document_of(Job, shared))
