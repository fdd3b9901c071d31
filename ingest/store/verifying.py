"""Whether a book is as it was written: its file, its trail, and what the trail's lines hash."""

from __future__ import annotations

import hashlib
import json
import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from typing import Any

from ingest.store.audit import AuditFinding, broken_lines, canonical_json, readings_digest
from ingest.store.differing import differing
from ingest.store.log_columns import unsound


def verify(connection: sqlite3.Connection) -> list[AuditFinding]:
    """Return everything in the book that is not as it was written; empty if clean.

    Parameters
    ----------
    connection : sqlite3.Connection
        Of one book; read only.
    """
    found = _file(connection)
    found += broken_lines(connection)
    found += _evidence(connection)
    found += _judgements(connection)
    found += _cuts(connection)
    found += _columns(connection)
    found += _readings(connection)
    found += differing(connection)
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
        log = details.get("log_sha256")
        if log is not None and log not in _logs_of(connection, details.get("sha256", "")):
            found.append(AuditFinding(f"log of audit line {seq}", "is not the one that was cut"))
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


def _logs_of(connection: sqlite3.Connection, sha256: str) -> list[str]:
    """Return what tells the logs again that were cut of a file's bytes."""
    rows = connection.execute(
        "SELECT c.readings_sha256 FROM cut c JOIN attachment a ON a.id = c.attachment_id "
        "WHERE a.sha256 = :sha256",
        {"sha256": sha256},
    )
    return [row[0] for row in rows]


def _columns(connection: sqlite3.Connection) -> list[AuditFinding]:
    """Return the logs whose columns, kept for a quick look, are not those of their cut."""
    try:
        return [
            AuditFinding(f"columns of log {one}", "are not those of the log that was cut")
            for one in unsound(connection)
        ]
    except sqlite3.OperationalError as error:
        if "no such table" in str(error):
            return []  # of a program that kept none yet
        raise


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
