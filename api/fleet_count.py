"""Summing up a fleet behind its page: the page answers with what is known so far.

After a change of the program every boiler's row is worked out anew, a minute for 100,000 visits. A
thread of the program does it, a few boilers at a time and half of the time at most.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable

from ingest.intake import Intake
from ingest.intake_life import Life
from ingest.store.fleet import BoilerTrend

AT_THE_PAGE = 0.1
"""Seconds that a page itself sums up for: what few changes left out is then all there at once."""
_log = logging.getLogger("fluebook.fleet")


class FleetCount:
    """The summing up of one book's fleet by this program."""

    def __init__(self, intake: Intake, summed: Callable[[Life], BoilerTrend]) -> None:
        self._intake, self._summed = intake, summed
        self._lock = threading.Lock()
        self._thread: threading.Thread | None = None
        self._ended = threading.Event()

    def left(self) -> int:
        """Return how many boilers are still to be summed up, and see to it that somebody does."""
        if not self._running() and not self._intake.sum_up(self._summed, seconds=AT_THE_PAGE):
            return 0
        left = self._intake.not_summed_up()
        if left:
            self._begin()
        return left

    def stop(self) -> None:
        """End the thread after the few boilers that it is at; the next look goes on from there."""
        self._ended.set()
        with self._lock:
            thread = self._thread
        if thread is not None:
            thread.join()

    def _running(self) -> bool:
        with self._lock:
            return self._thread is not None and self._thread.is_alive()

    def _begin(self) -> None:
        with self._lock:
            if self._ended.is_set() or (self._thread is not None and self._thread.is_alive()):
                return
            self._thread = threading.Thread(target=self._run, name="fleet", daemon=True)
            self._thread.start()

    def _run(self) -> None:
        # A new thread has a context of its own: everything is within its reach.
        try:
            while not self._ended.is_set():
                begun = time.monotonic()
                if not self._intake.sum_up(self._summed, seconds=0):
                    return
                self._ended.wait(time.monotonic() - begun)
        except Exception:
            _log.exception("the fleet was not summed up to its end; the next look at it goes on")
