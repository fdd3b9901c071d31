"""Subscriptions of other systems: address, events, and the secrets that sign what is sent.

A secret is kept sealed, never hashed, because it signs; it is opened only towards the courier.
Neither the trail nor any answer holds one.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import Any
from uuid import UUID

from ingest.identifiers import new_id
from ingest.store import deliveries
from ingest.store.audit import canonical_json
from ingest.store.book import Change
from ingest.store.errors import NotFound, SecretsLocked, VersionConflict
from ingest.store.sealing import Seal, seal_for


@dataclass(frozen=True, slots=True)
class Subscription:
    """What is asked for: where to, which events, of which site, and whether it is on."""

    url: str
    name: str
    events: tuple[str, ...]
    site_id: UUID | None = None
    active: bool = True


@dataclass(frozen=True, slots=True)
class Webhook:
    """A subscription as the book has it, without its secrets."""

    id: UUID
    asked: Subscription
    off_why: str | None
    old_secret_ends: str | None
    made_at: str
    made_by: str
    version: int


_COLUMNS = (
    "id, url, name, events, site_id, active, off_why, old_secret_ends, made_at, made_by, version"
)


def _webhook(row: Sequence[Any]) -> Webhook:
    asked = Subscription(
        url=row[1],
        name=row[2],
        events=tuple(json.loads(row[3])),
        site_id=None if row[4] is None else UUID(row[4]),
        active=bool(row[5]),
    )
    return Webhook(UUID(row[0]), asked, row[6], row[7], row[8], row[9], row[10])


def webhooks(sql: sqlite3.Connection) -> list[Webhook]:
    """Return all subscriptions, oldest first."""
    rows = sql.execute(f"SELECT {_COLUMNS} FROM webhook WHERE removed_at IS NULL ORDER BY id")
    return [_webhook(r) for r in rows]


def webhook(sql: sqlite3.Connection, webhook_id: UUID) -> Webhook:
    """Return one subscription."""
    row = sql.execute(
        f"SELECT {_COLUMNS} FROM webhook WHERE id = :id AND removed_at IS NULL",
        {"id": str(webhook_id)},
    ).fetchone()
    if row is None:
        raise NotFound("webhook", webhook_id)
    return _webhook(row)


def secrets_of(sql: sqlite3.Connection, webhook_id: UUID, at: str, seal: Seal) -> tuple[str, ...]:
    """Return what signs a message at a moment: the secret, and the old one while it still does.

    Raises
    ------
    SecretsLocked
        If no key at hand opens the secret. An old one that nothing opens any more is left out.
    """
    row = sql.execute(
        "SELECT secret, old_secret, old_secret_ends FROM webhook WHERE id = :id",
        {"id": str(webhook_id)},
    ).fetchone()
    if row is None:
        raise NotFound("webhook", webhook_id)
    found = [seal.opened(row[0], str(webhook_id))]
    if row[1] is not None and row[2] is not None and row[2] > at:
        with suppress(SecretsLocked):
            found.append(seal.opened(row[1], str(webhook_id)))
    return tuple(found)


def _row(asked: Subscription) -> dict[str, Any]:
    return {
        "url": asked.url,
        "name": asked.name,
        "events": canonical_json(sorted(set(asked.events))),
        "site": None if asked.site_id is None else str(asked.site_id),
        "active": int(asked.active),
    }


def _told(asked: Subscription) -> dict[str, Any]:
    return {**_row(asked), "events": sorted(set(asked.events)), "active": asked.active}


def _check_site(sql: sqlite3.Connection, asked: Subscription) -> None:
    given = {"id": str(asked.site_id)}
    if asked.site_id is not None and (
        sql.execute("SELECT 1 FROM site WHERE id = :id", given).fetchone() is None
    ):
        raise NotFound("site", asked.site_id)


def add(change: Change, asked: Subscription, secret: str, seal: Seal) -> UUID:
    """Write a new subscription, its secret sealed."""
    _check_site(change.sql, asked)
    identity = new_id()
    change.sql.execute(
        "INSERT INTO webhook (id, url, name, events, site_id, active, secret, made_at, made_by) "
        "VALUES (:id, :url, :name, :events, :site, :active, :secret, :at, :who)",
        {
            **_row(asked),
            "id": str(identity),
            "secret": seal_for(change.sql, seal, secret, str(identity)),
            "at": change.at,
            "who": change.who,
        },
    )
    change.record("webhook_made", f"webhook:{identity}", _told(asked))
    return identity


def alter(change: Change, webhook_id: UUID, asked: Subscription, expected: int | None) -> None:
    """Write what is asked for in place of what was; switched off, what waits is set aside."""
    there = webhook(change.sql, webhook_id)
    if expected is not None and expected != there.version:
        raise VersionConflict("webhook", webhook_id, expected, there.version)
    if _row(there.asked) == _row(asked):
        return
    _check_site(change.sql, asked)
    change.sql.execute(
        "UPDATE webhook SET url = :url, name = :name, events = :events, site_id = :site, "
        "active = :active, off_why = NULL, version = version + 1 WHERE id = :id",
        {**_row(asked), "id": str(webhook_id)},
    )
    if there.asked.active and not asked.active:
        deliveries.set_aside(change, webhook_id, "the webhook was switched off")
    change.record("webhook_changed", f"webhook:{webhook_id}", _told(asked))


def switch_off(change: Change, webhook_id: UUID, why: str) -> None:
    """Switch a subscription off because of what its receiver said."""
    change.sql.execute(
        "UPDATE webhook SET active = 0, off_why = :why, version = version + 1 WHERE id = :id",
        {"why": why, "id": str(webhook_id)},
    )
    deliveries.set_aside(change, webhook_id, why)
    change.record("webhook_switched_off", f"webhook:{webhook_id}", {"why": why})


def rotate(change: Change, webhook_id: UUID, secret: str, old_ends: str | None, seal: Seal) -> None:
    """Put a new secret in place; the one before goes on signing beside it until ``old_ends``."""
    webhook(change.sql, webhook_id)
    change.sql.execute(
        "UPDATE webhook SET old_secret = CASE WHEN :ends IS NULL THEN NULL ELSE secret END, "
        "old_secret_ends = :ends, secret = :secret, version = version + 1 WHERE id = :id",
        {
            "ends": old_ends,
            "secret": seal_for(change.sql, seal, secret, str(webhook_id)),
            "id": str(webhook_id),
        },
    )
    change.record("webhook_secret_rotated", f"webhook:{webhook_id}", {"old_signs_until": old_ends})


def remove(change: Change, webhook_id: UUID) -> None:
    """Take a subscription out and forget its secrets; what was sent stays listed."""
    webhook(change.sql, webhook_id)
    change.sql.execute(
        "UPDATE webhook SET active = 0, secret = '', old_secret = NULL, old_secret_ends = NULL, "
        "removed_at = :at WHERE id = :id",
        {"at": change.at, "id": str(webhook_id)},
    )
    deliveries.set_aside(change, webhook_id, "the webhook was removed")
    change.record("webhook_removed", f"webhook:{webhook_id}", {})
