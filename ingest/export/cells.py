"""Cells of a CSV file that a spreadsheet program opens.

A text that begins like a formula would be run there. It gets one apostrophe before that beginning,
which such programs take for "this is text"; a text that has one there itself gets one more, so that
taking one away always gives back what was written. A text begins anew after each line end, tab and
semicolon: a program that takes another delimiter, or no quotes, begins a cell there. Blanks and
quotes before the beginning do not count. A negative number runs nothing, and stays a number.
"""

from __future__ import annotations

import re

_FORMULA = "=+\\-@\uff1d\uff0b\uff0d\uff20'"
"""What a formula starts with, in the wide forms of East Asian text, too; and the apostrophe."""
_LEAD = '[ "\u00a0\u3000\u200b\ufeff]*'
_BEGINS = rf"(?:\A{_LEAD}(?=[{_FORMULA}\t\r\n])|(?<=[;\t\r\n]){_LEAD}(?=[{_FORMULA}]))"
_UNGUARDED = re.compile(_BEGINS)
_GUARDED = re.compile(
    rf"\A({_LEAD})'(?=[{_FORMULA}\t\r\n])|(?<=[;\t\r\n])({_LEAD})'(?=[{_FORMULA}])"
)
_NEGATIVE = re.compile(r"-[0-9]+(?:\.[0-9]+)?(?:e[-+]?[0-9]+)?")


def guarded(text: str) -> str:
    r"""Return a text that no spreadsheet program runs.

    >>> guarded("=1+2"), guarded("Mill Lane"), guarded("'tis"), guarded("-2.5")
    ("'=1+2", 'Mill Lane', "''tis", '-2.5')
    >>> guarded(' "=1'), guarded("seen\n@A1;=2")
    (' "\'=1', "seen\n'@A1;'=2")
    """
    if _NEGATIVE.fullmatch(text):
        return text
    return _UNGUARDED.sub(lambda found: found[0] + "'", text)


def unguarded(text: str) -> str:
    """Return the text that was guarded.

    >>> unguarded("'=1+2"), unguarded("Mill Lane"), unguarded("''tis"), unguarded("-2.5")
    ('=1+2', 'Mill Lane', "'tis", '-2.5')
    """
    return _GUARDED.sub(lambda found: found[1] or found[2] or "", text)
