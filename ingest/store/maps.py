"""Taught column maps of the book, one for each fingerprint of headings."""

from __future__ import annotations

import json
import sqlite3

from ingest.store.audit import canonical_json
from ingest.store.book import Change
from ingest.store.errors import NotFound
from parsers.maps import ColumnMap, map_from_json, map_json


def put_map(change: Change, taught: ColumnMap) -> None:
    """Keep a map in place of the one for the same headings; the same map again changes nothing."""
    document = canonical_json(map_json(taught))
    there = change.sql.execute(
        "SELECT document FROM column_map WHERE fingerprint = :f", {"f": taught.fingerprint}
    ).fetchone()
    if there is not None and there[0] == document:
        return
    change.sql.execute(
        "INSERT INTO column_map (fingerprint, name, document) VALUES (:f, :name, :document) "
        "ON CONFLICT (fingerprint) DO UPDATE SET name = excluded.name, "
        "document = excluded.document",
        {"f": taught.fingerprint, "name": taught.name, "document": document},
    )
    change.record("map_taught", f"map:{taught.fingerprint}", {"map": json.loads(document)})


def maps(sql: sqlite3.Connection) -> tuple[ColumnMap, ...]:
    """Return all maps by name."""
    rows = sql.execute("SELECT document FROM column_map ORDER BY name, fingerprint")
    return tuple(map_from_json(row[0]) for row in rows)


def forget_map(change: Change, fingerprint: str) -> None:
    """Take a map out of use; what it was stays in the audit trail."""
    gone = change.sql.execute("DELETE FROM column_map WHERE fingerprint = :f", {"f": fingerprint})
    if gone.rowcount == 0:
        raise NotFound("map", fingerprint)
    change.record("map_forgotten", f"map:{fingerprint}", {})
