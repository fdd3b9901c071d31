"""Texts that no store keeps whole, refused wherever something is written.

SQLite ends a text at a null character in half of its functions, PostgreSQL takes none, and half of
a pair of UTF-16 is no character at all: JSON can spell both.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from ingest.store.errors import UnfitText


def refuse_unfit(value: Any) -> None:
    r"""Raise UnfitText where a text somewhere in a value cannot be kept.

    >>> refuse_unfit({"name": "B-1", "note": "written \\u0000, not meant"})
    """
    for path, text in _texts(value, ()):
        said = _unfit(text)
        if said is not None:
            # Where the document stands beside more, its own place is what its sender knows.
            raise UnfitText(path[1:] if path[:1] == ("document",) else path, said)


def _unfit(text: str) -> str | None:
    if "\0" in text:
        return "a null character"
    try:
        text.encode()
    except UnicodeEncodeError:
        return "half of a character (a lone surrogate)"
    return None


def _texts(value: Any, path: tuple[str, ...]) -> Iterator[tuple[tuple[str, ...], str]]:
    if isinstance(value, str):
        yield path, value
    elif isinstance(value, Mapping):
        for key, inner in value.items():
            yield path, str(key)
            yield from _texts(inner, (*path, str(key)))
    elif isinstance(value, list | tuple):
        for n, inner in enumerate(value):
            yield from _texts(inner, (*path, str(n)))
