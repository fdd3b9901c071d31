"""Steps of the tables that lists, waiting readings and saved layouts need."""

from __future__ import annotations

import sqlite_utils

from ingest.store.schema import each_of, migrations

_LISTS = """
ALTER TABLE site ADD COLUMN changed_at TEXT NOT NULL DEFAULT '';
ALTER TABLE boiler ADD COLUMN changed_at TEXT NOT NULL DEFAULT '';
ALTER TABLE visit ADD COLUMN changed_at TEXT NOT NULL DEFAULT '';
UPDATE site SET changed_at =
    COALESCE((SELECT MAX(at) FROM audit WHERE subject = 'site:' || site.id), '');
UPDATE boiler SET changed_at =
    COALESCE((SELECT MAX(at) FROM audit WHERE subject = 'boiler:' || boiler.id), '');
UPDATE visit SET changed_at =
    COALESCE((SELECT MAX(at) FROM audit WHERE subject = 'visit:' || visit.id), '');
CREATE INDEX visit_by_change ON visit (changed_at, id);
CREATE INDEX visit_by_start ON visit (started, id);
CREATE TABLE waiting_readings (
    owner TEXT NOT NULL,
    visit_id TEXT NOT NULL,
    id TEXT NOT NULL,
    number INTEGER NOT NULL,
    sent_at TEXT NOT NULL,
    sent_by TEXT NOT NULL,
    document TEXT NOT NULL,
    joined_at TEXT,
    problem TEXT,
    PRIMARY KEY (owner, visit_id, id)
) STRICT;
CREATE INDEX waiting_by_visit ON waiting_readings (owner, visit_id, number) WHERE joined_at IS NULL;
CREATE TABLE layout (
    name TEXT PRIMARY KEY,
    version INTEGER NOT NULL,
    document TEXT NOT NULL
) STRICT
"""


@migrations()
def m007_lists_and_layouts(db: sqlite_utils.Database) -> None:
    """Say when a site, boiler or visit was last changed; keep waiting readings and layouts."""
    each_of(db, _LISTS)
