"""Several queries that see the book as of one moment, whoever writes meanwhile."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def one_moment(sql: sqlite3.Connection) -> Iterator[None]:
    """Let all queries inside see the book as the first of them does; nothing is written."""
    sql.execute("BEGIN")
    try:
        yield
    finally:
        sql.execute("ROLLBACK")
