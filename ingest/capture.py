r"""Raw captures: every byte of a port with the time it came, written before anything else.

``fluebook.capture/1`` is a file of records. A chunk is a line ``@ TIME LENGTH`` and then that many
bytes and a line feed; a change of the link is a line ``! TIME STATE``. Whatever comes after a crash
in the middle of a record is left out when the capture is read, and said.
"""

from __future__ import annotations

import os
import re
import threading
import time
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from types import TracebackType

from ingest.port import Chunk, Link
from ingest.stamp import stamp

HEADER = b"fluebook.capture/1\n"
_CHUNK = re.compile(rb"@ (\S+) ([0-9]{1,9})")
_SYNC = 1.0
"""How often what was written is brought to the disk [s]."""
_LINK = re.compile(rb"! (\S+) (lost|back|silent)")


class CaptureError(ValueError):
    """A file that is no capture."""


class CaptureWriter:
    """Appends records to a capture: each to the system at once, to the disk once a second.

    The disk may take tens of milliseconds: a thread waits for it, not the values that are due.
    """

    def __init__(self, path: Path) -> None:
        fresh = not path.exists() or path.stat().st_size == 0
        if not fresh:
            with path.open("rb") as old:
                if old.read(len(HEADER)) != HEADER:
                    raise CaptureError(f"{path} exists and is no capture: name another file")
        self._file = path.open("ab", buffering=0)
        self._descriptor = self._file.fileno()
        if fresh:
            self._file.write(HEADER)
        elif not _ends_whole(path):
            self._file.write(b"\n")
        self._written = False
        self._failed: OSError | None = None
        self._closed = threading.Event()
        self._syncing = threading.Thread(target=self._sync, daemon=True)
        self._syncing.start()

    def _sync(self) -> None:
        while not self._closed.wait(_SYNC):
            if self._written:
                self._written = False
                try:
                    os.fsync(self._descriptor)
                except OSError as error:
                    self._failed = error
                    return

    def write(self, record: Chunk | Link) -> None:
        """Append a chunk or a change of the link.

        Raises
        ------
        OSError
            If the system does not take it, or the disk did not take what came before.
        """
        received = stamp(record.received).encode()
        if type(record) is Chunk:
            data = record.data
            whole = b"@ %b %d\n%b\n" % (received, len(data), data)
        else:
            assert isinstance(record, Link)
            whole = b"! %b %b\n" % (received, record.state.encode())
        done = os.write(self._descriptor, whole)
        while done < len(whole):  # only where the disk is full
            whole = whole[done:]
            done = os.write(self._descriptor, whole)
        self._written = True
        if self._failed is not None:
            self._raise_failed()

    def _raise_failed(self) -> None:
        failed, self._failed = self._failed, None
        if failed is not None:
            raise failed

    def close(self) -> None:
        """Bring everything to the disk."""
        if not self._file.closed:
            self._closed.set()
            self._syncing.join()
            try:
                os.fsync(self._descriptor)
            finally:
                self._file.close()
            self._raise_failed()

    def __enter__(self) -> CaptureWriter:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()


def _ends_whole(path: Path) -> bool:
    with path.open("rb") as file:
        file.seek(-1, os.SEEK_END)
        return file.read(1) == b"\n"


def records(path: Path) -> Iterator[Chunk | Link]:
    """Yield the records of a capture; a broken one is passed over up to the next whole record.

    Raises
    ------
    CaptureError
        If the file is no capture.
    """
    return records_of(path.read_bytes(), str(path))


def records_of(data: bytes, name: str) -> Iterator[Chunk | Link]:
    """Yield the records of a capture's bytes, as :func:`records` does of a file's."""
    if not data.startswith(HEADER):
        raise CaptureError(f"{name} is no fluebook.capture/1 file")
    at = len(HEADER)
    while at < len(data):
        end = data.find(b"\n", at)
        if end < 0:
            return
        line = data[at:end]
        chunk = _CHUNK.fullmatch(line)
        if chunk is not None:
            stop = end + 1 + int(chunk[2])
            if data[stop : stop + 1] == b"\n":
                yield Chunk(datetime.fromisoformat(chunk[1].decode()), data[end + 1 : stop])
                at = stop + 1
                continue
        link = _LINK.fullmatch(line)
        if link is not None:
            state = link[2].decode()
            yield Link(datetime.fromisoformat(link[1].decode()), state)  # type: ignore[arg-type]
        at = end + 1


def replayed(path: Path, speed: float | None = None) -> Iterator[Chunk | Link]:
    """Yield the records of a capture, ``speed`` times as fast as they came; None at once."""
    before: datetime | None = None
    for record in records(path):
        if speed and before is not None:
            time.sleep(max(0.0, (record.received - before).total_seconds() / speed))
        before = record.received
        yield record
