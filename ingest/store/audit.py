"""The trail: one line for every change, each holding the hash of the line before it.

A line's hash is SHA-256 over the canonical JSON of its fields and the previous hash. The head (last
number and hash) is kept apart, so that cutting off the end shows too.
"""

from __future__ import annotations

import hashlib
import json
import sqlite3
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

# Made once: the library makes an encoder with every call that asks for anything but its defaults.
_encoded = json.JSONEncoder(sort_keys=True, separators=(",", ":"), ensure_ascii=False).encode
START = "0" * 64
_HEAD = "audit_head"


@dataclass(frozen=True, slots=True)
class AuditFinding:
    """Something in the book that is not as it was written."""

    where: str
    what: str


def canonical_json(value: Any) -> str:
    """Return JSON with one spelling for one value."""
    return _encoded(value)


def _hash(
    seq: int, at: str, who: str, action: str, subject: str, details: str, previous: str
) -> str:
    text = canonical_json([seq, at, who, action, subject, details, previous])
    return hashlib.sha256(text.encode()).hexdigest()


def readings_digest(rows: Iterable[Sequence[Any]]) -> str:
    """Return the SHA-256 over rows of readings: id, seq, phase, burner, fuel, rate, time, text."""
    digest = hashlib.sha256()
    for row in rows:
        digest.update(canonical_json(list(row)).encode())
    return digest.hexdigest()


def first_hash(sql: sqlite3.Connection) -> str:
    """Return the hash of the trail's first line, which no other book has; "" in an empty book."""
    row = sql.execute("SELECT hash FROM audit ORDER BY seq LIMIT 1").fetchone()
    return "" if row is None else str(row[0])


def append(
    connection: sqlite3.Connection,
    *,
    at: str,
    who: str,
    action: str,
    subject: str,
    details: Mapping[str, Any],
) -> int:
    """Add a line to the trail inside the change's own transaction; return its number."""
    head = _head(connection)
    seq, previous = head[0] + 1, head[1]
    text = canonical_json(details)
    digest = _hash(seq, at, who, action, subject, text, previous)
    connection.execute(
        "INSERT INTO audit (seq, at, who, action, subject, details, previous, hash) VALUES "
        "(:seq, :at, :who, :action, :subject, :details, :previous, :hash)",
        {
            "seq": seq,
            "at": at,
            "who": who,
            "action": action,
            "subject": subject,
            "details": text,
            "previous": previous,
            "hash": digest,
        },
    )
    connection.execute(
        "INSERT INTO setting (key, value) VALUES (:key, :value) "
        "ON CONFLICT (key) DO UPDATE SET value = excluded.value",
        {"key": _HEAD, "value": canonical_json([seq, digest])},
    )
    return seq


def _head(connection: sqlite3.Connection) -> tuple[int, str]:
    row = connection.execute(
        "SELECT value FROM setting WHERE key = :key", {"key": _HEAD}
    ).fetchone()
    if row is None:
        return 0, START
    seq, digest = json.loads(row[0])
    return int(seq), str(digest)


def trail(connection: sqlite3.Connection, subject: str | None = None) -> list[dict[str, Any]]:
    """Return the lines of the trail in order, of one subject where given."""
    where = "" if subject is None else " WHERE subject = :subject"
    rows = connection.execute(
        "SELECT seq, at, who, action, subject, details, hash FROM audit" + where + " ORDER BY seq",
        {"subject": subject} if subject is not None else {},
    )
    return [
        {
            "seq": r[0],
            "at": r[1],
            "who": r[2],
            "action": r[3],
            "subject": r[4],
            "details": json.loads(r[5]),
            "hash": r[6],
        }
        for r in rows
    ]


def newest(
    connection: sqlite3.Connection, *, before: int | None = None, who: str = "", most: int = 100
) -> list[dict[str, Any]]:
    """Return the newest lines of the trail, of one person where named, older than a line."""
    rows = connection.execute(
        "SELECT seq, at, who, action, subject, details, hash FROM audit WHERE "
        "(:before IS NULL OR seq < :before) AND (:who = '' OR who = :who) "
        "ORDER BY seq DESC LIMIT :most",
        {"before": before, "who": who, "most": most},
    )
    names = ("seq", "at", "who", "action", "subject", "details", "hash")
    return [{**dict(zip(names, r, strict=True)), "details": json.loads(r[5])} for r in rows]


def verify(connection: sqlite3.Connection) -> list[AuditFinding]:
    """Return everything in trail and evidence that is not as it was written; empty if clean.

    Parameters
    ----------
    connection : sqlite3.Connection
        Of one book; read only.
    """
    found = _file(connection)
    found += _lines(connection)
    found += _evidence(connection)
    found += _judgements(connection)
    found += _cuts(connection)
    found += _readings(connection)
    return found


def _file(connection: sqlite3.Connection) -> list[AuditFinding]:
    """Return what the database itself finds broken: pages, indexes, rows without their parent."""
    found = [
        AuditFinding("file", str(row[0]))
        for row in connection.execute("PRAGMA integrity_check(20)")
        if row[0] != "ok"
    ]
    for table, _, parent, _ in connection.execute("PRAGMA foreign_key_check"):
        found.append(AuditFinding(f"table {table}", f"a row names a {parent} that is not there"))
    return found


