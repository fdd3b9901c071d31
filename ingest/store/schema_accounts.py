"""Tables of accounts, sessions, keys and one-time links."""

from __future__ import annotations

import sqlite_utils

from ingest.store.schema import each_of, migrations

_ACCOUNTS = """
CREATE TABLE account (
    id TEXT PRIMARY KEY,
    name TEXT NOT NULL,
    sign_in_name TEXT NOT NULL UNIQUE,
    printed_name TEXT NOT NULL,
    email TEXT,
    role TEXT NOT NULL CHECK (role IN ('technician', 'integrator', 'reviewer', 'administrator')),
    sites TEXT,
    password_hash TEXT,
    made_at TEXT NOT NULL,
    made_by TEXT NOT NULL,
    closed_at TEXT,
    version INTEGER NOT NULL DEFAULT 1
) STRICT;
CREATE TABLE account_session (
    token_hash TEXT PRIMARY KEY,
    account_id TEXT NOT NULL REFERENCES account (id),
    made_at TEXT NOT NULL,
    seen_at TEXT NOT NULL,
    ends_at TEXT NOT NULL
) STRICT;
CREATE INDEX account_session_by_account ON account_session (account_id);
CREATE TABLE access_key (
    id TEXT PRIMARY KEY,
    label TEXT NOT NULL,
    secret_hash TEXT NOT NULL UNIQUE,
    role TEXT NOT NULL CHECK (role IN ('technician', 'integrator', 'reviewer', 'administrator')),
    scopes TEXT NOT NULL,
    sites TEXT,
    owner TEXT NOT NULL,
    made_at TEXT NOT NULL,
    made_by TEXT NOT NULL,
    ends_at TEXT,
    last_used_at TEXT,
    revoked_at TEXT,
    revoked_by TEXT
) STRICT;
CREATE TABLE one_time_link (
    token_hash TEXT PRIMARY KEY,
    account_id TEXT REFERENCES account (id),
    made_at TEXT NOT NULL,
    made_by TEXT NOT NULL,
    ends_at TEXT NOT NULL,
    used_at TEXT
) STRICT
"""


@migrations()
def m004_accounts(db: sqlite_utils.Database) -> None:
    """Create accounts, their sessions, keys of programs, and one-time links."""
    each_of(db, _ACCOUNTS)


_ANSWERS = """
CREATE TABLE kept_answer (
    owner TEXT NOT NULL,
    key TEXT NOT NULL,
    request_sha256 TEXT NOT NULL,
    status INTEGER NOT NULL,
    headers TEXT NOT NULL,
    body TEXT NOT NULL,
    made_at TEXT NOT NULL,
    PRIMARY KEY (owner, key)
) STRICT;
CREATE INDEX kept_answer_by_age ON kept_answer (made_at)
"""


@migrations()
def m005_kept_answers(db: sqlite_utils.Database) -> None:
    """Create the answers that are given again to a repeated request."""
    each_of(db, _ANSWERS)


@migrations()
def m016_language_and_units_of_a_person(db: sqlite_utils.Database) -> None:
    """Keep the language and the units that a person chose, for every device of theirs."""
    db.execute("ALTER TABLE account ADD COLUMN language TEXT")
    db.execute("ALTER TABLE account ADD COLUMN units TEXT CHECK (units IN ('us', 'si'))")
