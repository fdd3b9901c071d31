"""Cells of a CSV file that a spreadsheet program opens.

A text that begins like a formula would be run there. It gets one apostrophe in front, which such
programs take for "this is text"; a text that begins with an apostrophe itself gets one more, so
that taking one away always gives back what was written.
"""

from __future__ import annotations

_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n", "'", "\uff1d", "\uff0b", "\uff0d", "\uff20")
"""What a formula starts with, in the wide forms of East Asian text, too; and the apostrophe."""


def guarded(text: str) -> str:
    """Return a text that no spreadsheet program runs.

    >>> guarded("=1+2"), guarded("Mill Lane"), guarded("'tis")
    ("'=1+2", 'Mill Lane', "''tis")
    """
    return "'" + text if text.startswith(_STARTS) else text


def unguarded(text: str) -> str:
    """Return the text that was guarded.

    >>> unguarded("'=1+2"), unguarded("Mill Lane"), unguarded("''tis")
    ('=1+2', 'Mill Lane', "'tis")
    """
    return text[1:] if text.startswith("'") and text[1:].startswith(_STARTS) else text
