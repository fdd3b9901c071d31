"""Sites and boilers."""

from __future__ import annotations

import sqlite3
from typing import TypeVar
from uuid import UUID

from ingest.dimensions import Document
from ingest.models import Boiler, Site
from ingest.store import reach
from ingest.store.book import Change
from ingest.store.errors import NotFound, StateConflict, VersionConflict
from ingest.store.held import document_of

Kept = TypeVar("Kept", bound=Document)
_TABLES: dict[str, type[Document]] = {"site": Site, "boiler": Boiler}


def _put(
    change: Change,
    table: str,
    document: Site | Boiler,
    columns: dict[str, object],
    owner: str,
    expected: int | None,
) -> int:
    """Write a document; return its version. The same document again changes nothing."""
    text = document.model_dump_json(exclude_none=True)
    found = change.sql.execute(
        f"SELECT version, document FROM {table} WHERE id = :id", {"id": str(document.id)}
    ).fetchone()
    if found is not None and not _reached(change.sql, table, document.id):
        raise NotFound(table, document.id)
    if table == "site" and not reach.reaches_site(str(document.id)):
        raise NotFound(table, document.id)
    if isinstance(document, Boiler) and not reach.reaches_site(document.site_id):
        raise NotFound("site", document.site_id)
    if expected is not None and expected != (found[0] if found else 0):
        raise VersionConflict(table, document.id, expected, found[0] if found else 0)
    if found is not None and found[1] == text:
        return int(found[0])
    refuse_taken(change.sql, table, document.id, document.external_id, owner)
    row = {
        "id": str(document.id),
        "owner": owner,
        "external_id": document.external_id,
        "name": document.name,
        "document": text,
        "version": (found[0] if found else 0) + 1,
        "changed_at": change.at,
        **columns,
    }
    names = list(row)
    change.sql.execute(
        f"INSERT INTO {table} ({', '.join(names)}) VALUES ({', '.join(':' + n for n in names)}) "
        "ON CONFLICT (id) DO UPDATE SET "
        + ", ".join(f"{n} = excluded.{n}" for n in names if n not in ("id", "owner")),
        row,
    )
    change.record(
        f"{table}_{'changed' if found else 'added'}",
        f"{table}:{document.id}",
        {"document": document.model_dump(mode="json", exclude_none=True)},
    )
    return int(str(row["version"]))


def put_site(change: Change, site: Site, owner: str, expected: int | None) -> int:
    """Write a site; return its version."""
    return _put(change, "site", site, {}, owner, expected)


def put_boiler(change: Change, boiler: Boiler, owner: str, expected: int | None) -> int:
    """Write a boiler; return its version. Raises NotFound where its site is not in the book."""
    site = str(boiler.site_id) if boiler.site_id is not None else None
    if site is not None:
        document(change.sql, "site", boiler.site_id, Site)
    return _put(change, "boiler", boiler, {"site_id": site}, owner, expected)


def document(
    sql: sqlite3.Connection, table: str, identity: UUID | str | None, model: type[Kept]
) -> tuple[Kept, int]:
    """Return a document and its version."""
    row = sql.execute(
        f"SELECT document, version FROM {table} WHERE id = :id", {"id": str(identity)}
    ).fetchone()
    if row is None or not _reached(sql, table, identity):
        raise NotFound(table, identity)
    return document_of(model, row[0]), int(row[1])


def _reached(sql: sqlite3.Connection, table: str, identity: object) -> bool:
    if table == "site":
        return reach.reaches_site(str(identity))
    return reach.reaches_boiler(sql, str(identity))


def owner(sql: sqlite3.Connection, table: str, identity: UUID) -> str:
    """Return whose external ids a site or boiler goes by."""
    row = sql.execute(f"SELECT owner FROM {table} WHERE id = :id", {"id": str(identity)}).fetchone()
    return "" if row is None else str(row[0])


def by_external_id(
    sql: sqlite3.Connection, table: str, external_id: str, owner: str
) -> UUID | None:
    """Return the id of what an integrator knows under its own id."""
    row = sql.execute(
        f"SELECT id FROM {table} WHERE owner = :owner AND external_id = :external_id",
        {"owner": owner, "external_id": external_id},
    ).fetchone()
    return None if row is None else UUID(row[0])


def refuse_taken(
    sql: sqlite3.Connection, table: str, identity: UUID | None, external_id: str | None, owner: str
) -> None:
    """Raise StateConflict where an external id names another site, boiler, job or visit already."""
    if external_id is None:
        return
    other = by_external_id(sql, table, external_id, owner)
    if other is not None and other != identity:
        raise StateConflict(f"the external id {external_id!r} already names the {table} {other}")


def has(sql: sqlite3.Connection, table: str, identity: UUID | None) -> bool:
    """Return whether the book has a site, boiler or job of this id, within reach or not."""
    found = sql.execute(f"SELECT 1 FROM {table} WHERE id = :id", {"id": str(identity)}).fetchone()
    return found is not None


def boilers(sql: sqlite3.Connection, site_id: UUID | None = None) -> list[Boiler]:
    """Return all boilers by name, of one site where given."""
    parts: list[str] = []
    given: dict[str, object] = {}
    if site_id is not None:
        parts.append("site_id = :site_id")
        given["site_id"] = str(site_id)
    held = reach.where_site("site_id")
    if held is not None:
        parts.append(held[0])
        given |= held[1]
    where = f"WHERE {' AND '.join(parts)} " if parts else ""
    rows = sql.execute(f"SELECT document FROM boiler {where}ORDER BY name, id", given)
    return [Boiler.model_validate_json(row[0]) for row in rows]


def named_boilers(
    sql: sqlite3.Connection, text: str, *, skip: int, most: int
) -> list[tuple[UUID, str, str]]:
    """Return id, name and site's name of boilers by site and name, those that hold a text."""
    parts, given = ["1 = 1"], dict[str, object](skip=skip, most=most)
    if text:
        parts.append("(INSTR(LOWER(b.name), :text) OR INSTR(LOWER(s.name), :text))")
        given["text"] = text.lower()
    held = reach.where_site("b.site_id")
    if held is not None:
        parts.append(held[0])
        given |= held[1]
    rows = sql.execute(
        "SELECT b.id, b.name, COALESCE(s.name, '') AS site FROM boiler b "
        f"LEFT JOIN site s ON s.id = b.site_id WHERE {' AND '.join(parts)} "
        "ORDER BY site, b.name, b.id LIMIT :most OFFSET :skip",
        given,
    )
    return [(UUID(row[0]), row[1], row[2]) for row in rows]


def sites(sql: sqlite3.Connection) -> list[Site]:
    """Return all sites by name."""
    condition, given = reach.where_site("id") or ("1 = 1", {})
    rows = sql.execute(f"SELECT document FROM site WHERE {condition} ORDER BY name, id", given)
    return [Site.model_validate_json(row[0]) for row in rows]
