"""Opening the book, reading it, and changing it one whole change at a time.

Readers have a connection of their own per thread and see the last finished change (WAL). Changes
go through one connection behind one lock: SQLite takes one writer at a time anyway, and waiting in
its busy loop instead made the slowest calls ten times slower.
"""

from __future__ import annotations

import sqlite3
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import sqlite_utils

from ingest.store import audit, outbox, repeats
from ingest.store.errors import NewerBook, NotABook, SecretsLocked
from ingest.store.group import BUSY_TIMEOUT_S, Group
from ingest.store.safekeeping import backup, for_owner_only
from ingest.store.schema import migration_names, migrations
from ingest.store.sealing import (
    Seal,
    keys_of,
    name_of,
    new_key,
    reseal,
    seal_plain,
    sealed_names,
    write_keys,
)
from ingest.store.seen import Mark, Watched, spoil
from ingest.store.turn import Turn
from ingest.store.verifying import verify

Clock = Callable[[], datetime]


def system_clock() -> datetime:
    """Return the present moment in UTC."""
    return datetime.now(UTC)


def stamp(moment: datetime) -> str:
    """Return a time as the book keeps it: ISO 8601 in UTC, microseconds always written."""
    return moment.astimezone(UTC).replace(tzinfo=None).isoformat(timespec="microseconds") + "Z"


def _to_wal(connection: sqlite3.Connection) -> None:
    """Switch to the write-ahead log, which holds for the file from then on.

    The switch itself does not wait for another program's lock as other statements do.
    """
    for wait in (0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, None):
        try:
            connection.execute("PRAGMA journal_mode = WAL")
            return
        except sqlite3.OperationalError as error:
            if "locked" not in str(error) or wait is None:
                raise
            time.sleep(wait)


class Change:
    """One transaction: everything in it happens, or nothing does.

    Attributes
    ----------
    sql : sqlite3.Connection
        For the modules of the store only.
    who : str
        The person or program that is responsible.
    at : str
        Time of the change, as the book keeps times.
    tail : Tail
        The end of the trail, for the modules of the store only.
    """

    def __init__(self, sql: sqlite3.Connection, who: str, at: str, tail: audit.Tail) -> None:
        self.sql = sql
        self.who = who
        self.at = at
        self.tail = tail
        self.failed = False

    def record(self, action: str, subject: object, details: Mapping[str, Any]) -> None:
        """Write a line to the audit trail, and the messages to others that follow from it."""
        line = audit.append(
            self.sql,
            self.tail,
            at=self.at,
            who=self.who,
            action=action,
            subject=str(subject),
            details=details,
        )
        outbox.follow(
            self.sql,
            line=line,
            at=self.at,
            who=self.who,
            action=action,
            subject=str(subject),
            details=details,
        )


