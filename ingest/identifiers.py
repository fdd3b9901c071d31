"""Ids that whoever creates a thing can make alone: UUID version 7 of RFC 9562.

The first 48 bits are the time in milliseconds, so that ids sort by creation; the next 12 count
within a millisecond (RFC 9562, section 6.2, method 1), so that they also sort within one program.
"""

from __future__ import annotations

import secrets
import threading
import time
from uuid import UUID

_lock = threading.Lock()
_last = (0, 0)


def new_id() -> UUID:
    """Return a new UUID version 7; later calls in one program give greater ones.

    >>> first, second = new_id(), new_id()
    >>> first.version, first < second
    (7, True)
    """
    global _last
    with _lock:
        moment, count = time.time_ns() // 1_000_000, secrets.randbits(11)
        if moment <= _last[0]:
            # The clock stands or was set back: stay on the last millisecond and count on.
            moment, count = _last[0], _last[1] + 1
            if count > 0xFFF:
                moment, count = moment + 1, 0
        _last = (moment, count)
    value = (moment << 80) | (0x7 << 76) | (count << 64) | (0b10 << 62) | secrets.randbits(62)
    return UUID(int=value)
