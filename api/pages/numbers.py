"""Numbers as people type them into a form."""

from __future__ import annotations

from ingest.sent import is_number
from parsers.numbers import LARGEST


def typed_number(text: str) -> float:
    """Return a number that was typed with a point or a comma, and with either minus.

    Raises
    ------
    ValueError
        If it is no number, or one beyond what anything measures.

    Examples
    --------
    >>> typed_number(" 5,8"), typed_number("−12.4")
    (5.8, -12.4)
    """
    value = float(text.strip().replace(",", ".").replace("−", "-").replace("_", "?"))
    if not is_number(value):
        raise ValueError(f"{text!r} is not from {-LARGEST:g} to {LARGEST:g}")
    return value
