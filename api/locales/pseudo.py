"""A language that does not exist, to see what a page does with one.

Every text is accented, a third longer and bracketed: what shows without brackets was never
translatable, and what does not fit now will not fit in German either.
"""

from __future__ import annotations

import gettext
import math
import re

PSEUDO = "en-XA"
"""The usual tag of an accented pseudo-locale; XA is a region for private use."""

LONGER = 0.35
_ACCENTED = str.maketrans(
    "aceghijklnorstuwyzACDEGHIJKLNORSTUWYZ", "áçéĝĥíĵķļñóŕšţúŵýžÁÇĎÉĜĤÍĴĶĻÑÓŔŠŢÚŴÝŽ"
)
_FILLING = "lorem ipsum dolor sit amet ".translate(_ACCENTED)
# What is filled in, and markup, stay as they are.
_KEPT = re.compile(r"(\{[^{}]*(?:\{[^{}]*\}[^{}]*)*\}|%\(\w+\)[sd]|%%|</?\w[^>]*>|&\w+;)")


def pseudo(text: str) -> str:
    """Return a text in the language that does not exist.

    >>> pseudo("Hand in {n} files")
    '[Ĥáñd íñ {n} fíļéš ļóŕém]'
    """
    if not text.strip():
        return text
    parts = _KEPT.split(text)
    said = "".join(p if n % 2 else p.translate(_ACCENTED) for n, p in enumerate(parts))
    room = math.ceil(LONGER * sum(len(p) for p in parts[::2]))
    filling = (_FILLING * (room // len(_FILLING) + 1))[:room].strip()
    return f"[{said} {filling}]"


class PseudoTranslations(gettext.NullTranslations):
    """A catalogue that has every text."""

    def gettext(self, message: str) -> str:
        """Return the text in the language that does not exist."""
        return pseudo(message)

    def ngettext(self, msgid1: str, msgid2: str, n: int) -> str:
        """Return the form for a number."""
        return pseudo(msgid1 if n == 1 else msgid2)

    def pgettext(self, context: str, message: str) -> str:
        """Return a text that stands in a context."""
        return pseudo(message)
