"""An export as an SQLite file of its own: one table of rows, and one of their units."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Sequence
from contextlib import closing
from pathlib import Path
from typing import Any

_TYPES = {"text": "TEXT", "number": "REAL", "count": "INTEGER"}


def write_sqlite(
    target: Path,
    table: str,
    columns: Sequence[tuple[str, str]],
    units: Sequence[tuple[str, str | None, str]],
    rows: Iterable[Sequence[Any]],
) -> int:
    """Write rows into a new SQLite file; return how many.

    Parameters
    ----------
    columns : sequence of (name, kind)
        ``kind`` is text, number or count.
    units : sequence of (name, unit, meaning)
        Written to the table ``units``.
    """
    with closing(sqlite3.connect(target)) as sql:
        listed = ", ".join(f'"{name}" {_TYPES[kind]}' for name, kind in columns)
        sql.execute(f'CREATE TABLE "{table}" ({listed}) STRICT')
        sql.execute(
            "CREATE TABLE units (table_name TEXT NOT NULL, column_name TEXT NOT NULL, unit TEXT, "
            "meaning TEXT NOT NULL, PRIMARY KEY (table_name, column_name)) STRICT"
        )
        sql.executemany("INSERT INTO units VALUES (?, ?, ?, ?)", [(table, *one) for one in units])
        places = ", ".join("?" * len(columns))
        written = sql.executemany(f'INSERT INTO "{table}" VALUES ({places})', rows).rowcount
        sql.commit()
    return max(written, 0)
