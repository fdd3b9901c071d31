"""Whose turn it is to change a book: one thread's at a time, which may hand it to another."""

from __future__ import annotations

import threading


class Turn:
    """A lock that its holder may take again, and that another thread may take over.

    The second is what the standard library's lock for one holder does not do: a change that was
    made in one thread is synced to the disk by another.
    """

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._holder: int | None = None
        self._times = 0

    def take(self, *, wait: bool = True) -> bool:
        """Take the turn; False where another holds it and the caller does not wait."""
        mine = threading.get_ident()
        if self._holder != mine:
            if not self._lock.acquire(blocking=wait):
                return False
            self._holder = mine
        self._times += 1
        return True

    def give_back(self) -> None:
        """Give it back once for each time it was taken."""
        self._times -= 1
        if self._times == 0:
            self._holder = None
            self._lock.release()

    def let_go(self) -> None:
        """Hold it for nobody in particular, until another thread takes it over."""
        self._holder = None

    def take_over(self) -> None:
        """Hold in this thread what another one let go of."""
        self._holder = threading.get_ident()

    def __enter__(self) -> None:
        self.take()

    def __exit__(self, *_: object) -> None:
        self.give_back()
