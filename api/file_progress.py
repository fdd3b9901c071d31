"""How far a file that was handed over has come, for the page that waits for its answer.

Kept in a small file beside the book while the sending lasts, so that any worker of the book can
tell. It beats as long as the program works: one that was killed leaves a file that no longer does,
and that is told, too. Where such a file cannot be written nothing is told, and the rest goes on.
"""

from __future__ import annotations

import hashlib
import os
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from uuid import UUID

from api.charts import number
from api.words import _, _n
from ingest.how_far import Stage, telling

_MOST = 200
"""Files on their way at once that are told of."""
_BEAT_S = 2.0
_STALLED_S = 20.0
"""After so long without a beat the program that took the file is gone, or stands still."""
_LONGEST_S = 1800.0
"""No stage takes longer: what beats on without a new one is told as standing still."""
_LEFT_S = 24 * 3600.0
Key = tuple[str, UUID, str]


@dataclass(frozen=True, slots=True)
class HowFar:
    """What is told of a file on its way: words, "" of an unknown one, and whether it goes on."""

    words: str
    going: bool


class FileProgress:
    """The files that are being taken now, by whichever program of this book.

    Parameters
    ----------
    book : Path
        The book's file; the folder stands beside it while it is needed.
    """

    def __init__(self, book: Path) -> None:
        self._folder = book.with_name(book.name + ".taking")
        with suppress(OSError):
            for left in self._folder.iterdir():
                if time.time() - left.stat().st_mtime > _LEFT_S:
                    left.unlink()
            self._folder.rmdir()

    def _place(self, key: Key) -> Path:
        return self._folder / hashlib.sha256("\n".join(map(str, key)).encode()).hexdigest()

    @contextmanager
    def following(self, key: Key, size: int) -> Iterator[None]:
        """Follow the taking of a file of so many bytes."""
        place, done = self._place(key), threading.Event()

        def told(stage: Stage, count: int) -> None:
            with suppress(OSError):
                self._folder.mkdir(mode=0o700, exist_ok=True)
                if place.exists() or sum(1 for _one in self._folder.iterdir()) < _MOST:
                    written = place.with_suffix(f".{os.getpid()}.{threading.get_ident()}")
                    written.write_text(f"{stage} {count} {time.time()}", "ascii")
                    written.replace(place)

        def beat() -> None:
            while not done.wait(_BEAT_S):
                with suppress(OSError):
                    os.utime(place)

        beats = threading.Thread(target=beat, name="file-progress", daemon=True)
        told("received", size)
        beats.start()
        try:
            with telling(told):
                yield
        finally:
            done.set()
            beats.join()
            with suppress(OSError):
                place.unlink()
                self._folder.rmdir()  # only where it is empty

    def said(self, key: Key) -> HowFar:
        """Return how far a file has come, in the reader's language."""
        place = self._place(key)
        try:
            stage, count, since = place.read_text("ascii").split(" ")
            quiet = time.time() - place.stat().st_mtime
        except (OSError, ValueError):
            return HowFar("", False)
        if quiet > _STALLED_S or time.time() - float(since) > _LONGEST_S:
            return HowFar(
                _(
                    "Nothing has been heard of the reading for {n} s. The file is kept in this "
                    "browser and is sent again.",
                    n=number(max(quiet, 0.0), 0),
                ),
                False,
            )
        return HowFar(_words(stage, int(count)), True)


def _words(stage: str, count: int) -> str:
    if stage == "received":
        return _("All {size} bytes are there and are being read.", size=number(count, 0))
    if stage == "rows":
        return _n("{n} row is read and being judged.", "{n} rows are read and being judged.", count)
    return _n(
        "{n} firing point is found; the cut is being kept.",
        "{n} firing points are found; the cut is being kept.",
        count,
    )
