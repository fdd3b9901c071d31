"""Numbers as people type them into a form."""

from __future__ import annotations

import math


def typed_number(text: str) -> float:
    """Return a number that was typed with a point or a comma, and with either minus.

    Raises
    ------
    ValueError
        If it is no finite number.

    Examples
    --------
    >>> typed_number(" 5,8"), typed_number("−12.4")
    (5.8, -12.4)
    """
    value = float(text.strip().replace(",", ".").replace("−", "-"))
    if not math.isfinite(value):
        raise ValueError(f"{text!r} is not finite")
    return value
