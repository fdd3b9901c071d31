"""Many values in one statement, as SQLite takes no list for one."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Sequence
from itertools import chain
from typing import Any

_VALUES = 400
"""Values asked for in one statement."""
_ROWS = 40
"""Rows in one INSERT: so few that the statements of all sizes are kept prepared."""


def named(prefix: str, values: Sequence[Any]) -> tuple[str, dict[str, Any]]:
    """Return what stands between the brackets of ``IN (...)``, and what its names are given.

    >>> named("v", ["a", "b"]), named("v", [])
    ((':v0, :v1', {'v0': 'a', 'v1': 'b'}), ('NULL', {}))
    """
    given = {f"{prefix}{n}": value for n, value in enumerate(values)}
    return ", ".join(":" + name for name in given) or "NULL", given


def rows_of_each(
    sql: sqlite3.Connection, statement: str, values: Sequence[Any]
) -> Iterator[tuple[Any, ...]]:
    """Yield the rows of a statement that ends in ``IN``, for values however many."""
    for begin in range(0, len(values), _VALUES):
        some = values[begin : begin + _VALUES]
        yield from sql.execute(f"{statement} ({', '.join('?' * len(some))})", some)


def insert(
    sql: sqlite3.Connection, table: str, columns: Sequence[str], rows: Sequence[Sequence[Any]]
) -> None:
    """Insert rows, many with each statement.

    Between two statements, and between two rows of ``executemany``, another thread may take its
    turn, and taking it back costs more than a row.
    """
    place = f"({', '.join('?' * len(columns))})"
    for begin in range(0, len(rows), _ROWS):
        some = rows[begin : begin + _ROWS]
        sql.execute(
            f"INSERT INTO {table} ({', '.join(columns)}) VALUES {', '.join([place] * len(some))}",
            tuple(chain.from_iterable(some)),
        )
