"""What the book refuses, as one tree.

BookError
|- NotFound         no such site, boiler, visit, reading or file
|- StateConflict    the visit's state, or what it already holds, does not allow it
|  `- SecretsLocked  no key at hand opens the signing secrets
|- UnfitText        a text holds a character that cannot be kept
|- VersionConflict  someone else changed it since it was read
|- NotABook         the file is no book, or a broken one
|- NewerBook        a newer program wrote the book
`- TargetExists     a backup or restore would overwrite a file
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path


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


class SecretsLocked(StateConflict):
    """No key at hand opens the signing secrets; what is to be signed waits."""


class UnfitText(BookError):
    """A text holds a character that cannot be kept; ``path`` leads to it."""

    def __init__(self, path: Sequence[str], holds: str) -> None:
        named = next((part for part in reversed(path) if not part.isdigit()), "")
        super().__init__(f"{named or 'a text'} holds {holds}")
        self.path = tuple(path) if named else ()


class VersionConflict(BookError):
    """Changed since it was read: look at the newer version, then decide again."""

    def __init__(self, kind: str, identity: object, expected: int, found: int) -> None:
        super().__init__(
            f"{kind} {identity} was changed meanwhile: version {expected} was expected, "
            f"and it is at {found}"
        )
        self.expected = expected
        self.found = found


class NotABook(BookError):
    """The file is no fluebook, or it is broken."""

    def __init__(self, path: Path, why: str) -> None:
        super().__init__(f"{path} is not a readable book: {why}")
        self.path = path


class NewerBook(BookError):
    """A newer program wrote the book; this one would not know what it changes."""

    def __init__(self, path: Path, unknown: Sequence[str]) -> None:
        super().__init__(
            f"{path} was written by a newer fluebook (steps {', '.join(unknown)} are unknown "
            "here); install that version or a later one"
        )
        self.path = path


class TargetExists(BookError):
    """A backup or restore never overwrites a file."""

    def __init__(self, path: Path) -> None:
        super().__init__(f"{path} exists; name a file that does not exist yet")
        self.path = path
