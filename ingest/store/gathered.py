"""What a walk over the whole trail gathers, near at hand while it is little, else in a file.

The file is SQLite's own temporary one: it has no name, and is gone with the connection. So a book
of any size is verified in the memory of a small one.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable, Iterator
from typing import Any

from ingest.store.audit import canonical_json

NEAR_MOST = 50_000
"""Rows that are held in memory at once."""
IDS_MOST = 200_000
Key = tuple[str, str]
Row = tuple[dict[str, Any], int]
"""Columns of a row as values that JSON knows, and the line that told of them last."""


class _Far:
    """Makes the file when it is needed first."""

    def __init__(self) -> None:
        self._sql: sqlite3.Connection | None = None

    def __bool__(self) -> bool:
        return self._sql is not None

    @property
    def sql(self) -> sqlite3.Connection:
        if self._sql is None:
            self._sql = sqlite3.connect("", isolation_level=None)
            self._sql.execute("PRAGMA journal_mode = OFF")
            self._sql.execute("PRAGMA synchronous = OFF")
            self._sql.execute(
                "CREATE TABLE told (place TEXT, key TEXT, columns BLOB, line INTEGER, "
                "PRIMARY KEY (place, key)) WITHOUT ROWID"
            )
            self._sql.execute("CREATE TABLE known (id TEXT PRIMARY KEY) WITHOUT ROWID")
        return self._sql


class Rows:
    """Rows by table and key."""

    def __init__(self) -> None:
        self._near: dict[Key, Row] = {}
        self._far = _Far()

    def get(self, table: str, key: str) -> Row | None:
        """Return a row, None where nothing is told of it."""
        found = self._near.get((table, key))
        if found is None and self._far:
            away = self._far.sql.execute(
                "SELECT columns, line FROM told WHERE place = :place AND key = :key",
                {"place": table, "key": key},
            ).fetchone()
            if away is not None:
                found = self._near[table, key] = (json.loads(away[0]), away[1])
        if len(self._near) > NEAR_MOST:
            self._put_away()
        return found

    def put(self, table: str, key: str, line: int, columns: dict[str, Any]) -> None:
        """Tell columns of a row; what was told before of its other columns stays."""
        there = self.get(table, key)
        self._near[table, key] = ({**(there[0] if there else {}), **columns}, line)

    def pop(self, table: str, key: str) -> Row | None:
        """Return a row and forget it."""
        found = self.get(table, key)
        if found is not None:
            self._near.pop((table, key), None)
            if self._far:
                self._far.sql.execute(
                    "DELETE FROM told WHERE place = :place AND key = :key",
                    {"place": table, "key": key},
                )
        return found

    def left(self, table: str) -> Iterator[tuple[str, int]]:
        """Yield key and line of the rows of a table that are still there, in the order of lines."""
        if not self._far:
            near = [(line, key) for (place, key), (_, line) in self._near.items() if place == table]
            yield from ((key, line) for line, key in sorted(near))
            return
        self._put_away()
        yield from self._far.sql.execute(
            "SELECT key, line FROM told WHERE place = :place ORDER BY line, key", {"place": table}
        )

    def _put_away(self) -> None:
        sql = self._far.sql
        sql.execute("BEGIN")
        sql.executemany(
            "INSERT OR REPLACE INTO told (place, key, columns, line) VALUES (?, ?, ?, ?)",
            (
                (table, key, canonical_json(columns), line)
                for (table, key), (columns, line) in self._near.items()
            ),
        )
        sql.execute("COMMIT")
        self._near.clear()


class Ids:
    """A set of ids."""

    def __init__(self) -> None:
        self._near: set[str] = set()
        self._far = _Far()

    def update(self, ids: Iterable[str]) -> None:
        """Add ids."""
        self._near.update(ids)
        if len(self._near) > IDS_MOST:
            sql = self._far.sql
            sql.execute("BEGIN")
            sql.executemany(
                "INSERT OR IGNORE INTO known (id) VALUES (?)", ((i,) for i in sorted(self._near))
            )
            sql.execute("COMMIT")
            self._near.clear()

    def __contains__(self, identity: str) -> bool:
        if identity in self._near or not self._far:
            return identity in self._near
        found = self._far.sql.execute("SELECT 1 FROM known WHERE id = :id", {"id": identity})
        return found.fetchone() is not None
