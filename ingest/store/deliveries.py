"""Messages on their way: what is due, who has taken it to deliver, what came of each try.

A courier claims a delivery for a while before it tries. One that is killed leaves a claim that
runs out, and the next one tries again: a message may come twice, by the same id, but none is lost.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal, get_args
from uuid import UUID

from ingest.store.book import Change
from ingest.store.errors import NotFound, StateConflict

Channel = Literal["webhook", "email"]
DeliveryState = Literal["waiting", "delivered", "dead", "discarded"]
DELIVERY_STATES: tuple[DeliveryState, ...] = get_args(DeliveryState)
_STATE = "CASE WHEN d.discarded_at IS NULL THEN d.state ELSE 'discarded' END"

GIVEN_UP: Mapping[str, str] = {
    "retry": "gave up after the last try",
    "gone": "the receiver said it is gone (410)",
    "refused": "the address may not be called",
}
"""What the last try came to -> why there is no other."""


@dataclass(frozen=True, slots=True)
class Delivery:
    """One message for one receiver, and how far it has come."""

    id: UUID
    message_id: str
    event: str
    channel: Channel
    webhook_id: UUID | None
    recipient: str
    state: DeliveryState
    tries: int
    made_at: str
    due_at: str
    ended_at: str | None
    why: str | None
    body: str
    discarded_at: str | None = None
    discarded_by: str | None = None
    discarded_why: str | None = None

    @property
    def content(self) -> Mapping[str, Any]:
        """Return the message as it was written."""
        found: dict[str, Any] = json.loads(self.body)
        return found


@dataclass(frozen=True, slots=True)
class Try:
    """One try of a delivery."""

    number: int
    at: str
    took_ms: int
    result: str
    status: int | None
    detail: str


_SELECT = (
    f"SELECT d.id, d.message_id, m.event, d.channel, d.webhook_id, d.recipient, {_STATE}, "
    "d.tries, m.made_at, d.due_at, d.ended_at, d.why, m.body, d.discarded_at, d.discarded_by, "
    "d.discarded_why "
    "FROM delivery d JOIN message m ON m.id = d.message_id "
)


def _delivery(row: Sequence[Any]) -> Delivery:
    return Delivery(
        UUID(row[0]),
        row[1],
        row[2],
        row[3],
        None if row[4] is None else UUID(row[4]),
        *row[5:],
    )


def due(sql: sqlite3.Connection, channel: Channel, at: str, most: int) -> list[Delivery]:
    """Return what may be tried now and nobody has claimed; each receiver's longest due first.

    At most five of one receiver: a crowd for one that is slow leaves room for all others.
    """
    rows = sql.execute(
        "SELECT d.id, d.message_id, m.event, d.channel, d.webhook_id, d.recipient, d.state, "
        "d.tries, m.made_at, d.due_at, d.ended_at, d.why, m.body FROM ("
        "SELECT *, ROW_NUMBER() OVER (PARTITION BY COALESCE(webhook_id, recipient) "
        "ORDER BY due_at, id) AS place FROM delivery WHERE state = 'waiting' "
        "AND channel = :channel AND due_at <= :at "
        "AND (claimed_until IS NULL OR claimed_until <= :at)) d "
        "JOIN message m ON m.id = d.message_id WHERE d.place <= 5 "
        "ORDER BY d.place, d.due_at, d.id LIMIT :most",
        {"channel": channel, "at": at, "most": most},
    )
    return [_delivery(r) for r in rows]


def claim(change: Change, delivery_id: UUID, until: str) -> bool:
    """Take a delivery to try it; False where another courier has it, or it is done."""
    done = change.sql.execute(
        "UPDATE delivery SET claimed_until = :until WHERE id = :id AND state = 'waiting' "
        "AND due_at <= :at AND (claimed_until IS NULL OR claimed_until <= :at)",
        {"until": until, "id": str(delivery_id), "at": change.at},
    )
    return done.rowcount == 1


def settle(
    change: Change,
    delivery_id: UUID,
    *,
    result: str,
    took_ms: int,
    status: int | None,
    detail: str,
    due_at: str | None,
) -> None:
    """Write what a try came to: delivered, due again, or (no time given) dead."""
    number = change.sql.execute(
        "SELECT COALESCE(MAX(number), 0) + 1 FROM delivery_try WHERE delivery_id = :id",
        {"id": str(delivery_id)},
    ).fetchone()[0]
    change.sql.execute(
        "INSERT INTO delivery_try (delivery_id, number, at, took_ms, result, status, detail) "
        "VALUES (:id, :number, :at, :took, :result, :status, :detail)",
        {
            "id": str(delivery_id),
            "number": number,
            "at": change.at,
            "took": took_ms,
            "result": result,
            "status": status,
            "detail": detail,
        },
    )
    state = "delivered" if result == "delivered" else "dead" if due_at is None else "waiting"
    # A delivery that was set aside during the try stays so, unless it arrived after all.
    change.sql.execute(
        "UPDATE delivery SET tries = tries + 1, claimed_until = NULL, "
        "state = CASE WHEN state = 'waiting' OR :state = 'delivered' THEN :state ELSE state END, "
        "due_at = COALESCE(:due, due_at), "
        "why = CASE WHEN :state = 'delivered' THEN NULL WHEN :state = 'dead' AND why IS NULL "
        "THEN :why ELSE why END, "
        "ended_at = CASE WHEN :state = 'waiting' THEN ended_at ELSE :at END WHERE id = :id",
        {
            "state": state,
            "due": due_at,
            "why": GIVEN_UP.get(result, result),
            "at": change.at,
            "id": str(delivery_id),
        },
    )


def set_aside(change: Change, webhook_id: UUID, why: str) -> None:
    """Put everything that waits for a receiver on the dead-letter list."""
    change.sql.execute(
        "UPDATE delivery SET state = 'dead', why = :why, ended_at = :at, claimed_until = NULL "
        "WHERE webhook_id = :id AND state = 'waiting'",
        {"why": why, "at": change.at, "id": str(webhook_id)},
    )


def delivery(sql: sqlite3.Connection, delivery_id: UUID) -> tuple[Delivery, list[Try]]:
    """Return one delivery with its tries."""
    row = sql.execute(_SELECT + "WHERE d.id = :id", {"id": str(delivery_id)}).fetchone()
    if row is None:
        raise NotFound("delivery", delivery_id)
    tries = sql.execute(
        "SELECT number, at, took_ms, result, status, detail FROM delivery_try "
        "WHERE delivery_id = :id ORDER BY number",
        {"id": str(delivery_id)},
    )
    return _delivery(row), [Try(*r) for r in tries]


def listed(
    sql: sqlite3.Connection,
    *,
    state: DeliveryState | None = None,
    webhook_id: UUID | None = None,
    channel: Channel | None = None,
    before: UUID | None = None,
    most: int = 40,
) -> list[Delivery]:
    """Return deliveries, newest first; ``before`` goes on behind the last one shown."""
    parts, given = ["1 = 1"], {"most": most}
    for clause, name, value in (
        (f"{_STATE} = :state", "state", state),
        ("d.webhook_id = :webhook", "webhook", webhook_id),
        ("d.channel = :channel", "channel", channel),
        ("d.id < :before", "before", before),
    ):
        if value is not None:
            parts.append(clause)
            given[name] = str(value)  # type: ignore[assignment]
    rows = sql.execute(
        _SELECT + "WHERE " + " AND ".join(parts) + " ORDER BY d.id DESC LIMIT :most", given
    )
    return [_delivery(r) for r in rows]


def counts(sql: sqlite3.Connection) -> dict[DeliveryState, int]:
    """Return how many deliveries there are in each state."""
    found = dict(sql.execute(f"SELECT {_STATE}, COUNT(*) FROM delivery d GROUP BY 1").fetchall())
    return {state: found.get(state, 0) for state in DELIVERY_STATES}


_AGAIN = (
    "UPDATE delivery SET state = 'waiting', tries = 0, due_at = :at, claimed_until = NULL, "
    "ended_at = NULL, why = NULL, discarded_at = NULL, discarded_by = NULL, discarded_why = NULL, "
    # To where the receiver is today: an address that was mistyped is why some are dead.
    "recipient = COALESCE((SELECT w.url FROM webhook w WHERE w.id = webhook_id), recipient) "
)


def replay(change: Change, delivery_id: UUID) -> None:
    """Set one dead or discarded delivery on its way again, under the same message id."""
    there, _ = delivery(change.sql, delivery_id)
    if there.state not in ("dead", "discarded"):
        raise StateConflict(f"the delivery is {there.state}; only a dead one is set on its way")
    if there.webhook_id is not None:
        row = change.sql.execute(
            "SELECT active FROM webhook WHERE id = :id", {"id": str(there.webhook_id)}
        ).fetchone()
        if not row[0]:
            raise StateConflict("its webhook is off or removed; switch it on first")
    change.sql.execute(_AGAIN + "WHERE id = :id", {"at": change.at, "id": str(delivery_id)})
    change.record("delivery_replayed", f"delivery:{delivery_id}", {"event": there.event})


def replay_all(change: Change, webhook_id: UUID | None) -> int:
    """Set all dead deliveries on their way, of one webhook where given; return how many.

    Those of webhooks that are off stay where they are.
    """
    done = change.sql.execute(
        _AGAIN + "WHERE state = 'dead' AND discarded_at IS NULL "
        "AND (:webhook IS NULL OR webhook_id = :webhook) "
        "AND (webhook_id IS NULL OR webhook_id IN (SELECT id FROM webhook WHERE active = 1))",
        {"at": change.at, "webhook": None if webhook_id is None else str(webhook_id)},
    ).rowcount
    if done:
        change.record(
            "deliveries_replayed",
            "deliveries" if webhook_id is None else f"webhook:{webhook_id}",
            {"count": done},
        )
    return done


_DISCARD = (
    "UPDATE delivery SET discarded_at = :at, discarded_by = :who, discarded_why = :why "
    "WHERE state = 'dead' AND discarded_at IS NULL "
)


def discard(change: Change, delivery_id: UUID, why: str) -> None:
    """Take one dead delivery off the list, with who and why; it stays kept and can be replayed."""
    there, _ = delivery(change.sql, delivery_id)
    if there.state != "dead":
        raise StateConflict(f"the delivery is {there.state}; only a dead one is discarded")
    given = {"at": change.at, "who": change.who, "why": why, "id": str(delivery_id)}
    change.sql.execute(_DISCARD + "AND id = :id", given)
    told = {"event": there.event, "message": there.message_id, "why": why}
    change.record("delivery_discarded", f"delivery:{delivery_id}", told)


def discard_all(change: Change, webhook_id: UUID | None, why: str) -> int:
    """Take all dead deliveries off the list, of one webhook where given; return how many."""
    webhook = None if webhook_id is None else str(webhook_id)
    given = {"at": change.at, "who": change.who, "why": why, "webhook": webhook}
    done = change.sql.execute(
        _DISCARD + "AND (:webhook IS NULL OR webhook_id = :webhook)", given
    ).rowcount
    if done:
        change.record(
            "deliveries_discarded",
            "deliveries" if webhook is None else f"webhook:{webhook}",
            {"count": done, "why": why},
        )
    return done


def forget_delivered(change: Change, before: str) -> int:
    """Drop what was delivered before a moment; return how many. Dead letters stay."""
    gone = "(SELECT id FROM delivery WHERE state = 'delivered' AND ended_at < :before)"
    change.sql.execute(f"DELETE FROM delivery_try WHERE delivery_id IN {gone}", {"before": before})
    done = change.sql.execute(
        "DELETE FROM delivery WHERE state = 'delivered' AND ended_at < :before",
        {"before": before},
    ).rowcount
    if done:
        change.sql.execute(
            "DELETE FROM message WHERE NOT EXISTS "
            "(SELECT 1 FROM delivery d WHERE d.message_id = message.id)"
        )
    return done
