"""Due work as an iCalendar file (RFC 5545): one all-day event for each thing due at a boiler.

Bytes depend on the input alone. A UID is made from boiler and task and not from the day, so that a
calendar that takes the file again moves its entry, and drops one that was done or closed.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta

from ingest.service.due import Due

_CONTROL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f]")


def _escaped(text: str) -> str:
    # RFC 5545, 3.3.11 (quoted): backslash, semicolon, comma and line end are escaped in TEXT.
    # Other control characters cannot stand in one at all.
    text = _CONTROL.sub(" ", text)
    out = text.replace("\\", "\\\\").replace(";", "\\;").replace(",", "\\,")
    return out.replace("\r\n", "\\n").replace("\n", "\\n").replace("\r", "\\n")


def _folded(line: str) -> str:
    """Fold after 75 octets, never inside a character (RFC 5545, 3.1, quoted)."""
    pieces: list[str] = []
    piece, size, room = "", 0, 75
    for char in line:
        width = len(char.encode())
        if size + width > room:
            pieces.append(piece)
            piece, size, room = "", 0, 74  # the blank that starts a folded line counts
        piece += char
        size += width
    pieces.append(piece)
    return "\r\n ".join(pieces)


def _uid(item: Due) -> str:
    """Return the name of one thing due at one boiler, whatever its day (RFC 5545, 3.8.4.7)."""
    boiler = (item.boiler_id,) if item.boiler_id else item.place
    named = "|".join((*boiler, item.kind, item.key, item.plan or ""))
    return f"{hashlib.sha256(named.encode()).hexdigest()[:32]}@fluebook"


def in_english(item: Due) -> tuple[str, str]:
    """Return what is due and why, as the plans and the rules write it."""
    return item.title, f"{item.why}{', estimated' if item.estimated else ''}"


def calendar(
    items: Sequence[Due],
    stamp: datetime,
    *,
    gone: Sequence[Due] = (),
    revision: int = 0,
    said: Callable[[Due], tuple[str, str]] = in_english,
) -> bytes:
    """Return an iCalendar file of due work.

    Parameters
    ----------
    items : sequence of Due
        As ``due`` returns them.
    stamp : datetime
        When what the file says was last changed, with its offset.
    gone : sequence of Due
        As ``no_longer_due`` returns them: cancelled in a calendar that still has them.
    revision : int
        Grows with every change of what the file is made from.
    said : callable
        Returns what is due and why in the words of the file.
    """
    if stamp.tzinfo is None:
        raise ValueError("the stamp of a calendar needs an offset")
    at = stamp.astimezone(UTC).strftime("%Y%m%dT%H%M%SZ")
    lines = ["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//fluebook//due work//EN"]
    for item, status in [*((i, "CONFIRMED") for i in items), *((i, "CANCELLED") for i in gone)]:
        title, why = said(item)
        lines += [
            "BEGIN:VEVENT",
            f"UID:{_uid(item)}",
            f"DTSTAMP:{at}",
            f"SEQUENCE:{revision}",
            f"STATUS:{status}",
            f"DTSTART;VALUE=DATE:{item.on:%Y%m%d}",
            f"DTEND;VALUE=DATE:{item.on + timedelta(days=1):%Y%m%d}",
            f"SUMMARY:{_escaped(f'{item.boiler}: {title}')}",
            f"DESCRIPTION:{_escaped(why)}",
            *([f"LOCATION:{_escaped(item.site)}"] if item.site else []),
            "TRANSP:TRANSPARENT",
            "END:VEVENT",
        ]
    lines.append("END:VCALENDAR")
    return "".join(_folded(line) + "\r\n" for line in lines).encode()
