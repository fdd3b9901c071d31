"""Evidence, readings and firing points of a visit."""

from __future__ import annotations

import hashlib
import json
import sqlite3
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from uuid import UUID

from ingest.identifiers import new_id
from ingest.store import audit, reach
from ingest.store.audit import canonical_json
from ingest.store.book import Change
from ingest.store.errors import NotFound
from ingest.store.held import Held
from ingest.store.named import insert, rows_of_each
from ingest.store.rows import point_from, point_json, reading_from, reading_json
from ingest.store.visits import points_mark
from parsers.model import Reading
from parsers.points import FiringPoint, PointKey


@dataclass(frozen=True, slots=True)
class Attachment:
    """A file under a visit, and what its uploader stated about it."""

    id: UUID
    visit_id: UUID
    sha256: str
    kind: str
    name: str
    statement: Mapping[str, Any]
    size: int
    added_at: str
    added_by: str
    withdrawn_at: str | None = None
    withdrawn_by: str | None = None
    withdrawn_why: str | None = None


@dataclass(frozen=True, slots=True)
class KeptReading:
    """A reading as the book has it, with its id and origin."""

    id: UUID
    reading: Reading
    attachment_id: UUID | None = None
    superseded_by: UUID | None = None
    superseded_at: str | None = None
    superseded_who: str | None = None
    superseded_why: str | None = None


def keep_evidence(change: Change, data: bytes) -> str:
    """Keep untouched bytes once; return their SHA-256."""
    digest = hashlib.sha256(data).hexdigest()
    change.sql.execute(
        "INSERT INTO evidence (sha256, size, data) VALUES (:sha256, :size, :data) "
        "ON CONFLICT (sha256) DO NOTHING",
        {"sha256": digest, "size": len(data), "data": data},
    )
    return digest


def kept_bytes(sql: sqlite3.Connection, sha256: str) -> bytes | None:
    """Return kept bytes, None where there are none; whoever asks has looked at the reach."""
    row = sql.execute("SELECT data FROM evidence WHERE sha256 = :s", {"s": sha256}).fetchone()
    return None if row is None else bytes(row[0])


def evidence(sql: sqlite3.Connection, sha256: str) -> bytes:
    """Return kept bytes."""
    row = sql.execute("SELECT data FROM evidence WHERE sha256 = :s", {"s": sha256}).fetchone()
    if row is None or not _evidence_reached(sql, sha256):
        raise NotFound("evidence", sha256)
    return bytes(row[0])


def _evidence_reached(sql: sqlite3.Connection, sha256: str) -> bool:
    """Return whether some visit within reach holds these bytes."""
    if reach.unbounded():
        return True
    rows = sql.execute("SELECT visit_id FROM attachment WHERE sha256 = :s", {"s": sha256})
    return any(reach.reaches_visit(sql, row[0]) for row in rows.fetchall())


def evidence_under(sql: sqlite3.Connection, visit_id: UUID, sha256: str) -> bytes:
    """Return kept bytes of a file of one visit, without a look at other visits that have it."""
    row = sql.execute(
        "SELECT e.data FROM attachment a JOIN evidence e ON e.sha256 = a.sha256 "
        "WHERE a.visit_id = :v AND a.sha256 = :s LIMIT 1",
        {"v": str(visit_id), "s": sha256},
    ).fetchone()
    if row is None or not reach.reaches_visit(sql, visit_id):
        raise NotFound("evidence", sha256)
    return bytes(row[0])


def attach(
    change: Change, visit_id: UUID, sha256: str, kind: str, name: str, statement: Mapping[str, Any]
) -> UUID:
    """Put a kept file under a visit; return the attachment's id."""
    identity = new_id()
    change.sql.execute(
        "INSERT INTO attachment (id, visit_id, sha256, kind, name, statement, added_at, added_by) "
        "VALUES (:id, :visit_id, :sha256, :kind, :name, :statement, :at, :who)",
        {
            "id": str(identity),
            "visit_id": str(visit_id),
            "sha256": sha256,
            "kind": kind,
            "name": name,
            "statement": canonical_json(statement),
            "at": change.at,
            "who": change.who,
        },
    )
    return identity


