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
_WITH_KINDS = """
ALTER TABLE office_copy RENAME TO office_copy_before;
CREATE TABLE office_copy (
    office TEXT NOT NULL,
    kind TEXT NOT NULL
        CHECK (kind IN ({kinds})),
    id TEXT NOT NULL,
    sha256 TEXT NOT NULL,
    local_version INTEGER NOT NULL,
    at TEXT NOT NULL,
    PRIMARY KEY (office, kind, id)
) STRICT;
INSERT INTO office_copy SELECT office, kind, id, sha256, local_version, at FROM office_copy_before;
DROP TABLE office_copy_before
"""
_KINDS = "'site', 'boiler', 'job', 'visit', 'past_visit', 'map', 'limits'"


@migrations()
def m011_office_copy(db: sqlite_utils.Database) -> None:
    """Create the marks of what field book and office last had in common."""
    each_of(db, _FIELD)


@migrations()
def m018_more_kinds_of_office_copy(db: sqlite_utils.Database) -> None:
    """Mark jobs, maps, company limits and fetched past visits too."""
    each_of(db, _WITH_KINDS.format(kinds=_KINDS))


@migrations()
def m020_cuts_in_office_copy(db: sqlite_utils.Database) -> None:
    """Mark how far the cut of a log is the same in both books."""
    each_of(db, _WITH_KINDS.format(kinds=f"{_KINDS}, 'cut'"))
