"""Changes of a book that go to the disk together, ended by the thread that began or by another."""

from __future__ import annotations

import sqlite3

from ingest.store.audit import Tail
from ingest.store.repeats import Ticket
from ingest.store.turn import Turn

BUSY_TIMEOUT_S = 10.0
"""So long a change waits for another program that holds the book."""


class Group:
    """One transaction that holds many changes.

    Parameters
    ----------
    sql : sqlite3.Connection
        That changes are made by.
    turn : Turn
        Held from begin to end.

    Attributes
    ----------
    open : bool
        Whether changes made now are part of it.
    tickets : list of Ticket
        Of the requests that took effect in it, once it is kept.
    tail : Tail
        The end of the trail, for all changes in it.
    """

    def __init__(self, sql: sqlite3.Connection, turn: Turn) -> None:
        self._sql = sql
        self._turn = turn
        self.open = False
        self.tickets: list[Ticket] = []
        self.tail = Tail()

    def begin(self, *, wait: bool = True) -> bool:
        """Begin it; False where that is not possible at once and the caller does not wait."""
        if not self._turn.take(wait=wait):
            return False
        try:
            self._take_book(wait)
        except sqlite3.OperationalError as error:
            self._turn.give_back()
            if wait or error.sqlite_errorcode & 0xFF != sqlite3.SQLITE_BUSY:  # busy of any kind
                raise
            return False
        except BaseException:
            self._turn.give_back()
            raise
        self.open, self.tickets, self.tail = True, [], Tail()
        return True

    def _take_book(self, wait: bool) -> None:
        if wait:
            self._sql.execute("BEGIN IMMEDIATE")
            return
        self._sql.execute("PRAGMA busy_timeout = 0")
        try:
            self._sql.execute("BEGIN IMMEDIATE")
        finally:
            self._sql.execute(f"PRAGMA busy_timeout = {1000 * BUSY_TIMEOUT_S:.0f}")

    def pause(self) -> None:
        """Leave it to another thread, which ends it after ``resume``."""
        self._turn.let_go()

    def resume(self) -> None:
        """Take over in this thread what another one paused."""
        self._turn.take_over()

    def keep(self) -> None:
        """End it: sync what was changed in it to the disk."""
        try:
            self.tail.keep(self._sql)
            self._sql.execute("COMMIT")
        except BaseException:
            self.undo()
            raise
        self._end()
        for ticket in self.tickets:
            ticket.took_effect = True

    def undo(self) -> None:
        """End it without any change."""
        try:
            if self._sql.in_transaction:
                self._sql.execute("ROLLBACK")
        finally:
            self._end()

    def _end(self) -> None:
        self.open = False
        self._turn.give_back()
