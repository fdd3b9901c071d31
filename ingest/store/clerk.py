"""Writes for all: changes that wait at the same moment are synced to the disk together.

A disk takes several milliseconds to confirm that something is written, and many writers that wait
for one another's locks take turns at chance. Here they stand in one row; whatever is waiting when
the disk is ready goes to it in one transaction, and nobody is answered before it is confirmed.

Short changes are made by the event loop's own thread, as two threads of one interpreter that take
turns at each statement cost more than the statements; only the disk is waited for in another one.
Where the book is not free at once, or a change may take long, all of it is done in that other one.
"""

from __future__ import annotations

import asyncio
import threading
import time
from collections import deque
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from contextvars import Context, copy_context
from dataclasses import dataclass
from typing import Any, TypeVar

from ingest.store.book import Book

T = TypeVar("T")
_MOST = 32
"""Changes in one transaction: others, and other programs, wait for the book so long at most."""
_LOOP_S = 0.02
"""So long the loop's own thread makes changes before it turns to whatever else there is to do."""


@dataclass(slots=True)
class _Order:
    work: Callable[[], Any]
    short: bool
    context: Context
    answer: asyncio.Future[Any]
    result: Any = None
    error: BaseException | None = None

    def do(self) -> None:
        try:
            self.result = self.context.run(self.work)
        except Exception as error:
            self.error = error

    def tell(self) -> None:
        if self.answer.done():
            return
        if self.error is not None:
            self.answer.set_exception(self.error)
        else:
            self.answer.set_result(self.result)


class Clerk:
    """Writes for coroutines, one change after another.

    The first event loop that orders something is served as told above, until it is closed. One
    that comes meanwhile has its changes made in the other thread.
    """

    def __init__(self, book: Book) -> None:
        self._book = book
        self._orders: deque[_Order] = deque()
        self._at_work = False
        self._loop: asyncio.AbstractEventLoop | None = None
        self._lock = threading.Lock()
        self._ready()

    def _ready(self) -> None:
        self._other = ThreadPoolExecutor(1, "clerk")
        # Of its own: work in the other thread may wait for what this one is to bring to the disk.
        self._disk = ThreadPoolExecutor(1, "clerk-disk")

    async def write(self, work: Callable[[], T], *, short: bool = False) -> T:
        """Return what the work returns, once what it changed is on the disk.

        The work makes its change of the book by ``Book.change`` in the context of the caller, and
        looks at nothing but what the change itself shows it. ``short`` says that it takes a few
        milliseconds whatever the book holds.
        """
        loop = asyncio.get_running_loop()
        order = _Order(work, short, copy_context(), loop.create_future())
        if not self._serves(loop):
            await loop.run_in_executor(self._other, self._made_there, [order])
            order.tell()
            other: T = await order.answer
            return other
        self._orders.append(order)
        if not self._at_work:
            self._at_work = True
            # Whatever else arrived with this one comes into the same transaction.
            loop.call_soon(self._begin, loop)
        result: T = await order.answer
        return result

    def stop(self) -> None:
        """End the threads after what was begun is done; what was not begun is never told of.

        Whoever orders after it is served by new ones.
        """
        self._orders.clear()
        other, disk = self._other, self._disk
        self._ready()
        other.shutdown()
        disk.shutdown()

    def _serves(self, loop: asyncio.AbstractEventLoop) -> bool:
        """Return whether a loop is the one that is served; it becomes that where there is none."""
        with self._lock:
            if self._loop is None or (self._loop is not loop and self._loop.is_closed()):
                self._loop = loop
                # Whoever waited in a loop that is closed waits no more.
                self._orders.clear()
                self._at_work = False
            return self._loop is loop

    def _begin(self, loop: asyncio.AbstractEventLoop) -> None:
        """Make what waits, in order; the loop's thread takes short changes as far as they go."""
        if not self._orders:
            self._at_work = False
            return
        try:
            here = self._orders[0].short and self._book.group.begin(wait=False)
        except Exception:
            here = False  # the other thread meets the same, and tells it to whoever ordered
        if here:
            made = self._made_here()
            self._book.group.pause()
            work = loop.run_in_executor(self._disk, self._kept, made)
        else:
            made = [self._orders.popleft() for _ in range(min(_MOST, len(self._orders)))]
            work = loop.run_in_executor(self._other, self._made_there, made)
        work.add_done_callback(lambda _: self._tell(loop, made))

    def _made_here(self) -> list[_Order]:
        made: list[_Order] = []
        until = time.monotonic() + _LOOP_S
        try:
            while self._orders and self._orders[0].short and len(made) < _MOST:
                made.append(self._orders.popleft())
                made[-1].do()
                if time.monotonic() > until:
                    break
        except BaseException:
            self._book.group.undo()
            raise
        return made

    def _kept(self, made: list[_Order]) -> None:
        self._book.group.resume()
        try:
            self._book.group.keep()
        except Exception as error:
            for order in made:
                order.error = error

    def _made_there(self, orders: list[_Order]) -> None:
        try:
            with self._book.together():
                for order in orders:
                    order.do()
        except Exception as error:
            for order in orders:
                order.error = error

    def _tell(self, loop: asyncio.AbstractEventLoop, made: list[_Order]) -> None:
        for order in made:
            order.tell()
        self._begin(loop)
