"""What others are to be told, written by the change that causes it.

Every event follows a line of the trail: ``follow`` is called with each line inside its own
transaction and writes one message, with one delivery for each subscription and each person on
duty that it goes to. So there is no change without its messages and no message without its change,
whatever happens to the program afterwards.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Mapping, Sequence
from typing import Any

from ingest.identifiers import new_id
from ingest.store.audit import canonical_json

EVENTS: Mapping[str, str] = {
    "visit.handed_in": "A technician handed a visit in; its judgement is frozen.",
    "visit.accepted": "The office accepted a visit.",
    "visit.sent_back": "The office sent a visit back to its technician.",
    "visit.judged_again": "A finished visit was judged again by today's rules.",
    "reading.superseded": "A reading was corrected or taken out; the old one stays in the book.",
    "flag.stop": "A visit was handed in with a finding that says stop.",
    "flag.stop_taken": "A person took a standing stop by name.",
}
"""Event -> when it happens. Also the names that a subscription may ask for."""

TEST_EVENT = "webhook.test"
"""Sent to one subscription when somebody asks for it, whatever it subscribed to."""

DUTY_TEST = "duty.test"
"""A mail to one person on duty, to see that it arrives."""

EVENT_OF_ACTION: Mapping[str, str] = {
    "handed_in": "visit.handed_in",
    "accepted": "visit.accepted",
    "sent_back": "visit.sent_back",
    "judged_again": "visit.judged_again",
    "reading_superseded": "reading.superseded",
    "stop_taken": "flag.stop_taken",
}
"""What the trail calls a change -> the event that follows from it."""

# What of a line's details a receiver is told; hashes and documents stay in the book.
_TOLD = ("why", "words", "note", "old", "new")


def follow(
    sql: sqlite3.Connection,
    *,
    line: int,
    at: str,
    who: str,
    action: str,
    subject: str,
    details: Mapping[str, Any],
) -> None:
    """Write the messages that follow from a line of the trail, in the line's own transaction."""
    event = EVENT_OF_ACTION.get(action)
    kind, _, visit_id = subject.partition(":")
    if event is None or kind != "visit":
        return
    stops = _stops(sql, visit_id) if event == "visit.handed_in" else []
    if stops:
        _raise_stop(sql, visit_id, at, who, stops)
    hooks = _subscribed(sql, visit_id)
    people = sql.execute("SELECT name, email FROM duty_person ORDER BY id") if stops else ()
    duty = [f"{name} <{email}>" for name, email in people]
    if not hooks and not duty:
        return
    data = {
        **_visit(sql, visit_id),
        "line": line,
        "who": who,
        **{key: details[key] for key in _TOLD if details.get(key)},
    }
    _write(sql, event, at, data, hooks, ())
    if stops:
        _write(sql, "flag.stop", at, {**data, "flags": stops}, hooks, duty)


def write_message(
    sql: sqlite3.Connection,
    event: str,
    at: str,
    data: Mapping[str, Any],
    *,
    webhook: tuple[str, str] | None = None,
    duty: str | None = None,
) -> str:
    """Write one message to one webhook (id, address) or one person; return the delivery's id."""
    return _queue(
        sql, event, at, data, [] if webhook is None else [webhook], [] if duty is None else [duty]
    )[0]


def _write(
    sql: sqlite3.Connection,
    event: str,
    at: str,
    data: Mapping[str, Any],
    hooks: Sequence[tuple[str, str, Sequence[str]]],
    duty: Sequence[str],
) -> None:
    wanted = [(identity, url) for identity, url, events in hooks if event in events]
    if wanted or duty:
        _queue(sql, event, at, data, wanted, duty)


def _queue(
    sql: sqlite3.Connection,
    event: str,
    at: str,
    data: Mapping[str, Any],
    hooks: Sequence[tuple[str, str]],
    duty: Sequence[str],
) -> list[str]:
    message = f"msg_{new_id().hex}"
    # Standard Webhooks: type, timestamp and data; the text that is signed is the text kept here.
    body = canonical_json({"type": event, "timestamp": at, "data": dict(data)})
    sql.execute(
        "INSERT INTO message (id, event, made_at, body) VALUES (:id, :event, :at, :body)",
        {"id": message, "event": event, "at": at, "body": body},
    )
    rows = [
        {
            "id": str(new_id()),
            "message": message,
            "channel": channel,
            "webhook": webhook,
            "recipient": recipient,
            "at": at,
        }
        for channel, webhook, recipient in (
            *(("webhook", identity, url) for identity, url in hooks),
            *(("email", None, person) for person in duty),
        )
    ]
    sql.executemany(
        "INSERT INTO delivery (id, message_id, channel, webhook_id, recipient, state, due_at) "
        "VALUES (:id, :message, :channel, :webhook, :recipient, 'waiting', :at)",
        rows,
    )
    return [str(row["id"]) for row in rows]


def _subscribed(sql: sqlite3.Connection, visit_id: str) -> list[tuple[str, str, Sequence[str]]]:
    """Return the subscriptions that are on and whose site, where they name one, is the visit's."""
    rows = sql.execute(
        "SELECT id, url, events FROM webhook WHERE active = 1 AND removed_at IS NULL "
        "AND (site_id IS NULL OR site_id = (SELECT b.site_id FROM visit v "
        "JOIN boiler b ON b.id = v.boiler_id WHERE v.id = :v)) ORDER BY id",
        {"v": visit_id},
    )
    return [(r[0], r[1], json.loads(r[2])) for r in rows]


def _stops(sql: sqlite3.Connection, visit_id: str) -> list[dict[str, str]]:
    rows = sql.execute(
        "SELECT rule, message FROM flag WHERE visit_id = :v AND severity = 'stop' "
        "ORDER BY position",
        {"v": visit_id},
    )
    return [{"rule": r[0], "message": r[1]} for r in rows]


def _raise_stop(
    sql: sqlite3.Connection, visit_id: str, at: str, who: str, stops: Sequence[Mapping[str, str]]
) -> None:
    """Put the visit on top of the list; where nobody took the last stop, with today's findings."""
    sql.execute(
        "INSERT INTO standing_stop (id, visit_id, raised_at, handed_in_by, flags) "
        "VALUES (:id, :v, :at, :who, :flags) ON CONFLICT (visit_id) WHERE taken_at IS NULL "
        "DO UPDATE SET handed_in_by = excluded.handed_in_by, flags = excluded.flags",
        {
            "id": str(new_id()),
            "v": visit_id,
            "at": at,
            "who": who,
            "flags": canonical_json(list(stops)),
        },
    )


def _visit(sql: sqlite3.Connection, visit_id: str) -> dict[str, Any]:
    row = sql.execute(
        "SELECT v.id, v.external_id, v.state, v.version, v.started, v.technician, "
        "v.boiler_id, b.external_id, b.name, b.site_id, s.name FROM visit v "
        "LEFT JOIN boiler b ON b.id = v.boiler_id LEFT JOIN site s ON s.id = b.site_id "
        "WHERE v.id = :v",
        {"v": visit_id},
    ).fetchone()
    names = (
        "visit_id",
        "visit_external_id",
        "state",
        "version",
        "started",
        "technician",
        "boiler_id",
        "boiler_external_id",
        "boiler",
        "site_id",
        "site",
    )
    counts = dict(
        sql.execute(
            "SELECT severity, COUNT(*) FROM flag WHERE visit_id = :v GROUP BY severity",
            {"v": visit_id},
        ).fetchall()
    )
    found = {key: value for key, value in zip(names, row, strict=True) if value is not None}
    return {**found, "flags_by_severity": counts}
