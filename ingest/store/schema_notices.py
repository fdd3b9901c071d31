"""Tables of what others are told: subscriptions, outbox, duty list, standing stops."""

from __future__ import annotations

import sqlite_utils

from ingest.store.schema import each_of, migrations

_NOTICES = """
CREATE TABLE webhook (
    id TEXT PRIMARY KEY,
    url TEXT NOT NULL,
    name TEXT NOT NULL,
    events TEXT NOT NULL,
    site_id TEXT REFERENCES site (id),
    active INTEGER NOT NULL CHECK (active IN (0, 1)),
    off_why TEXT,
    secret TEXT NOT NULL,
    old_secret TEXT,
    old_secret_ends TEXT,
    made_at TEXT NOT NULL,
    made_by TEXT NOT NULL,
    removed_at TEXT,
    version INTEGER NOT NULL DEFAULT 1
) STRICT;
CREATE TABLE duty_person (
    id TEXT PRIMARY KEY,
    name TEXT NOT NULL,
    email TEXT NOT NULL,
    version INTEGER NOT NULL DEFAULT 1
) STRICT;
CREATE TABLE message (
    id TEXT PRIMARY KEY,
    event TEXT NOT NULL,
    made_at TEXT NOT NULL,
    body TEXT NOT NULL
) STRICT;
CREATE TABLE delivery (
    id TEXT PRIMARY KEY,
    message_id TEXT NOT NULL REFERENCES message (id),
    channel TEXT NOT NULL CHECK (channel IN ('webhook', 'email')),
    webhook_id TEXT REFERENCES webhook (id),
    recipient TEXT NOT NULL,
    state TEXT NOT NULL CHECK (state IN ('waiting', 'delivered', 'dead')),
    tries INTEGER NOT NULL DEFAULT 0,
    due_at TEXT NOT NULL,
    claimed_until TEXT,
    ended_at TEXT,
    why TEXT
) STRICT;
CREATE INDEX delivery_due ON delivery (channel, due_at) WHERE state = 'waiting';
CREATE INDEX delivery_by_state ON delivery (state, id);
CREATE INDEX delivery_by_webhook ON delivery (webhook_id, id);
CREATE INDEX delivery_by_message ON delivery (message_id);
CREATE TABLE delivery_try (
    delivery_id TEXT NOT NULL REFERENCES delivery (id),
    number INTEGER NOT NULL,
    at TEXT NOT NULL,
    took_ms INTEGER NOT NULL,
    result TEXT NOT NULL,
    status INTEGER,
    detail TEXT NOT NULL,
    PRIMARY KEY (delivery_id, number)
) STRICT;
CREATE TABLE standing_stop (
    id TEXT PRIMARY KEY,
    visit_id TEXT NOT NULL REFERENCES visit (id),
    raised_at TEXT NOT NULL,
    handed_in_by TEXT NOT NULL,
    flags TEXT NOT NULL,
    taken_at TEXT,
    taken_by TEXT,
    words TEXT
) STRICT;
CREATE UNIQUE INDEX standing_stop_once ON standing_stop (visit_id) WHERE taken_at IS NULL;
CREATE INDEX standing_stop_open ON standing_stop (raised_at) WHERE taken_at IS NULL
"""

# A stop that was handed in before there was this list must not be missing from it.
_ALREADY_STANDING = """
INSERT INTO standing_stop (id, visit_id, raised_at, handed_in_by, flags)
SELECT v.id, v.id, COALESCE(v.handed_in_at, v.started, '1970-01-01T00:00:00.000000Z'),
    COALESCE(v.technician, ''),
    (SELECT json_group_array(json_object('message', f.message, 'rule', f.rule))
        FROM flag f WHERE f.visit_id = v.id AND f.severity = 'stop')
FROM visit v WHERE v.state = 'handed_in' AND v.imported = 0
    AND EXISTS (SELECT 1 FROM flag f WHERE f.visit_id = v.id AND f.severity = 'stop')
"""


@migrations()
def m006_notices(db: sqlite_utils.Database) -> None:
    """Create webhooks, duty list, outbox and standing stops; raise those that stand already."""
    each_of(db, _NOTICES)
    db.execute(_ALREADY_STANDING)


_DISCARDED = """
ALTER TABLE delivery ADD COLUMN discarded_at TEXT;
ALTER TABLE delivery ADD COLUMN discarded_by TEXT;
ALTER TABLE delivery ADD COLUMN discarded_why TEXT
"""


@migrations()
def m017_discarded_dead_letters(db: sqlite_utils.Database) -> None:
    """Say of a dead letter who took it off the list, when and why; it stays kept."""
    each_of(db, _DISCARDED)
