"""The trail: one line for every change, each holding the hash of the line before it.

A line's hash is SHA-256 over the canonical JSON of its fields and the previous hash. The head (last
number and hash) is kept apart, so that cutting off the end shows too.
"""

from __future__ import annotations

import hashlib
import json
import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

START = "0" * 64
_HEAD = "audit_head"


@dataclass(frozen=True, slots=True)
class AuditFinding:
    """Something in the book that is not as it was written."""

    where: str
    what: str


def canonical_json(value: Any) -> str:
    """Return JSON with one spelling for one value."""
    return json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False)


def _hash(
    seq: int, at: str, who: str, action: str, subject: str, details: str, previous: str
) -> str:
    text = canonical_json([seq, at, who, action, subject, details, previous])
    return hashlib.sha256(text.encode()).hexdigest()


def append(
    connection: sqlite3.Connection,
    *,
    at: str,
    who: str,
    action: str,
    subject: str,
    details: Mapping[str, Any],
) -> None:
    """Add a line to the trail inside the change's own transaction."""
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


def verify(connection: sqlite3.Connection) -> list[AuditFinding]:
    """Return everything in trail and evidence that is not as it was written; empty if clean."""
    found: list[AuditFinding] = []
    previous, expected = START, 1
    rows = connection.execute(
        "SELECT seq, at, who, action, subject, details, previous, hash FROM audit ORDER BY seq"
    )
    for row in rows:
        seq = int(row[0])
        if seq != expected:
            found.append(AuditFinding(f"audit line {expected}", "is missing"))
        if row[6] != previous:
            found.append(AuditFinding(f"audit line {seq}", "does not follow on the line before it"))
        if _hash(seq, *row[1:7]) != row[7]:
            found.append(AuditFinding(f"audit line {seq}", "was changed after it was written"))
        previous, expected = row[7], seq + 1
    if _head(connection) != (expected - 1, previous):
        found.append(
            AuditFinding("audit trail", "does not end where its head says: lines were cut or added")
        )
    for sha256, data in connection.execute("SELECT sha256, data FROM evidence ORDER BY sha256"):
        if hashlib.sha256(data).hexdigest() != sha256:
            found.append(AuditFinding(f"evidence {sha256}", "does not match its hash"))
    return found