def attachments(sql: sqlite3.Connection, visit_id: UUID | str) -> list[Attachment]:
    """Return the files under a visit in the order they came, the withdrawn ones included."""
    rows = sql.execute(
        "SELECT a.id, a.visit_id, a.sha256, a.kind, a.name, a.statement, e.size, a.added_at, "
        "a.added_by, a.withdrawn_at, a.withdrawn_by, a.withdrawn_why FROM attachment a "
        "JOIN evidence e ON e.sha256 = a.sha256 WHERE a.visit_id = :visit_id ORDER BY a.id",
        {"visit_id": str(visit_id)},
    )
    return [
        Attachment(
            id=UUID(r[0]),
            visit_id=UUID(r[1]),
            sha256=r[2],
            kind=r[3],
            name=r[4],
            statement=json.loads(r[5]),
            size=r[6],
            added_at=r[7],
            added_by=r[8],
            withdrawn_at=r[9],
            withdrawn_by=r[10],
            withdrawn_why=r[11],
        )
        for r in rows
    ]


def withdraw(change: Change, attachment: Attachment, why: str) -> None:
    """Take a file's readings out of the visit; nothing of it is deleted."""
    given = {
        "id": str(attachment.id),
        "at": change.at,
        "who": change.who,
        "why": why,
    }
    change.sql.execute(
        "UPDATE attachment SET withdrawn_at = :at, withdrawn_by = :who, withdrawn_why = :why "
        "WHERE id = :id",
        given,
    )
    change.sql.execute(
        "UPDATE reading SET superseded_at = :at, superseded_who = :who, superseded_why = :why "
        "WHERE attachment_id = :id AND superseded_at IS NULL",
        given,
    )


_READING = (
    "id", "visit_id", "attachment_id", "seq", "phase", "burner", "fuel", "firing_rate", "taken",
    "document",
)  # fmt: skip
_POINT = ("visit_id", "burner", "fuel", "phase", "firing_rate", "pass", "seq", "document")


def add_readings(
    change: Change,
    visit_id: UUID,
    readings: Iterable[tuple[UUID, Reading]],
    attachment_id: UUID | None,
    *,
    first: bool = False,
) -> str:
    """Add readings in order; return the SHA-256 over them for the trail.

    ``first`` says that the visit has none yet.

    Raises
    ------
    ValueError
        If a value is not finite.
    """
    visit = str(visit_id)
    last = 0 if first else _last_number(change.sql, visit)
    origin = None if attachment_id is None else str(attachment_id)
    rows = [
        (
            str(identity),
            visit,
            origin,
            last + n,
            reading.phase,
            reading.burner,
            reading.fuel,
            None if reading.firing_rate is None else float(reading.firing_rate),
            None if reading.time is None else reading.time.isoformat(),
            reading_json(reading),
        )
        for n, (identity, reading) in enumerate(readings, start=1)
    ]
    insert(change.sql, "reading", _READING, rows)
    return audit.readings_digest([row[0], *row[3:]] for row in rows)


def at_most(sql: sqlite3.Connection, visit_id: UUID, most: int) -> bool:
    """Return whether a visit has no more readings than this, standing or superseded."""
    found = sql.execute(
        "SELECT 1 FROM reading WHERE visit_id = :v LIMIT 1 OFFSET :most",
        {"v": str(visit_id), "most": most},
    )
    return found.fetchone() is None


def _last_number(sql: sqlite3.Connection, visit: str) -> int:
    found = sql.execute(
        "SELECT COALESCE(MAX(seq), 0) FROM reading WHERE visit_id = :v", {"v": visit}
    ).fetchone()
    return int(found[0])


def readings(
    sql: sqlite3.Connection, visit_id: UUID | str, *, superseded: bool = False
) -> list[KeptReading]:
    """Return a visit's readings in order; the superseded ones only where asked for."""
    rows = sql.execute(
        "SELECT id, attachment_id, phase, burner, fuel, firing_rate, document, superseded_by, "
        "superseded_at, superseded_who, superseded_why FROM reading WHERE visit_id = :v "
        + ("" if superseded else "AND superseded_at IS NULL ")
        + "ORDER BY seq",
        {"v": str(visit_id)},
    )
    return [
        KeptReading(
            UUID(r[0]),
            reading_from(r[6], phase=r[2], burner=r[3], fuel=r[4], firing_rate=r[5]),
            None if r[1] is None else UUID(r[1]),
            None if r[7] is None else UUID(r[7]),
            r[8],
            r[9],
            r[10],
        )
        for r in rows
    ]


