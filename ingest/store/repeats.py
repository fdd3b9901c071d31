"""Requests that may come again: what took effect under which key, kept with the effect itself.

A ticket is set around a request. The first change made under it writes the key in the change's own
transaction, so that a repeat is known as one even where the program was killed before it answered.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass

KEPT_DAYS = 7


@dataclass(slots=True)
class Ticket:
    """One request under its key; ``took_effect`` once a change under it was committed."""

    owner: str
    key: str
    request_sha256: str
    took_effect: bool = False


@dataclass(frozen=True, slots=True)
class KeptAnswer:
    """What was answered; ``status`` is 0 where the program ended before it answered."""

    request_sha256: str
    status: int
    headers: Mapping[str, str]
    body: str


_TICKET: ContextVar[Ticket | None] = ContextVar("ticket", default=None)


@contextmanager
def under(ticket: Ticket) -> Iterator[None]:
    """Make every change in this block the effect of one request."""
    token = _TICKET.set(ticket)
    try:
        yield
    finally:
        _TICKET.reset(token)


def claim(sql: sqlite3.Connection, at: str) -> Ticket | None:
    """Write the present request's key with its effect, inside the open transaction."""
    ticket = _TICKET.get()
    if ticket is None or ticket.took_effect:
        return None
    sql.execute(
        "INSERT INTO kept_answer (owner, key, request_sha256, status, headers, body, made_at) "
        "VALUES (:owner, :key, :sha256, 0, '{}', '', :at)",
        {
            "owner": ticket.owner,
            "key": ticket.key,
            "sha256": ticket.request_sha256,
            "at": at,
        },
    )
    return ticket


def kept(sql: sqlite3.Connection, owner: str, key: str) -> KeptAnswer | None:
    """Return what was answered under a key."""
    row = sql.execute(
        "SELECT request_sha256, status, headers, body FROM kept_answer "
        "WHERE owner = :owner AND key = :key",
        {"owner": owner, "key": key},
    ).fetchone()
    return None if row is None else KeptAnswer(row[0], row[1], json.loads(row[2]), row[3])


def keep(
    sql: sqlite3.Connection,
    ticket: Ticket,
    status: int,
    headers: Mapping[str, str],
    body: str,
    at: str,
    oldest: str,
) -> None:
    """Write what was answered; drop what is older than anyone repeats."""
    sql.execute("DELETE FROM kept_answer WHERE made_at < :oldest", {"oldest": oldest})
    sql.execute(
        "INSERT INTO kept_answer (owner, key, request_sha256, status, headers, body, made_at) "
        "VALUES (:owner, :key, :sha256, :status, :headers, :body, :at) "
        "ON CONFLICT (owner, key) DO UPDATE SET status = excluded.status, "
        "headers = excluded.headers, body = excluded.body",
        {
            "owner": ticket.owner,
            "key": ticket.key,
            "sha256": ticket.request_sha256,
            "status": status,
            "headers": json.dumps(dict(headers)),
            "body": body,
            "at": at,
        },
    )
