"""What was read from a book while something was made of it, so that it can be asked again.

Whatever is made of the book's rows alone may be given again while the same statements give the same
rows: that holds for changes by whoever writes, and needs no list of what depends on what. A thing
that was also made of something else (the moment, a change of the book, a look at it as a whole) is
spoilt: it must not be given again.
"""

from __future__ import annotations

import hashlib
import sqlite3
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from typing import Any

import orjson

_Params = Any
_Key = tuple[str, tuple[Any, ...]]


def _bytes(value: object) -> object:
    if isinstance(value, bytes):
        return {"bytes": value.hex()}
    raise TypeError(f"no row holds a {type(value).__name__}")


def _digest(rows: list[Any]) -> bytes:
    return hashlib.sha256(orjson.dumps(rows, default=_bytes)).digest()


class Seen:
    """The statements that were asked, each with the digest of its rows."""

    def __init__(self) -> None:
        self._asked: dict[_Key, tuple[_Params, bytes]] = {}
        self.spoilt = False

    def note(self, statement: str, given: _Params, rows: list[Any]) -> None:
        """Keep what a statement gave; one that gave two things was asked during a change."""
        pairs = given.items() if isinstance(given, dict) else given
        key = (statement, tuple(pairs))
        digest = _digest(rows)
        known = self._asked.setdefault(key, (_copied(given), digest))
        self.spoilt = self.spoilt or known[1] != digest

    def still(self, sql: sqlite3.Connection) -> bool:
        """Return whether all statements give what they gave."""
        return not self.spoilt and all(
            _digest(sql.execute(statement, given).fetchall()) == digest
            for (statement, _), (given, digest) in self._asked.items()
        )


def _copied(given: _Params) -> _Params:
    return dict(given) if isinstance(given, dict) else tuple(given)


_seen: ContextVar[Seen | None] = ContextVar("fluebook_seen", default=None)


@contextmanager
def watching() -> Iterator[Seen]:
    """Note what is read inside, by whichever thread works in this context."""
    seen = Seen()
    token = _seen.set(seen)
    try:
        yield seen
    finally:
        _seen.reset(token)


def spoil() -> None:
    """Say that what is being made, if anybody watches, hangs on more than the book's rows."""
    seen = _seen.get()
    if seen is not None:
        seen.spoilt = True


class Watched(sqlite3.Connection):
    """A connection whose reading is noted where somebody watches."""

    def execute(self, sql: str, parameters: _Params = (), /) -> sqlite3.Cursor:
        """Ask one statement."""
        cursor = super().execute(sql, parameters)
        seen = _seen.get()
        # What is no question (the begin of a moment, say) has no rows and is not asked again.
        if seen is None or seen.spoilt or cursor.description is None:
            return cursor
        rows = _Rows(cursor)
        seen.note(sql, parameters, rows.all)
        return rows  # type: ignore[return-value]  # what readers use of a cursor


class _Rows:
    """Rows that were fetched, as a cursor gives them."""

    def __init__(self, cursor: sqlite3.Cursor) -> None:
        self.description = cursor.description
        self.all: list[Any] = cursor.fetchall()
        self._left = iter(self.all)

    def __iter__(self) -> Iterator[Any]:
        return self._left

    def __next__(self) -> Any:
        return next(self._left)

    def fetchone(self) -> Any:
        """Return the next row, None after the last."""
        return next(self._left, None)

    def fetchall(self) -> list[Any]:
        """Return the rows that are left."""
        return list(self._left)


class Mark:
    """A number that is another one after each change of a book, whichever program made it."""

    def __init__(self, connect: Callable[[], sqlite3.Connection]) -> None:
        self._connect = connect
        self._lock = threading.Lock()
        self._sql: sqlite3.Connection | None = None

    def number(self) -> int:
        """Return the present number."""
        with self._lock:
            if self._sql is None:
                # A connection of its own: the numbers of two of them say nothing of each other.
                self._sql = self._connect()
            found: int = self._sql.execute("PRAGMA data_version").fetchone()[0]
            return found

    def close(self) -> None:
        """Close the connection."""
        with self._lock:
            if self._sql is not None:
                self._sql.close()
                self._sql = None
