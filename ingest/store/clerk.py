"""One thread that writes for all: changes that wait at the same moment are synced together.

A disk takes several milliseconds to confirm that something is written, and many writers that wait
for one another's locks take turns at chance. Here they stand in one row; whatever is waiting when
the disk is ready goes to it in one transaction, and nobody is answered before it is confirmed.
"""

from __future__ import annotations

import asyncio
import queue
import threading
from collections.abc import Callable
from contextvars import Context, copy_context
from dataclasses import dataclass
from typing import Any, TypeVar

from ingest.store.book import Book

T = TypeVar("T")
_MOST = 32
"""Changes in one transaction: others, and other programs, wait for the book so long at most."""


@dataclass(slots=True)
class _Order:
    work: Callable[[], Any]
    context: Context
    loop: asyncio.AbstractEventLoop
    answer: asyncio.Future[Any]
    result: Any = None
    error: BaseException | None = None


class Clerk:
    """Writes for coroutines, one change after another."""

    def __init__(self, book: Book) -> None:
        self._book = book
        self._orders: queue.SimpleQueue[_Order | None] = queue.SimpleQueue()
        self._thread: threading.Thread | None = None
        self._lock = threading.Lock()

    async def write(self, work: Callable[[], T]) -> T:
        """Return what the work returns, once what it changed is on the disk.

        The work makes its change of the book by ``Book.change`` in the context of the caller, and
        looks at nothing but what the change itself shows it.
        """
        loop = asyncio.get_running_loop()
        order = _Order(work, copy_context(), loop, loop.create_future())
        with self._lock:
            if self._thread is None:
                self._thread = threading.Thread(target=self._run, name="clerk", daemon=True)
                self._thread.start()
            self._orders.put(order)
        result: T = await order.answer
        return result

    def stop(self) -> None:
        """End the thread after what was ordered is done."""
        with self._lock:
            thread, self._thread = self._thread, None
            if thread is not None:
                self._orders.put(None)
        if thread is not None:
            thread.join()

    def _run(self) -> None:
        last = False
        while not last:
            first = self._orders.get()
            if first is None:
                return
            orders = [first]
            while len(orders) < _MOST and not self._orders.empty():
                one = self._orders.get()
                if one is None:
                    last = True
                    break
                orders.append(one)
            self._do(orders)

    def _do(self, orders: list[_Order]) -> None:
        try:
            with self._book.together():
                for order in orders:
                    try:
                        order.result = order.context.run(order.work)
                    except Exception as error:
                        order.error = error
        except Exception as error:
            for order in orders:
                order.error = error
        # Each waking of a loop costs a write to the system, so there is one for all of its orders.
        for loop in {order.loop for order in orders}:
            # A loop that ended meanwhile waits for nothing.
            if not loop.is_closed():
                mine = [order for order in orders if order.loop is loop]
                loop.call_soon_threadsafe(_tell, mine)


def _tell(orders: list[_Order]) -> None:
    for order in orders:
        if order.answer.done():
            continue
        if order.error is not None:
            order.answer.set_exception(order.error)
        else:
            order.answer.set_result(order.result)
