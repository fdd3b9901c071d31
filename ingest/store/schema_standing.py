"""Step of the tables for standing acceptances, and what the review list is ordered by."""

from __future__ import annotations

import sqlite_utils

from ingest.store.schema import each_of, migrations

_STANDING = """
CREATE TABLE standing_acceptance (
    id TEXT PRIMARY KEY,
    boiler_id TEXT NOT NULL REFERENCES boiler (id),
    rule TEXT NOT NULL,
    reason TEXT NOT NULL,
    severity TEXT NOT NULL CHECK (severity IN ('fix', 'check', 'info')),
    quantity TEXT,
    up_to REAL,
    until TEXT,
    until_part_change INTEGER NOT NULL CHECK (until_part_change IN (0, 1)),
    made_at TEXT NOT NULL,
    made_by TEXT NOT NULL,
    ended_at TEXT,
    ended_by TEXT,
    ended_how TEXT CHECK (ended_how IN ('ended', 'date', 'part_change')),
    ended_why TEXT,
    version INTEGER NOT NULL DEFAULT 1,
    CHECK (until IS NOT NULL OR until_part_change = 1),
    CHECK ((quantity IS NULL) = (up_to IS NULL))
) STRICT;
CREATE INDEX standing_by_boiler ON standing_acceptance (boiler_id, made_at);
CREATE INDEX standing_running_out ON standing_acceptance (until) WHERE ended_at IS NULL;
ALTER TABLE flag ADD COLUMN standing TEXT REFERENCES standing_acceptance (id);
ALTER TABLE visit ADD COLUMN review_rank INTEGER NOT NULL DEFAULT 4;
ALTER TABLE visit ADD COLUMN review_flag INTEGER NOT NULL DEFAULT 0;
UPDATE visit SET review_rank = severity_rank;
CREATE INDEX visit_for_review_list ON visit (imported, state, review_rank, started, id)
"""


_OPENED = """
CREATE TABLE opened_first (
    visit_id TEXT NOT NULL REFERENCES visit (id),
    version INTEGER NOT NULL,
    opened_at TEXT NOT NULL,
    opened_by TEXT NOT NULL,
    PRIMARY KEY (visit_id, version)
) STRICT, WITHOUT ROWID
"""


@migrations()
def m009_standing_acceptances(db: sqlite_utils.Database) -> None:
    """Create standing acceptances; order the review list by what none of them covers."""
    each_of(db, _STANDING)


@migrations()
def m012_opened_first(db: sqlite_utils.Database) -> None:
    """Keep which visits a reviewer has opened before they are accepted together with others."""
    db.execute(_OPENED)


_LIST_ORDER = """
CREATE INDEX visit_in_review_order
    ON visit (imported, state, review_rank, COALESCE(started, '9999'), id)
"""


@migrations()
def m013_order_of_the_review_list(db: sqlite_utils.Database) -> None:
    """Let a page of the review list be read in its order, without sorting all visits first."""
    db.execute(_LIST_ORDER)


_LIST_WHOLE = """
DROP INDEX visit_in_review_order;
CREATE INDEX visit_in_review_order ON visit
    (imported, state, review_rank, COALESCE(started, '9999'), id, boiler_id, technician)
"""


@migrations()
def m015_search_of_the_review_list(db: sqlite_utils.Database) -> None:
    """Let the review list be counted and searched by its index alone."""
    each_of(db, _LIST_WHOLE)
