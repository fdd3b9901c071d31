"""Rows that are not what the trail tells of them: changed, removed, or put in behind its back."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable, Iterator, Mapping
from typing import Any

from ingest.store.audit import AuditFinding
from ingest.store.told import HANDED_IN, Told, limits_of, sha256_of, text_of

_ROWS: Mapping[str, str] = {
    "site": "SELECT id AS key, name, external_id, document FROM site",
    "boiler": "SELECT id AS key, name, external_id, site_id, document FROM boiler",
    # A job that a visit named before it came has no line of its own yet.
    "job": "SELECT id AS key, external_id, site_id, document FROM job WHERE document <> '{}'",
    "visit": "SELECT id AS key, external_id, boiler_id, job_id, technician, state, handed_in_at, "
    "job_document AS job_sha256, document FROM visit",
    "attachment": "SELECT visit_id || ' ' || sha256 || ' ' || added_at AS key, name, added_by, "
    "withdrawn_at, withdrawn_by, withdrawn_why FROM attachment",
    "judgement": "SELECT id AS key, made_at, made_by FROM judgement WHERE kind <> 'current'",
    "waiting_readings": "SELECT owner || ' ' || visit_id || ' ' || id AS key, document "
    "FROM waiting_readings",
    "cut_confirmation": "SELECT attachment_id || ' ' || number AS key, made_at, made_by "
    "FROM cut_confirmation",
    "cut_correction": "SELECT attachment_id || ' ' || number AS key, made_at, made_by "
    "FROM cut_correction",
    "standing_stop": "SELECT visit_id || ' ' || taken_at AS key, taken_by, words "
    "FROM standing_stop WHERE taken_at IS NOT NULL",
    "standing_acceptance": "SELECT id AS key, boiler_id, rule, reason, severity, quantity, up_to, "
    "until, until_part_change, made_at, made_by, ended_at, ended_by, ended_how, ended_why "
    "FROM standing_acceptance",
    "plan": "SELECT key || ' ' || version AS key, document AS sha256, added_at, added_by FROM plan",
    "removed_plan": "SELECT key, removed_at, removed_by FROM removed_plan",
    "webhook": "SELECT id AS key, url, name, events, site_id AS site, active, "
    "removed_at IS NOT NULL AS removed FROM webhook",
    "duty_person": "SELECT id AS key, name, email FROM duty_person",
    "account": "SELECT id AS key, name, printed_name, role, sites, "
    "closed_at IS NOT NULL AS closed FROM account",
    "access_key": "SELECT id AS key, label, role, scopes, sites, owner, ends_at, "
    "revoked_at IS NOT NULL AS revoked FROM access_key",
    "layout": "SELECT name AS key, document FROM layout",
    "column_map": "SELECT fingerprint AS key, document FROM column_map",
    "setting": "SELECT key, value AS limits FROM setting WHERE key = 'company_limits'",
}
"""Table -> its rows by the key and the columns that the trail tells of."""
_HASHED = ("judgement", "cut_confirmation", "cut_correction")
"""Tables whose missing rows are named where their hashes are compared."""


def _document(text: str) -> str:
    try:
        return text_of(json.loads(text))
    except ValueError:
        return ""  # not JSON any more: it differs from any hash


_LATER = ("removed_plan",)
"""Tables that a book has from its next opening on: a backup of an older program is sound too."""


_READ: Mapping[str, Callable[[str], Any]] = {
    "document": _document,
    "events": json.loads,
    "sites": json.loads,
    "scopes": json.loads,
    "job_sha256": sha256_of,
    "limits": limits_of,
    "sha256": sha256_of,
}
"""Column -> how its text is read before it is compared."""


def differing(sql: sqlite3.Connection, book: Told) -> list[AuditFinding]:
    """Return the rows that differ from what the trail tells, or that it does not tell of."""
    found: list[AuditFinding] = []
    for table, statement in _ROWS.items():
        found += _table(sql, book, table, statement)
    found += _readings(sql, book)
    found += _stops(sql, book)
    return found


def _table(
    sql: sqlite3.Connection, book: Told, table: str, statement: str
) -> Iterator[AuditFinding]:
    try:
        rows = sql.execute(statement)
    except sqlite3.OperationalError as error:
        if table not in _LATER or "no such table" not in str(error):
            raise
        rows = sql.execute("SELECT NULL AS key WHERE FALSE")  # of a program that had none yet
    names = [column[0] for column in rows.description]
    for row in rows:
        there = dict(zip(names, row, strict=True))
        where = f"{table} {there['key']}"
        told = book.rows.pop(table, str(there["key"]))
        if told is None:
            yield AuditFinding(where, "stands in no line of the trail")
            continue
        wanted, line = told
        other = [name for name, value in wanted.items() if _value(name, there[name]) != value]
        if other:
            what = f"is not what the trail tells (audit line {line}): {', '.join(other)}"
            yield AuditFinding(where, what)
    for key, line in book.rows.left(table) if table not in _HASHED else ():
        yield AuditFinding(f"{table} {key}", f"of audit line {line} is missing")


def _value(name: str, value: Any) -> Any:
    read = _READ.get(name)
    try:
        return value if read is None or value is None else read(value)
    except ValueError:
        return value


def _readings(sql: sqlite3.Connection, book: Told) -> Iterator[AuditFinding]:
    """Yield readings that no line brought, and marks of superseding that none tells or explains."""
    withdrawn = dict(book.withdrawn)
    for attachment, at, who, why in sql.execute(
        "SELECT id, withdrawn_at, withdrawn_by, withdrawn_why FROM attachment "
        "WHERE withdrawn_at IS NOT NULL"
    ):
        withdrawn[attachment] = withdrawn.get(attachment, set()) | {(at, who, why)}
    missing = dict(book.superseded)
    for identity, attachment, *mark, gone in sql.execute(
        "SELECT r.id, r.attachment_id, r.superseded_at, r.superseded_who, r.superseded_why, "
        "r.superseded_by, a.withdrawn_at FROM reading r "
        "LEFT JOIN attachment a ON a.id = r.attachment_id"
    ):
        if attachment is None:
            brought = identity in book.reading_ids
        else:
            ranges = book.ranges(attachment)
            brought = any(first <= identity <= last for first, last in ranges)
        if not brought:
            yield AuditFinding(f"reading {identity}", "stands in no line of the trail")
        one = missing.pop(identity, None)
        if one is not None:
            fits = tuple(mark) == one
        elif mark[0] is None:
            fits = gone is None and mark == [None] * 4
        else:
            fits = mark[3] is None and tuple(mark[:3]) in withdrawn.get(attachment, ())
        if not fits:
            what = "is marked as superseded, or not, otherwise than the trail tells"
            yield AuditFinding(f"reading {identity}", what)
    for identity in missing:
        yield AuditFinding(f"reading {identity}", "that the trail calls superseded is missing")


def _stops(sql: sqlite3.Connection, book: Told) -> Iterator[AuditFinding]:
    """Yield hand-ins with a stop that no longer stand on the list, taken or not."""
    since = _since(sql)
    for key, _line in book.rows.left(HANDED_IN):
        visit, at, judgement = key.split(" ")
        if at < since:
            continue
        row = sql.execute(
            "SELECT document FROM judgement WHERE id = :id AND document LIKE '%stop%'",
            {"id": judgement},
        ).fetchone()
        if row is None or not _has_stop(row[0]):
            continue
        stood = sql.execute(
            "SELECT 1 FROM standing_stop WHERE visit_id = :v AND raised_at <= :at "
            "AND (taken_at IS NULL OR taken_at >= :at)",
            {"v": visit, "at": at},
        ).fetchone()
        if stood is None:
            yield AuditFinding(f"stop of visit {visit}", f"raised at {at} is missing")


def _has_stop(text: str) -> bool:
    try:
        flags = json.loads(text)["flags"]
        return any(flag["severity"] == "stop" for flag in flags)
    except (ValueError, KeyError, TypeError):
        return False


def _since(sql: sqlite3.Connection) -> str:
    """Return from when on every stop was listed: "" in a book that had the list from its start."""
    rows = dict(sql.execute("SELECT name, applied_at FROM _sqlite_migrations"))
    first, listed = rows.get("m001_first_light", ""), rows.get("m006_notices", "")
    same_hour = first[:13] == listed[:13]
    return "" if same_hour else listed.replace(" ", "T")
