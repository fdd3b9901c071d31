"""What a field book knows of the office: what was last the same on both sides."""

from __future__ import annotations

import sqlite_utils

from ingest.store.schema import each_of, migrations

_FIELD = """
CREATE TABLE office_copy (
    office TEXT NOT NULL,
    kind TEXT NOT NULL CHECK (kind IN ('site', 'boiler', 'visit')),
    id TEXT NOT NULL,
    sha256 TEXT NOT NULL,
    local_version INTEGER NOT NULL,
    at TEXT NOT NULL,
    PRIMARY KEY (office, kind, id)
) STRICT
"""


@migrations()
def m011_office_copy(db: sqlite_utils.Database) -> None:
    """Create the marks of what field book and office last had in common."""
    each_of(db, _FIELD)
