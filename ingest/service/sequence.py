"""The order in which nuts of a round flange are tightened, so that a gasket seats evenly.

Nuts are numbered clockwise from 1. An even count goes in opposite pairs, each pair followed by the
one across it where there is one; an odd count steps by nearly half the circle.
"""

from __future__ import annotations


def _spread(count: int) -> list[int]:
    """Return 1..count, odd ones first: neighbours never follow each other while avoidable."""
    return [*range(1, count + 1, 2), *range(2, count + 1, 2)]


def criss_cross(count: int) -> list[int]:
    """Return the tightening order of ``count`` nuts as their numbers.

    Parameters
    ----------
    count : int
        Nuts on the circle, 3 to 64.

    Raises
    ------
    ValueError
        If there is no circle to cross.

    Examples
    --------
    >>> criss_cross(8)
    [1, 5, 3, 7, 2, 6, 4, 8]
    >>> criss_cross(5)
    [1, 3, 5, 2, 4]
    """
    if not 3 <= count <= 64:
        raise ValueError(f"a criss-cross sequence needs 3 to 64 nuts, not {count}")
    if count % 4 == 0:
        quarter = count // 4
        return [
            n for k in _spread(quarter) for n in (k, k + 2 * quarter, k + quarter, k + 3 * quarter)
        ]
    if count % 2 == 0:
        half = count // 2
        return [n for k in _step(half) for n in (k, k + half)]
    return _step(count)


def _step(count: int) -> list[int]:
    # (count - 1) / 2 has no common divisor with an odd count, so every nut comes once.
    step = max((count - 1) // 2, 1)
    return [(i * step) % count + 1 for i in range(count)]
