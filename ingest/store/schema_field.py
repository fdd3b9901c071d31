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


# SQLite cannot change a check in place: the table is made anew.
_MORE_KINDS = """
ALTER TABLE office_copy RENAME TO office_copy_before;
CREATE TABLE office_copy (
    office TEXT NOT NULL,
    kind TEXT NOT NULL
        CHECK (kind IN ('site', 'boiler', 'job', 'visit', 'past_visit', 'map', 'limits')),
    id TEXT NOT NULL,
    sha256 TEXT NOT NULL,
    local_version INTEGER NOT NULL,
    at TEXT NOT NULL,
    PRIMARY KEY (office, kind, id)
) STRICT;
INSERT INTO office_copy SELECT office, kind, id, sha256, local_version, at FROM office_copy_before;
DROP TABLE office_copy_before
"""


@migrations()
def m011_office_copy(db: sqlite_utils.Database) -> None:
    """Create the marks of what field book and office last had in common."""
    each_of(db, _FIELD)


@migrations()
def m018_more_kinds_of_office_copy(db: sqlite_utils.Database) -> None:
    """Mark jobs, maps, company limits and fetched past visits too."""
    each_of(db, _MORE_KINDS)
