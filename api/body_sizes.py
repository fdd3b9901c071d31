"""How much a body may hold, by where it goes: an analyzer's file, readings, a document, a name.

A file is kept as it comes; JSON becomes objects, of which one byte can make thirty, and a form
fields. So only what takes a file has the room of one, and of the rest no more is taken than its
own limits could ever use.
"""

from __future__ import annotations

from dataclasses import dataclass

from api.permissions import permissions_at

KILOBYTE = 1024
OPEN_BODY = 16 * KILOBYTE
"""Bytes where nobody has to be known: a name, a password and where to go on."""
DOCUMENT_BODY = 2 * 1024 * KILOBYTE
"""Bytes of a document, a decision or a form."""
READINGS_BODY = 16 * 1024 * KILOBYTE
"""Bytes of readings, which may be twenty thousand."""
MOST_PARTS = 1_000_000
"""Commas and opening brackets of readings: twenty thousand of fifty each."""
AT_ONCE, AT_ONCE_OF_ALL = 4, 16
"""Bodies of the largest size on their way, or worked on, at once: of one address, and of all."""

TAKE_FILES = frozenset(
    {
        "/v1/visits/{visit_id}/files",
        "/v1/visits/{visit_id}/photos",
        "/visits/{visit_id}/files",
        "/visits/{visit_id}/photos",
        "/maps/headings",
    }
)
TAKE_READINGS = frozenset(
    {
        "/v1/visits",
        "/v1/visits/{visit_id}",
        "/v1/visits/by-external-id/{external_id}",
        "/v1/visits/{visit_id}/readings",
        "/v1/judge",
    }
)


@dataclass(frozen=True, slots=True)
class Room:
    """What a body may hold: bytes, and parts of JSON where it is read as such."""

    bytes: int
    parts: int | None = None
    open: bool = False


def room_at(method: str, path: str, largest: int) -> Room:
    """Return the room for a body at an address; ``largest`` is that of a file in its form.

    >>> room_at("POST", "/sign-in", 10**8).bytes, room_at("PUT", "/v1/sites/3", 10**8).bytes
    (16384, 2097152)
    """
    permission = permissions_at(path).get(method)
    if permission is None or permission.anyone or method in ("GET", "HEAD", "DELETE"):
        return Room(min(largest, OPEN_BODY), open=permission is not None)
    if permission.path in TAKE_FILES:
        return Room(largest)
    if permission.path in TAKE_READINGS:
        return Room(min(largest, READINGS_BODY), MOST_PARTS)
    return Room(min(largest, DOCUMENT_BODY), MOST_PARTS)


def parts_of(piece: bytes) -> int:
    """Return how many parts of JSON begin in a piece of a body, at most.

    >>> parts_of(b'{"a": [1, 2]}')
    3
    """
    return piece.count(b",") + piece.count(b"[") + piece.count(b"{")
