"""Saved layouts, by name."""

from __future__ import annotations

import json
import sqlite3
from typing import Any

from ingest.store.audit import canonical_json
from ingest.store.book import Change
from ingest.store.errors import NotFound, VersionConflict


def put_layout(
    change: Change, name: str, document: dict[str, Any], expected: int | None
) -> tuple[int, bool]:
    """Write a layout; return its version and whether it is new. The same again changes nothing."""
    text = canonical_json(document)
    found = change.sql.execute(
        "SELECT version, document FROM layout WHERE name = :name", {"name": name}
    ).fetchone()
    before = int(found[0]) if found else 0
    if expected is not None and expected != before:
        raise VersionConflict("layout", name, expected, before)
    if found is not None and found[1] == text:
        return before, False
    change.sql.execute(
        "INSERT INTO layout (name, version, document) VALUES (:name, :version, :document) "
        "ON CONFLICT (name) DO UPDATE SET version = :version, document = :document",
        {"name": name, "version": before + 1, "document": text},
    )
    change.record("layout_saved", f"layout:{name}", {"document": document})
    return before + 1, found is None


def layout(sql: sqlite3.Connection, name: str) -> tuple[dict[str, Any], int]:
    """Return a layout's document and its version."""
    row = sql.execute(
        "SELECT document, version FROM layout WHERE name = :name", {"name": name}
    ).fetchone()
    if row is None:
        raise NotFound("layout", name)
    return json.loads(row[0]), int(row[1])


def layouts(sql: sqlite3.Connection) -> list[dict[str, Any]]:
    """Return all layouts by name."""
    return [json.loads(r[0]) for r in sql.execute("SELECT document FROM layout ORDER BY name")]


def remove_layout(change: Change, name: str) -> None:
    """Remove a layout; the trail keeps what it was."""
    layout(change.sql, name)
    change.sql.execute("DELETE FROM layout WHERE name = :name", {"name": name})
    change.record("layout_removed", f"layout:{name}", {})
