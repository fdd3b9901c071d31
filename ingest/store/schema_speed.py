"""Step of the tables that lets a program keep what it has already read of a visit."""

from __future__ import annotations

import sqlite_utils

from ingest.store.schema import migrations


@migrations()
def m010_points_stamp(db: sqlite_utils.Database) -> None:
    """Mark the firing points of a visit: whoever holds them by this mark holds the same ones."""
    db.execute("ALTER TABLE visit ADD COLUMN points_stamp TEXT")


_TREND = """
CREATE TABLE boiler_trend (
    boiler_id TEXT PRIMARY KEY REFERENCES boiler (id) ON DELETE CASCADE,
    program TEXT NOT NULL,
    visits INTEGER NOT NULL,
    last TEXT,
    o2_drift TEXT NOT NULL,
    worst_o2 REAL,
    efficiency_drift REAL,
    lost REAL,
    wasted REAL
) STRICT, WITHOUT ROWID
"""

# A visit counts once it is handed in, or where it is imported.
_COUNTS = "({row}.imported = 1 OR {row}.state IN ('handed_in', 'accepted'))"
_OLD, _NEW = _COUNTS.format(row="OLD"), _COUNTS.format(row="NEW")
_TREND_ENDS = (
    "CREATE TRIGGER boiler_trend_visit_added AFTER INSERT ON visit "
    f"WHEN {_NEW} "
    "BEGIN DELETE FROM boiler_trend WHERE boiler_id = NEW.boiler_id; END",
    "CREATE TRIGGER boiler_trend_visit_changed AFTER UPDATE ON visit "
    f"WHEN ({_OLD} OR {_NEW}) AND ({_OLD} <> {_NEW} OR OLD.boiler_id IS NOT NEW.boiler_id "
    "OR OLD.started IS NOT NEW.started OR OLD.points_stamp IS NOT NEW.points_stamp "
    "OR OLD.document <> NEW.document OR OLD.job_document IS NOT NEW.job_document) "
    "BEGIN DELETE FROM boiler_trend WHERE boiler_id IN (OLD.boiler_id, NEW.boiler_id); END",
    "CREATE TRIGGER boiler_trend_visit_removed AFTER DELETE ON visit "
    "BEGIN DELETE FROM boiler_trend WHERE boiler_id = OLD.boiler_id; END",
    "CREATE TRIGGER boiler_trend_boiler_changed AFTER UPDATE ON boiler "
    "BEGIN DELETE FROM boiler_trend WHERE boiler_id = OLD.id; END",
)


@migrations()
def m014_trend_of_each_boiler(db: sqlite_utils.Database) -> None:
    """Keep what a boiler's visits come to, until one of them or the boiler changes."""
    for statement in (_TREND, *_TREND_ENDS):
        db.execute(statement)


_COLUMNS = """
CREATE TABLE cut_columns (
    attachment_id TEXT PRIMARY KEY REFERENCES cut (attachment_id),
    readings_sha256 TEXT NOT NULL,
    log_sha256 TEXT NOT NULL,
    about TEXT NOT NULL,
    data BLOB NOT NULL
) STRICT
"""


@migrations()
def m019_columns_of_cut_logs(db: sqlite_utils.Database) -> None:
    """Keep the columns of each log beside its cut: looking at it reads no evidence again."""
    db.execute(_COLUMNS)
