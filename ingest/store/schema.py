"""Tables, as migrations that are only ever added to.

Strict tables in the subset that SQLite and PostgreSQL share: TEXT for ids, times (ISO 8601 in UTC)
and JSON, no engine's own types. Documents (boiler, visit, reading values) are JSON in canonical
units beside the columns that are searched by: the glossary may grow without a migration.
"""

from __future__ import annotations

import sqlite_utils
from sqlite_utils.migrations import Migrations

migrations = Migrations("fluebook")


def each_of(db: sqlite_utils.Database, script: str) -> None:
    """Run a script's statements, which end with a semicolon at the end of a line.

    One at a time: run as a script they would commit the transaction around the migration.
    """
    for statement in script.split(";\n"):
        db.execute(statement)


_FIRST = """
CREATE TABLE setting (
    key TEXT PRIMARY KEY,
    value TEXT NOT NULL
) STRICT;
CREATE TABLE site (
    id TEXT PRIMARY KEY,
    owner TEXT NOT NULL DEFAULT '',
    external_id TEXT,
    name TEXT NOT NULL,
    document TEXT NOT NULL,
    version INTEGER NOT NULL DEFAULT 1,
    UNIQUE (owner, external_id)
) STRICT;
CREATE TABLE boiler (
    id TEXT PRIMARY KEY,
    site_id TEXT REFERENCES site (id),
    owner TEXT NOT NULL DEFAULT '',
    external_id TEXT,
    name TEXT NOT NULL,
    document TEXT NOT NULL,
    version INTEGER NOT NULL DEFAULT 1,
    UNIQUE (owner, external_id)
) STRICT;
CREATE INDEX boiler_by_site ON boiler (site_id);
CREATE TABLE job (
    id TEXT PRIMARY KEY,
    site_id TEXT REFERENCES site (id),
    started TEXT,
    document TEXT NOT NULL,
    version INTEGER NOT NULL DEFAULT 1
) STRICT;
CREATE TABLE visit (
    id TEXT PRIMARY KEY,
    boiler_id TEXT REFERENCES boiler (id),
    job_id TEXT REFERENCES job (id),
    owner TEXT NOT NULL DEFAULT '',
    external_id TEXT,
    state TEXT NOT NULL CHECK (state IN ('open', 'handed_in', 'accepted', 'sent_back')),
    imported INTEGER NOT NULL DEFAULT 0 CHECK (imported IN (0, 1)),
    started TEXT,
    technician TEXT,
    boiler_external_id TEXT,
    document TEXT NOT NULL,
    severity_rank INTEGER NOT NULL DEFAULT 4,
    handed_in_at TEXT,
    version INTEGER NOT NULL DEFAULT 1,
    UNIQUE (owner, external_id)
) STRICT;
CREATE INDEX visit_by_boiler ON visit (boiler_id, started);
CREATE INDEX visit_unassigned ON visit (owner, boiler_external_id) WHERE boiler_id IS NULL;
CREATE INDEX visit_for_review ON visit (imported, state, severity_rank, started, id);
CREATE TABLE evidence (
    sha256 TEXT PRIMARY KEY,
    size INTEGER NOT NULL,
    data BLOB NOT NULL
) STRICT;
CREATE TABLE attachment (
    id TEXT PRIMARY KEY,
    visit_id TEXT NOT NULL REFERENCES visit (id),
    sha256 TEXT NOT NULL REFERENCES evidence (sha256),
    kind TEXT NOT NULL CHECK (kind IN ('readings', 'photo', 'other')),
    name TEXT NOT NULL,
    statement TEXT NOT NULL,
    added_at TEXT NOT NULL,
    added_by TEXT NOT NULL,
    withdrawn_at TEXT,
    withdrawn_by TEXT,
    withdrawn_why TEXT
) STRICT;
CREATE INDEX attachment_by_visit ON attachment (visit_id);
CREATE UNIQUE INDEX attachment_once ON attachment (visit_id, sha256) WHERE withdrawn_at IS NULL;
CREATE TABLE reading (
    id TEXT PRIMARY KEY,
    visit_id TEXT NOT NULL REFERENCES visit (id),
    attachment_id TEXT REFERENCES attachment (id),
    seq INTEGER NOT NULL,
    phase TEXT,
    burner TEXT,
    fuel TEXT,
    firing_rate REAL,
    taken TEXT,
    document TEXT NOT NULL,
    superseded_by TEXT REFERENCES reading (id),
    superseded_at TEXT,
    superseded_who TEXT,
    superseded_why TEXT
) STRICT;
CREATE INDEX reading_by_visit ON reading (visit_id, seq);
CREATE INDEX reading_by_attachment ON reading (attachment_id, seq);
CREATE TABLE point (
    visit_id TEXT NOT NULL REFERENCES visit (id),
    burner TEXT NOT NULL,
    fuel TEXT NOT NULL,
    phase TEXT NOT NULL,
    firing_rate REAL NOT NULL,
    pass INTEGER NOT NULL,
    seq INTEGER NOT NULL,
    document TEXT NOT NULL,
    PRIMARY KEY (visit_id, burner, fuel, phase, firing_rate, pass)
) STRICT;
CREATE TABLE judgement (
    id TEXT PRIMARY KEY,
    visit_id TEXT NOT NULL REFERENCES visit (id),
    kind TEXT NOT NULL CHECK (kind IN ('current', 'hand_in', 'again')),
    made_at TEXT NOT NULL,
    made_by TEXT NOT NULL,
    why TEXT,
    rules_version TEXT NOT NULL,
    program_version TEXT NOT NULL,
    limits_id TEXT NOT NULL,
    limits_sha256 TEXT NOT NULL,
    limits TEXT NOT NULL,
    document TEXT NOT NULL
) STRICT;
CREATE INDEX judgement_by_visit ON judgement (visit_id, made_at);
CREATE TABLE flag (
    visit_id TEXT NOT NULL REFERENCES visit (id),
    position INTEGER NOT NULL,
    rule TEXT NOT NULL,
    severity TEXT NOT NULL,
    message TEXT NOT NULL,
    PRIMARY KEY (visit_id, position)
) STRICT;
CREATE INDEX flag_by_rule ON flag (rule);
CREATE TABLE column_map (
    fingerprint TEXT PRIMARY KEY,
    name TEXT NOT NULL,
    document TEXT NOT NULL
) STRICT;
CREATE TABLE audit (
    seq INTEGER PRIMARY KEY,
    at TEXT NOT NULL,
    who TEXT NOT NULL,
    action TEXT NOT NULL,
    subject TEXT NOT NULL,
    details TEXT NOT NULL,
    previous TEXT NOT NULL,
    hash TEXT NOT NULL
) STRICT;
CREATE INDEX audit_by_subject ON audit (subject, seq)
"""


