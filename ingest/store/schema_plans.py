"""Step of the table of plans that were taken out of use."""

from __future__ import annotations

import sqlite_utils

from ingest.store.schema import each_of, migrations

_REMOVED = """
CREATE TABLE removed_plan (
    key TEXT PRIMARY KEY,
    removed_at TEXT NOT NULL,
    removed_by TEXT NOT NULL
) STRICT
"""


@migrations()
def m021_removed_plans(db: sqlite_utils.Database) -> None:
    """Keep which plans are out of use; every version of them stays."""
    each_of(db, _REMOVED)
