"""Due work as an iCalendar file (RFC 5545): one all-day event for each boiler and day.

Bytes depend on the input alone: the stamp is the caller's, and a UID is made from what it names, so
that a calendar that takes the file again updates its entries.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from datetime import UTC, date, datetime, timedelta

from ingest.service.due import Due, Place


def _escaped(text: str) -> str:
    # RFC 5545, 3.3.11 (quoted): backslash, semicolon, comma and line end are escaped in TEXT.
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


def calendar(items: Sequence[Due], stamp: datetime) -> bytes:
    """Return an iCalendar file of due work.

    Parameters
    ----------
    items : sequence of Due
        As ``due`` returns them.
    stamp : datetime
        When the file was made, with its offset.
    """
    if stamp.tzinfo is None:
        raise ValueError("the stamp of a calendar needs an offset")
    at = stamp.astimezone(UTC).strftime("%Y%m%dT%H%M%SZ")
    days: dict[tuple[date, Place], list[Due]] = {}
    for item in items:
        days.setdefault((item.on, item.place), []).append(item)
    lines = ["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//fluebook//due work//EN"]
    for (on, place), held in sorted(days.items(), key=lambda d: d[0]):
        boiler = held[0].boiler
        uid = hashlib.sha256("|".join((*place, str(on))).encode()).hexdigest()[:32]
        said = "\n".join(f"{i.title} ({i.why}{', estimated' if i.estimated else ''})" for i in held)
        lines += [
            "BEGIN:VEVENT",
            f"UID:{uid}@fluebook",
            f"DTSTAMP:{at}",
            f"DTSTART;VALUE=DATE:{on:%Y%m%d}",
            f"DTEND;VALUE=DATE:{on + timedelta(days=1):%Y%m%d}",
            f"SUMMARY:{_escaped(f'{boiler}: {len(held)} due')}",
            f"DESCRIPTION:{_escaped(said)}",
            *([f"LOCATION:{_escaped(held[0].site)}"] if held[0].site else []),
            "TRANSP:TRANSPARENT",
            "END:VEVENT",
        ]
    lines.append("END:VCALENDAR")
    return "".join(_folded(line) + "\r\n" for line in lines).encode()
