"""Text of people as pages and reports show it: what is not seen never changes what is seen.

Control characters, and the marks that turn the direction of all that follows, become a sign that
something stood there: a name must not turn the digits of the number behind it. Right-to-left
writing needs no such mark. What is stored and exported stays as it was sent.
"""

from __future__ import annotations

import re
import struct
from collections.abc import Iterator
from functools import lru_cache
from pathlib import Path
from typing import Any

SOMETHING = "\ufffd"
# C0 without tab and line ends, C1, line and paragraph separators; the explicit embeddings,
# overrides and isolates of the bidirectional algorithm (UAX 9, section 2; memory).
_UNSEEN = re.compile(
    "[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u2028\u2029\u202a-\u202e\u2066-\u2069\ufffe\uffff]"
)


def plain(text: str) -> str:
    r"""Return a text whose characters all are what they look like.

    >>> plain("B-1\u202e mpp 9"), plain("Kessel 2\tNord")
    ('B-1\ufffd mpp 9', 'Kessel 2\tNord')
    """
    return text if text.isprintable() else _UNSEEN.sub(SOMETHING, text)


def shown(value: Any) -> Any:
    """Return what a template writes: texts plain; markup of our own and all else as it is."""
    return plain(value) if type(value) is str else value


def with_glyphs(value: Any, fonts: Path) -> Any:
    """Return a document's texts plain, with a sign for each character that no font there has.

    Parameters
    ----------
    value : str, list, dict or other
        What a typesetter sets; a missing glyph would stop it.
    fonts : Path
        The folder of the fonts, as TrueType files.
    """
    if isinstance(value, str):
        text = plain(value)
        if text.isascii():
            return text
        known = _glyphs(fonts)
        return "".join(c if c.isascii() or ord(c) in known else SOMETHING for c in text)
    if isinstance(value, dict):
        return {key: with_glyphs(inner, fonts) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return [with_glyphs(inner, fonts) for inner in value]
    return value


@lru_cache(maxsize=4)
def _glyphs(fonts: Path) -> frozenset[int]:
    """Return the characters that every weight of some font in a folder has a glyph for."""
    families: dict[str, set[int]] = {}
    for path in sorted(fonts.glob("*.ttf")):
        found = set(_characters(path.read_bytes()))
        family = path.stem.partition("-")[0]
        families[family] = families.get(family, found) & found
    return frozenset().union(*families.values())


def _characters(font: bytes) -> Iterator[int]:
    """Yield the characters that a TrueType font maps (OpenType, "cmap" 4 and 12; memory)."""
    (tables,) = struct.unpack_from(">H", font, 4)
    records = (struct.unpack_from(">4sLLL", font, 12 + 16 * n) for n in range(tables))
    cmap = next(offset for tag, _, offset, _ in records if tag == b"cmap")
    (maps,) = struct.unpack_from(">H", font, cmap + 2)
    for m in range(maps):
        platform, _, offset = struct.unpack_from(">HHL", font, cmap + 4 + 8 * m)
        at = cmap + offset
        (form,) = struct.unpack_from(">H", font, at)
        if platform not in (0, 3):
            continue
        if form == 12:
            (groups,) = struct.unpack_from(">L", font, at + 12)
            for g in range(groups):
                first, last, _ = struct.unpack_from(">LLL", font, at + 16 + 12 * g)
                yield from range(first, last + 1)
        elif form == 4:
            count = struct.unpack_from(">H", font, at + 6)[0] // 2
            for n in range(count):
                yield from _segment(font, at + 14 + 2 * n, count)


def _segment(font: bytes, at: int, count: int) -> Iterator[int]:
    """Yield the characters of one segment of format 4 that have a glyph."""
    (last,) = struct.unpack_from(">H", font, at)
    places = [at + 2 + 2 * count * part for part in (1, 2, 3)]
    first, delta, offset = (struct.unpack_from(">H", font, place)[0] for place in places)
    for char in range(first, min(last, 0xFFFE) + 1):
        glyph = char + delta
        if offset:
            (glyph,) = struct.unpack_from(">H", font, places[2] + offset + 2 * (char - first))
        if glyph & 0xFFFF:
            yield char