def _lines(connection: sqlite3.Connection) -> list[AuditFinding]:
    found: list[AuditFinding] = []
    previous, expected = START, 1
    rows = connection.execute(
        "SELECT seq, at, who, action, subject, details, previous, hash FROM audit ORDER BY seq"
    )
    for row in rows:
        seq = int(row[0])
        if seq != expected:
            lost = f"line {expected}" if seq == expected + 1 else f"lines {expected} to {seq - 1}"
            found.append(AuditFinding(f"audit {lost}", "missing"))
        if row[6] != previous:
            found.append(AuditFinding(f"audit line {seq}", "does not follow on the line before it"))
        if _hash(seq, row[1], row[2], row[3], row[4], row[5], row[6]) != row[7]:
            found.append(AuditFinding(f"audit line {seq}", "was changed after it was written"))
        previous, expected = row[7], seq + 1
    if _head(connection) != (expected - 1, previous):
        found.append(
            AuditFinding("audit trail", "does not end where its head says: lines were cut or added")
        )
    return found


def _evidence(connection: sqlite3.Connection) -> list[AuditFinding]:
    found: list[AuditFinding] = []
    kept: set[str] = set()
    for sha256, size, data in connection.execute(
        "SELECT sha256, size, data FROM evidence ORDER BY sha256"
    ):
        kept.add(sha256)
        if hashlib.sha256(data).hexdigest() != sha256 or len(data) != size:
            found.append(AuditFinding(f"evidence {sha256}", "does not match its hash"))
    for seq, details in _details(connection):
        sha256 = details.get("sha256") if "file" in details else None
        if sha256 is not None and sha256 not in kept:
            found.append(AuditFinding(f"evidence {sha256}", f"of audit line {seq} is missing"))
            kept.add(sha256)
    return found


def _details(connection: sqlite3.Connection) -> Iterator[tuple[int, dict[str, Any]]]:
    """Yield the details of each line; one that was changed to nonsense is found elsewhere."""
    for seq, text in connection.execute("SELECT seq, details FROM audit ORDER BY seq"):
        try:
            details = json.loads(text)
        except ValueError:
            continue
        if isinstance(details, dict):
            yield seq, details


def _judgements(connection: sqlite3.Connection) -> list[AuditFinding]:
    """Return frozen judgements that are not what the trail says was frozen."""
    found: list[AuditFinding] = []
    kept = {
        row[0]: hashlib.sha256(row[1].encode()).hexdigest()
        for row in connection.execute("SELECT id, document FROM judgement WHERE kind <> 'current'")
    }
    for seq, details in _details(connection):
        identity = details.get("judgement")
        if identity is None:
            continue
        if identity not in kept:
            found.append(AuditFinding(f"judgement {identity}", f"of audit line {seq} is missing"))
        elif kept[identity] != details.get("sha256"):
            found.append(AuditFinding(f"judgement {identity}", "was changed after it was frozen"))
    return found


def _cuts(connection: sqlite3.Connection) -> list[AuditFinding]:
    """Return confirmed cuts and corrections of logs that are not those that the trail tells of."""
    found: list[AuditFinding] = []
    for seq, details in _details(connection):
        place = {"a": details.get("attachment"), "n": details.get("confirmation")}
        if details.get("cut_sha256") is not None:
            row = connection.execute(
                "SELECT segments FROM cut_confirmation WHERE attachment_id = :a AND number = :n",
                place,
            ).fetchone()
            if row is None or hashlib.sha256(row[0].encode()).hexdigest() != details["cut_sha256"]:
                found.append(AuditFinding(f"cut of audit line {seq}", "was changed or removed"))
        told = details.get("corrections")
        for one in told if isinstance(told, list) else ():
            operation = {key: value for key, value in one.items() if key != "number"}
            row = connection.execute(
                "SELECT operation FROM cut_correction WHERE attachment_id = :a AND number = :n",
                {**place, "n": one["number"]},
            ).fetchone()
            if row is None or row[0] != canonical_json(operation):
                found.append(
                    AuditFinding(f"correction of audit line {seq}", "was changed or removed")
                )
    return found


_READING = "SELECT id, seq, phase, burner, fuel, firing_rate, taken, document FROM reading "


def _readings(connection: sqlite3.Connection) -> list[AuditFinding]:
    """Return the lines whose readings are not those that the line was written for."""
    found: list[AuditFinding] = []
    for seq, details in _details(connection):
        expected = details.get("readings_sha256")
        if expected is None:
            continue
        rows: Iterable[Sequence[Any]]
        if "attachment" in details:
            # A log confirmed anew brings other readings under the same file: first and last tell.
            rows = connection.execute(
                _READING + "WHERE attachment_id = :a AND id BETWEEN :first AND :last ORDER BY seq",
                {
                    "a": details["attachment"],
                    "first": details.get("first", ""),
                    "last": details.get("last", "~"),
                },
            )
        else:
            ids = details.get("ids") or [details.get("new")]
            rows = [
                row
                for one in ids
                for row in connection.execute(_READING + "WHERE id = :id", {"id": one})
            ]
        if readings_digest(rows) != expected:
            found.append(
                AuditFinding(f"readings of audit line {seq}", "were changed, added or removed")
            )
    return found