class Book:
    """One SQLite file.

    Parameters
    ----------
    path : Path
        The file; made with its tables where it does not exist.
    clock : callable
        Gives the time of every change.
    durable : bool
        False leaves the syncing of each change to the system: for throw-away books only.

    Attributes
    ----------
    group : Group
        Begun and ended by ``together``, or by the clerk in two threads.
    """

    def __init__(self, path: Path, *, clock: Clock = system_clock, durable: bool = True) -> None:
        self.path = path
        self._clock = clock
        self.seal = Seal(path)
        self._durable = durable
        self._lock = Turn()
        self._open: Change | None = None
        self._local = threading.local()
        self._readers: list[sqlite3.Connection] = []
        # Its own lock: a thread that only reads never waits for a change to finish.
        self._readers_lock = threading.Lock()
        self._mark = Mark(self._connect)
        for_owner_only(path)
        try:
            self._writer = self._connect()
            # What a savepoint would have to undo stays in memory; a file for it costs a system call
            # for each page that a change touches first.
            self._writer.execute("PRAGMA temp_store = MEMORY")
            self._migrate()
            self.group = Group(self._writer, self._lock)
            seal_plain(self._writer, self.seal, lambda: stamp(clock()))
        except sqlite3.DatabaseError as error:
            raise NotABook(path, str(error)) from error

    def _connect(self, kind: type[sqlite3.Connection] = sqlite3.Connection) -> sqlite3.Connection:
        connection = sqlite3.connect(
            self.path,
            timeout=BUSY_TIMEOUT_S,
            isolation_level=None,
            check_same_thread=False,
            factory=kind,
        )
        _to_wal(connection)
        connection.execute(f"PRAGMA synchronous = {'FULL' if self._durable else 'OFF'}")
        connection.execute("PRAGMA foreign_keys = ON")
        return connection

    def _migrate(self) -> None:
        database = sqlite_utils.Database(self._writer)
        known = [m.name for m in migrations.pending(database)]
        applied = {m.name for m in migrations.applied(database)}
        if not applied and database.table_names():
            raise NotABook(self.path, "it holds tables of another program")
        unknown = applied - migration_names()
        if unknown:
            raise NewerBook(self.path, sorted(unknown))
        if not known:
            return
        # Two programs that open a new book at once: the second waits here and finds it made.
        self._writer.execute("BEGIN IMMEDIATE")
        try:
            migrations.apply(database)
        except BaseException:
            self._writer.execute("ROLLBACK")
            raise
        self._writer.execute("COMMIT")

    def clock(self) -> datetime:
        """Return the moment; whoever only needs the day asks for ``today``."""
        spoil()
        return self._clock()

    def today(self) -> date:
        """Return the day in UTC."""
        return self._clock().astimezone(UTC).date()

    def mark(self) -> int:
        """Return a number that is another one after each change, whichever program made it."""
        return self._mark.number()

    @property
    def reader(self) -> sqlite3.Connection:
        """Return this thread's connection for reading."""
        connection: sqlite3.Connection | None = getattr(self._local, "connection", None)
        if connection is None:
            connection = self._connect(Watched)
            connection.execute("PRAGMA query_only = ON")
            self._local.connection = connection
            with self._readers_lock:
                self._readers.append(connection)
        return connection

    @contextmanager
    def snapshot(self) -> Iterator[sqlite3.Connection]:
        """Open a connection that sees the book as of one moment, however long it is read."""
        spoil()
        connection = self._connect()
        try:
            connection.execute("PRAGMA query_only = ON")
            connection.execute("BEGIN")
            connection.execute("SELECT COUNT(*) FROM setting").fetchone()  # the moment is now
            yield connection
        finally:
            connection.close()

    @contextmanager
    def change(self, who: str) -> Iterator[Change]:
        """Open one change; an exception inside undoes all of it.

        A change within a change is part of it: an import of many visits is all or nothing. Where
        the inner one failed, the outer one cannot be finished, even if the exception is caught.
        """
        spoil()
        with self._lock:
            if self._open is not None:
                try:
                    yield Change(self._writer, who, self._open.at, self._open.tail)
                except BaseException:
                    self._open.failed = True
                    raise
                return
            grouped = self.group.open
            if grouped and not self._writer.in_transaction:
                # The disk was full, say: what stands in the group before is undone, too.
                raise sqlite3.OperationalError("the changes of this group were undone")
            self._writer.execute("SAVEPOINT one" if grouped else "BEGIN IMMEDIATE")
            tail = self.group.tail if grouped else audit.Tail()
            before = replace(tail)
            try:
                self._open = Change(self._writer, who, stamp(self.clock()), tail)
                yield self._open
                if self._open.failed:
                    raise RuntimeError("a part of this change failed, so all of it is undone")
                if not grouped:  # a group keeps it once for all
                    tail.keep(self._writer)
                ticket = repeats.claim(self._writer, self._open.at)
                self._writer.execute("RELEASE one" if grouped else "COMMIT")
                if ticket is not None and grouped:
                    self.group.tickets.append(ticket)
                elif ticket is not None:
                    ticket.took_effect = True
            except BaseException:
                if self._writer.in_transaction:
                    self._writer.execute("ROLLBACK TO one" if grouped else "ROLLBACK")
                    if grouped:
                        self._writer.execute("RELEASE one")
                        self.group.tail = before
                raise
            finally:
                self._open = None

    @contextmanager
    def together(self) -> Iterator[None]:
        """Sync the changes of this block to the disk once, at its end.

        Each is still whole or nothing of its own: one that fails undoes itself only. None of them
        may be told of before the block has ended, and where it ends in an exception none happened.
        """
        self.group.begin()
        try:
            yield
        except BaseException:
            self.group.undo()
            raise
        self.group.keep()

    def check_writable(self) -> None:
        """Raise sqlite3.Error where the book cannot be read or written at this moment."""
        with self._lock:
            self._writer.execute("BEGIN IMMEDIATE")
            self._writer.execute("ROLLBACK")

    def verify(self) -> list[audit.AuditFinding]:
        """Return what in the book is not as it was written."""
        spoil()
        return verify(self.reader)

    def rekey(self, who: str, *, lost: bool = False) -> list[str]:
        """Seal all signing secrets with a new key; return the webhooks whose secret is lost.

        The new key is the environment's first where it gives one; else one is made in the file
        beside the book, and the older ones there are forgotten once nothing needs them.

        Raises
        ------
        SecretsLocked
            If a key that is needed is not at hand, and it is not given up as ``lost``.
        """
        old = self.seal.keys()
        missing = sealed_names(self.reader) - {name_of(key) for key in old}
        if missing and not lost:
            raise SecretsLocked(f"the key {', '.join(sorted(missing))} is not at hand")
        fresh = [] if self.seal.given else keys_of(new_key())
        if fresh:
            write_keys(self.seal.file, [*fresh, *old])
        with self.change(who) as change:
            shut = reseal(change.sql, change.tail, self.seal, change.at, who)
        if fresh:
            write_keys(self.seal.file, fresh)
        return shut

    def backup(self, target: Path) -> None:
        """Write a consistent copy of the book while it is in use; never over a file."""
        backup(self.path, target)

    def close(self) -> None:
        """Close every connection."""
        with self._lock, self._readers_lock:
            for connection in (*self._readers, self._writer):
                connection.close()
            self._readers.clear()
        self._mark.close()

    def __enter__(self) -> Book:
        return self

    def __exit__(self, *exc: object) -> None:
        self.close()