def reading_owner(sql: sqlite3.Connection, reading_id: UUID) -> tuple[UUID, bool, str]:
    """Return the visit of a reading, whether it is superseded, and its document."""
    row = sql.execute(
        "SELECT visit_id, superseded_at, document FROM reading WHERE id = :id",
        {"id": str(reading_id)},
    ).fetchone()
    if row is None or not reach.reaches_visit(sql, row[0]):
        raise NotFound("reading", reading_id)
    return UUID(row[0]), row[1] is not None, str(row[2])


Identity = tuple[UUID, str | None, str | None, str | None, float | None, str]


def identity(visit_id: UUID, reading: Reading) -> Identity:
    """Return all that makes two readings the same one."""
    rate = None if reading.firing_rate is None else float(reading.firing_rate)
    return (visit_id, reading.phase, reading.burner, reading.fuel, rate, reading_json(reading))


def known_ids(sql: sqlite3.Connection, ids: Sequence[UUID]) -> dict[UUID, Identity]:
    """Return what the book holds under those ids that it already has."""
    rows = rows_of_each(
        sql,
        "SELECT id, visit_id, phase, burner, fuel, firing_rate, document FROM reading WHERE id IN",
        [str(one) for one in ids],
    )
    return {UUID(r[0]): (UUID(r[1]), r[2], r[3], r[4], r[5], r[6]) for r in rows}


def supersede(change: Change, old: UUID, new: UUID | None, why: str, at: str | None = None) -> None:
    """Mark a reading as replaced, with who, when (now if not stated) and why."""
    change.sql.execute(
        "UPDATE reading SET superseded_by = :new, superseded_at = :at, superseded_who = :who, "
        "superseded_why = :why WHERE id = :old",
        {
            "new": None if new is None else str(new),
            "at": at or change.at,
            "who": change.who,
            "why": why,
            "old": str(old),
        },
    )


def write_points(
    change: Change, visit_id: UUID, points: Sequence[FiringPoint], *, first: bool = False
) -> None:
    """Put a visit's firing points in place of those it had, under a new mark.

    ``first`` says that it had none: then the mark is the one that the visit was written with.
    """
    visit = str(visit_id)
    if not first:
        change.sql.execute(
            "UPDATE visit SET points_stamp = :stamp WHERE id = :v",
            {"stamp": points_mark(), "v": visit},
        )
        change.sql.execute("DELETE FROM point WHERE visit_id = :v", {"v": visit})
    insert(
        change.sql,
        "point",
        _POINT,
        [
            (
                visit,
                p.key.burner,
                p.key.fuel,
                p.key.phase,
                p.key.firing_rate,
                p.key.pass_number,
                n,
                point_json(p),
            )
            for n, p in enumerate(points)
        ],
    )


def points(sql: sqlite3.Connection, visit_id: UUID | str | None) -> list[FiringPoint]:
    """Return a visit's firing points, without their readings."""
    rows = sql.execute(
        "SELECT burner, fuel, phase, firing_rate, pass, document FROM point "
        "WHERE visit_id = :v ORDER BY seq",
        {"v": str(visit_id)},
    )
    return [point_from(PointKey(*r[:5]), r[5]) for r in rows]


def points_held(sql: sqlite3.Connection, visit_id: UUID | str | None) -> Sequence[FiringPoint]:
    """Return a visit's firing points, the same ones again as long as they are as they were."""
    row = sql.execute(
        "SELECT points_stamp FROM visit WHERE id = :v", {"v": str(visit_id)}
    ).fetchone()
    return points_marked(sql, str(visit_id), None if row is None else row[0])


_by_stamp: Held[tuple[FiringPoint, ...]] = Held(2048)


def points_marked(
    sql: sqlite3.Connection, visit_id: str, stamp: str | None
) -> Sequence[FiringPoint]:
    """Return the points of a visit by the mark they carry: read once for a running program."""
    if stamp is None:  # written before points were marked
        return points(sql, visit_id)
    return _by_stamp.get_or_make(stamp, lambda: tuple(points(sql, visit_id)))
