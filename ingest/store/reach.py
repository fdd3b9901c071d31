"""How far whoever asks can see: a key or an account may be held to some sites.

Set around a request. Within it a boiler, a visit or a site outside is answered as not there, and
lists leave it out. Outside of any request (commands, tests, the demo) everything is within reach.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from typing import Any
from uuid import UUID

from ingest.store.named import named


@dataclass(frozen=True, slots=True)
class Reach:
    """Sites within reach, and whose visits to boilers that are not yet known."""

    sites: frozenset[UUID]
    owner: str = ""


_REACH: ContextVar[Reach | None] = ContextVar("reach", default=None)


@contextmanager
def within(reach: Reach | None) -> Iterator[None]:
    """Hold everything in this block to some sites; None holds it to nothing."""
    token = _REACH.set(reach)
    try:
        yield
    finally:
        _REACH.reset(token)


def unbounded() -> bool:
    """Return whether everything is within reach."""
    return _REACH.get() is None


def reaches_site(site_id: UUID | str | None) -> bool:
    """Return whether a site is within reach; what has no site is not, where sites are named."""
    reach = _REACH.get()
    return reach is None or (site_id is not None and UUID(str(site_id)) in reach.sites)


def reaches_boiler(sql: sqlite3.Connection, boiler_id: UUID | str | None) -> bool:
    """Return whether a boiler is within reach."""
    if _REACH.get() is None:
        return True
    row = sql.execute(
        "SELECT site_id FROM boiler WHERE id = :id", {"id": str(boiler_id)}
    ).fetchone()
    return row is not None and reaches_site(row[0])


def reaches_visit(sql: sqlite3.Connection, visit_id: UUID | str) -> bool:
    """Return whether a visit is within reach: by its boiler's site, or as its owner's own."""
    reach = _REACH.get()
    if reach is None:
        return True
    row = sql.execute(
        "SELECT boiler_id, owner FROM visit WHERE id = :id", {"id": str(visit_id)}
    ).fetchone()
    if row is None:
        return True  # not there at all: whoever looks finds that out
    if row[0] is None:
        return bool(reach.owner) and row[1] == reach.owner
    return reaches_boiler(sql, row[0])


def where_visits(boiler: str, owner: str) -> tuple[str, dict[str, Any]] | None:
    """Return the condition of a list of visits by its columns, None where all are within reach.

    The boilers are looked up once for the list, so that an index of visits is enough for it.
    """
    reach = _REACH.get()
    if reach is None:
        return None
    names, given = _sites(reach)
    condition = f"{boiler} IN (SELECT held.id FROM boiler held WHERE held.site_id IN ({names}))"
    if not reach.owner:
        return condition, given
    given["reach_owner"] = reach.owner
    return f"({condition} OR ({boiler} IS NULL AND {owner} = :reach_owner))", given


def where_site(site: str) -> tuple[str, dict[str, Any]] | None:
    """Return the condition of a list by its column of sites, None where all are within reach."""
    reach = _REACH.get()
    if reach is None:
        return None
    names, given = _sites(reach)
    return f"{site} IN ({names})", given


def _sites(reach: Reach) -> tuple[str, dict[str, Any]]:
    return named("reach", sorted(map(str, reach.sites)))
