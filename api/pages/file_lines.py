"""Lines of an evidence file as they came; of a long one only those that are asked for.

A day's log has 870,000 lines: they are counted and cut in bytes, and only what a page shows becomes
text.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from api.words import N_, _
from ingest.store.held import Held

NOT_TEXT = N_("(not text: the bytes are kept, and shown nowhere)")
_END = re.compile(r"\r\n|\n|\r")
_MARK = b"\xef\xbb\xbf"
_held: Held[tuple[Sequence[str], int]] = Held(256)


def lines_of(data: bytes, first: int, last: int) -> tuple[list[str], int]:
    """Return lines ``first`` to ``last``, from 1 and both included, and how many there are.

    Whatever is no text is one line that says so.

    >>> lines_of(b"a\\r\\nb\\rc\\n", 2, 3)
    (['b', 'c'], 3)
    """
    if b"\0" in data[:1000] or data.startswith(b"%PDF"):
        return [_(NOT_TEXT)], 1
    ends = _ends(data)
    total = len(ends) + (len(data) > (0 if not len(ends) else int(ends[-1]) + 1))
    if not total or first > total:
        return [], total
    last = min(last, total)
    begin = 0 if first <= 1 else int(ends[first - 2]) + 1
    stop = len(data) if last > len(ends) else int(ends[last - 1]) + 1
    lines = _END.split(_text(data[begin:stop]))
    return lines[: last - max(first, 1) + 1], total


def first_lines(sha256: str, data: Callable[[], bytes], most: int) -> tuple[Sequence[str], int]:
    """Return the first lines of a file and how many it has, kept by the SHA-256 of its bytes."""

    def made() -> tuple[Sequence[str], int]:
        lines, total = lines_of(data(), 1, most)
        return tuple(lines), total

    return _held.get_or_make((sha256, most), made)


def _ends(data: bytes) -> NDArray[np.int64]:
    """Return where each line end stands, the last byte of it."""
    raw = np.frombuffer(data, dtype=np.uint8)
    ends: NDArray[np.int64] = np.flatnonzero(raw == 10)
    if b"\r" in data:
        alone = np.flatnonzero(raw == 13)
        followed = np.append(raw[1:], 0)[alone] == 10
        ends = np.union1d(ends, alone[~followed])
    return ends


def _text(data: bytes) -> str:
    data = data.removeprefix(_MARK)
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError:
        return data.decode("cp1252", errors="replace")
