"""What all charts share: round steps, heights over them, bars of uncertainty, room for words."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

Box = tuple[float, float, float, float]
"""Left, top, right and foot of what is drawn [px]."""
Place = tuple[float, float, str]
"""Where words stand: x and y [px], and their anchor."""


def round_steps(low: float, high: float, wanted: int = 4) -> list[float]:
    """Return round numbers that enclose a range, about ``wanted`` steps of 1, 2 or 5.

    >>> round_steps(2.9, 7.2)
    [2.0, 4.0, 6.0, 8.0]
    """
    span = (high - low) or abs(high) or 1.0
    raw = span / wanted
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(m * power for m in (1, 2, 5, 10) if m * power >= raw - 1e-12)
    first, last = math.floor(low / step + 1e-9), math.ceil(high / step - 1e-9)
    if first == last:
        last += 1
    return [i * step for i in range(first, last + 1)]


class Heights:
    """Heights of values over the steps of a scale."""

    def __init__(self, steps: Sequence[float], top: float, foot: float) -> None:
        self.steps, self.top, self.foot = steps, top, foot

    def y(self, value: float) -> float:
        """Return a value's height [px], at the edge where it lies beyond the scale."""
        low, high = self.steps[0], self.steps[-1]
        share = (min(max(value, low), high) - low) / (high - low)
        return round(self.foot - share * (self.foot - self.top), 1)

    def reach(self, value: float, spread: float) -> tuple[tuple[float, float], tuple[bool, bool]]:
        """Return the heights of a value less and plus its spread, and which lie on the scale."""
        low, high = value - spread, value + spread
        closed = (low >= self.steps[0], high <= self.steps[-1])
        return (self.y(low), self.y(high)), closed


def spread_bar(
    x: float, ends: tuple[float, float], closed: tuple[bool, bool], r: float, role: str
) -> str:
    """Return an expanded uncertainty as a thin bar, where it reaches beyond the mark itself.

    Parameters
    ----------
    x : float
        Its place [px].
    ends : (float, float)
        Heights of its low and high end [px].
    closed : (bool, bool)
        Whether each end lies within the scale: one that does not has no cap.
    r : float
        Radius of the mark [px].
    role : str
        That of the curve.
    """
    low, high = ends
    if abs(low - high) <= 2 * (r + 1.5):
        return ""
    foot, head = ("m-3,0h6" if closed[0] else ""), ("h6m-3,0" if closed[1] else "")
    start = f"M{x - 3:g},{high:g}" if closed[1] else f"M{x:g},{high:g}"
    color = {"left": "#1a56b0", "found": "#6d7471"}.get(role, "#14302a")
    return (
        f'<path class="{role} spread" d="{start}{head}V{low:g}{foot}" fill="none" '
        f'stroke="{color}" stroke-width="1" stroke-opacity=".7"/>'
    )


def clear(box: Box, taken: Sequence[Box]) -> bool:
    return all(box[2] <= b[0] or box[0] >= b[2] or box[3] <= b[1] or box[1] >= b[3] for b in taken)


def best(
    places: Sequence[tuple[Place, Box]], taken: Sequence[Box], lines: Sequence[Box]
) -> tuple[Place, Box] | None:
    """Return the first place clear of marks and words, one clear of the lines too if there is."""
    free = [p for p in places if clear(p[1], taken)]
    return next((p for p in free if clear(p[1], lines)), free[0] if free else None)


def along(points: Sequence[tuple[float, float]]) -> list[Box]:
    """Return a line as a row of small boxes, which words keep clear of where they can."""
    out: list[Box] = []
    for (x0, y0), (x1, y1) in pairwise(points):
        many = max(int(math.hypot(x1 - x0, y1 - y0) / 5), 1)
        for n in range(many + 1):
            x, y = x0 + (x1 - x0) * n / many, y0 + (y1 - y0) * n / many
            out.append((x - 1, y - 1, x + 1, y + 1))
    return out
