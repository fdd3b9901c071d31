"""Step of the tables that lets a program keep what it has already read of a visit."""

from __future__ import annotations

import sqlite_utils

from ingest.store.schema import migrations


@migrations()
def m010_points_stamp(db: sqlite_utils.Database) -> None:
    """Mark the firing points of a visit: whoever holds them by this mark holds the same ones."""
    db.execute("ALTER TABLE visit ADD COLUMN points_stamp TEXT")