@migrations()
def m001_first_light(db: sqlite_utils.Database) -> None:
    """Create sites to audit trail."""
    each_of(db, _FIRST)


_CUTS = """
CREATE TABLE cut (
    attachment_id TEXT PRIMARY KEY REFERENCES attachment (id),
    visit_id TEXT NOT NULL REFERENCES visit (id),
    started TEXT NOT NULL,
    settings TEXT NOT NULL,
    readings_sha256 TEXT NOT NULL,
    proposal TEXT NOT NULL,
    made_at TEXT NOT NULL,
    made_by TEXT NOT NULL
) STRICT;
CREATE INDEX cut_by_visit ON cut (visit_id);
CREATE TABLE cut_correction (
    attachment_id TEXT NOT NULL REFERENCES cut (attachment_id),
    number INTEGER NOT NULL,
    made_at TEXT NOT NULL,
    made_by TEXT NOT NULL,
    operation TEXT NOT NULL,
    PRIMARY KEY (attachment_id, number)
) STRICT;
CREATE TABLE cut_confirmation (
    attachment_id TEXT NOT NULL REFERENCES cut (attachment_id),
    number INTEGER NOT NULL,
    made_at TEXT NOT NULL,
    made_by TEXT NOT NULL,
    corrections INTEGER NOT NULL,
    segments TEXT NOT NULL,
    phases TEXT NOT NULL,
    PRIMARY KEY (attachment_id, number)
) STRICT
"""


@migrations()
def m002_cuts_of_logs(db: sqlite_utils.Database) -> None:
    """Create the cuts of continuous logs, their corrections and confirmations."""
    each_of(db, _CUTS)


_PLANS = """
CREATE TABLE plan (
    key TEXT NOT NULL,
    version TEXT NOT NULL,
    number INTEGER NOT NULL UNIQUE,
    sha256 TEXT NOT NULL,
    document TEXT NOT NULL,
    added_at TEXT NOT NULL,
    added_by TEXT NOT NULL,
    PRIMARY KEY (key, version)
) STRICT;
ALTER TABLE judgement ADD COLUMN plan TEXT;
ALTER TABLE judgement ADD COLUMN plan_version TEXT
"""


@migrations()
def m003_service_plans(db: sqlite_utils.Database) -> None:
    """Create service plans, and name in each judgement the one it was made by."""
    each_of(db, _PLANS)


def migration_names() -> set[str]:
    """Return the names of all steps that this program knows."""
    return {m.name for m in migrations.pending(sqlite_utils.Database(memory=True))}


# The later steps, in the order in which they were added; each module registers its own.
from ingest.store import schema_accounts as _accounts  # noqa: E402, F401
from ingest.store import schema_field as _field  # noqa: E402, F401
from ingest.store import schema_jobs as _jobs  # noqa: E402, F401
from ingest.store import schema_lists as _lists  # noqa: E402, F401
from ingest.store import schema_notices as _notices  # noqa: E402, F401
from ingest.store import schema_plans as _plans  # noqa: E402, F401
from ingest.store import schema_speed as _speed  # noqa: E402, F401
from ingest.store import schema_standing as _standing  # noqa: E402, F401
