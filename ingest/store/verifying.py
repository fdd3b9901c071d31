"""Whether a book is as it was written: its file, its trail, and what the trail's lines hash."""

from __future__ import annotations

import hashlib
import json
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from typing import Any

from ingest.store.audit import AuditFinding, canonical_json, checked_lines, readings_digest
from ingest.store.differing import differing
from ingest.store.log_columns import unsound
from ingest.store.told import Line, Told

_Details = Mapping[str, Any]
_Check = Callable[[sqlite3.Connection, int, _Details], Iterator[AuditFinding]]


def verify(connection: sqlite3.Connection) -> list[AuditFinding]:
    """Return everything in the book that is not as it was written; empty if clean.

    Each line of the trail is read once, for all that is compared with it.

    Parameters
    ----------
    connection : sqlite3.Connection
        Of one book; read only.
    """
    found = _file(connection)
    chain: list[AuditFinding] = []
    kept = _evidence(connection)
    named: dict[_Check, list[AuditFinding]] = {check: [] for check in _CHECKS}
    lost: set[str] = set()
    book = Told()
    for seq, at, who, action, subject, text in checked_lines(connection, chain):
        try:
            details = json.loads(text)
        except ValueError:
            continue  # changed to nonsense: the chain names it
        if not isinstance(details, dict):
            continue
        kept += _evidence_of(connection, seq, details, lost)
        for check, own in named.items():
            own += check(connection, seq, details)
        book.tell(Line(seq, at, who, action, subject, details))
    found += chain + kept
    for own in named.values():
        found += own
    return found + _columns(connection) + differing(connection, book)


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
    for sha256, size, data in connection.execute(
        "SELECT sha256, size, data FROM evidence ORDER BY sha256"
    ):
        if hashlib.sha256(data).hexdigest() != sha256 or len(data) != size:
            found.append(AuditFinding(f"evidence {sha256}", "does not match its hash"))
    return found


def _evidence_of(
    connection: sqlite3.Connection, seq: int, details: _Details, lost: set[str]
) -> Iterator[AuditFinding]:
    """Yield the file that a line names, where it is missing; once for all lines that name it."""
    sha256 = details.get("sha256") if "file" in details else None
    if details.get("kept") == "content":  # of a report
        sha256 = details.get("content_sha256")
    if sha256 is None or sha256 in lost:
        return
    there = connection.execute("SELECT 1 FROM evidence WHERE sha256 = :sha256", {"sha256": sha256})
    if there.fetchone() is None:
        lost.add(sha256)
        yield AuditFinding(f"evidence {sha256}", f"of audit line {seq} is missing")


def _judgements(
    connection: sqlite3.Connection, seq: int, details: _Details
) -> Iterator[AuditFinding]:
    """Yield a frozen judgement that is not what the trail says was frozen."""
    identity = details.get("judgement")
    if identity is None:
        return
    row = connection.execute(
        "SELECT document FROM judgement WHERE id = :id AND kind <> 'current'", {"id": identity}
    ).fetchone()
    if row is None:
        yield AuditFinding(f"judgement {identity}", f"of audit line {seq} is missing")
    elif hashlib.sha256(row[0].encode()).hexdigest() != details.get("sha256"):
        yield AuditFinding(f"judgement {identity}", "was changed after it was frozen")


def _cuts(connection: sqlite3.Connection, seq: int, details: _Details) -> Iterator[AuditFinding]:
    """Yield confirmed cuts and corrections of logs that are not those that a line tells of."""
    place = {"a": details.get("attachment"), "n": details.get("confirmation")}
    if details.get("cut_sha256") is not None:
        row = connection.execute(
            "SELECT segments FROM cut_confirmation WHERE attachment_id = :a AND number = :n",
            place,
        ).fetchone()
        if row is None or hashlib.sha256(row[0].encode()).hexdigest() != details["cut_sha256"]:
            yield AuditFinding(f"cut of audit line {seq}", "was changed or removed")
    log = details.get("log_sha256")
    if log is not None and log not in _logs_of(connection, details.get("sha256", "")):
        yield AuditFinding(f"log of audit line {seq}", "is not the one that was cut")
    told = details.get("corrections")
    for one in told if isinstance(told, list) else ():
        operation = {key: value for key, value in one.items() if key != "number"}
        row = connection.execute(
            "SELECT operation FROM cut_correction WHERE attachment_id = :a AND number = :n",
            {**place, "n": one["number"]},
        ).fetchone()
        if row is None or row[0] != canonical_json(operation):
            yield AuditFinding(f"correction of audit line {seq}", "was changed or removed")


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


def _readings(
    connection: sqlite3.Connection, seq: int, details: _Details
) -> Iterator[AuditFinding]:
    """Yield a line whose readings are not those that the line was written for."""
    expected = details.get("readings_sha256")
    if expected is None:
        return
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
        rows = (
            row
            for one in ids
            for row in connection.execute(_READING + "WHERE id = :id", {"id": one})
        )
    if readings_digest(rows) != expected:
        yield AuditFinding(f"readings of audit line {seq}", "were changed, added or removed")


_CHECKS: tuple[_Check, ...] = (_judgements, _cuts, _readings)
"""Each asked of every line, in the order in which their findings are named."""
