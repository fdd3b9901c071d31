"""Whether a point's readings stand still, from its readings or from what the reader worked out."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from math import hypot, isfinite, sqrt
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from ingest.rules.point import Point

O2_MOVES = 0.5
STACK_MOVES = 6.0
_PAIR = {"o2_dry": 0.8, "stack_temperature": 10.0}
"""Two readings are no series: only a plain jump between them counts."""


def series(point: Point, quantity: str) -> list[float]:
    """Return the point's readings of a quantity in order of time."""
    return [
        v for r in point.raw.readings if (v := r.values.get(quantity)) is not None and isfinite(v)
    ]


def thirds(values: Sequence[float]) -> tuple[float, float, float]:
    """Return the means of the first, middle and last third.

    >>> thirds([1.0, 2.0, 3.0])
    (1.0, 2.0, 3.0)
    """
    n = len(values)
    cut = max(1, n // 3)
    middle = values[cut : n - cut] or values[cut - 1 : n - cut + 1]
    return (
        sum(values[:cut]) / cut,
        sum(middle) / len(middle),
        sum(values[n - cut :]) / cut,
    )


def moved(point: Point, quantity: str) -> float | None:
    """Return how far a quantity surely drifts over a point, None with fewer than three readings.

    Surely: what noise alone would do is taken off at p 0.95.
    """
    settled = point.values.get(quantity)
    if settled is None or settled.count < 3:
        return None
    if settled.drift is not None and isfinite(settled.drift):
        return abs(settled.drift)
    values = series(point, quantity)
    if len(values) < 3:
        return None
    first, _, last = thirds(values)
    n = len(values)
    cut = max(1, n // 3)
    # Noise from one reading to the next, in which a steady drift hardly shows.
    noise = hypot(*(b - a for a, b in pairwise(values))) / sqrt(2.0 * (n - 1))
    step = abs(last - first)
    slow = max(0.0, noise - step / (n - 1))
    sure = max(0.0, step - 1.645 * slow * sqrt(2.0 / cut))
    # The middles of the outer thirds lie less than the whole span apart.
    return sure * (n - 1) / (n - cut)


def unsettled(point: Point) -> tuple[str, str, float, float] | None:
    """Return (quantity, unit, how far it moves, what is allowed) of a point that is not settled."""
    for quantity, unit, allowed in (
        ("o2_dry", "%", O2_MOVES),
        ("stack_temperature", "K", STACK_MOVES),
    ):
        settled = point.values.get(quantity)
        if settled is None:
            continue
        if settled.count == 2:
            pair, far = series(point, quantity), _PAIR[quantity]
            if len(pair) == 2 and abs(pair[1] - pair[0]) > far:
                return quantity, unit, abs(pair[1] - pair[0]), far
        if settled.count < 3:
            continue
        drift = moved(point, quantity)
        if drift is not None and drift > allowed:
            return quantity, unit, drift, allowed
        if quantity == "o2_dry" and settled.spread > allowed:
            return quantity, unit, settled.spread, allowed
    return None
