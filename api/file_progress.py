"""How far a file that was handed over has come, for the page that waits for its answer.

Kept in memory under who sent it and the key of its entry, as long as the sending lasts: it is told,
never stored. After a restart there is nothing to tell, and the page says that the office reads it.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from uuid import UUID

from api.charts import number
from api.words import _, _n
from ingest.how_far import Stage, telling

_MOST = 200
"""Files on their way at once that are told of."""
Key = tuple[str, UUID, str]


class FileProgress:
    """The files that are being taken now."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._reached: dict[Key, tuple[Stage, int]] = {}

    @contextmanager
    def following(self, key: Key, size: int) -> Iterator[None]:
        """Follow the taking of a file of so many bytes."""

        def told(stage: Stage, count: int) -> None:
            with self._lock:
                if key in self._reached or len(self._reached) < _MOST:
                    self._reached[key] = (stage, count)

        told("received", size)
        try:
            with telling(told):
                yield
        finally:
            with self._lock:
                self._reached.pop(key, None)

    def said(self, key: Key) -> str:
        """Return how far a file has come in the reader's language, "" where nothing is known."""
        with self._lock:
            found = self._reached.get(key)
        if found is None:
            return ""
        stage, count = found
        if stage == "received":
            return _("All {size} bytes are there and are being read.", size=number(count, 0))
        if stage == "rows":
            return _n(
                "{n} row is read and being judged.", "{n} rows are read and being judged.", count
            )
        return _n(
            "{n} firing point is found; the cut is being kept.",
            "{n} firing points are found; the cut is being kept.",
            count,
        )
