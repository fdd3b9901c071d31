"""What the book refuses, as one tree.

BookError
|- NotFound         no such site, boiler, visit, reading or file
|- StateConflict    the visit's state, or what it already holds, does not allow it
`- VersionConflict  someone else changed it since it was read
"""

from __future__ import annotations


class BookError(Exception):
    """The book refuses; nothing was changed."""


class NotFound(BookError):
    """There is no such thing in the book."""

    def __init__(self, kind: str, identity: object) -> None:
        super().__init__(f"there is no {kind} {identity} in this book")
        self.kind = kind
        self.identity = str(identity)


class StateConflict(BookError):
    """The visit's state, or what it already holds, does not allow this."""


class VersionConflict(BookError):
    """Changed since it was read: look at the newer version, then decide again."""

    def __init__(self, kind: str, identity: object, expected: int, found: int) -> None:
        super().__init__(
            f"{kind} {identity} was changed meanwhile: version {expected} was expected, "
            f"and it is at {found}"
        )
        self.expected = expected
        self.found = found
