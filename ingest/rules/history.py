"""Earlier visits at the same firing rate: robust figures, interpolated over rate, never alone."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable, Mapping, Sequence
from math import isfinite
from operator import itemgetter
from typing import NamedTuple

from ingest.fuel_facts import fuel_key
from parsers.points import FiringPoint

Group = tuple[str, str]
"""Burner and fuel: what forms one firing curve."""

Place = tuple[str, str, float]
"""Burner, fuel and rate: where a point stands on its curve."""

ValueOf = Callable[[FiringPoint], float | None]
"""A figure of an earlier point, None where it lacks what it is made of."""

RATE_NEAR = 5.0
"""A rate beyond the ends of an earlier curve is compared only this near [%]."""


def median(values: Sequence[float]) -> float:
    """Return the median.

    >>> median([3.0, 1.0, 2.0, 10.0])
    2.5
    """
    ordered = sorted(values)
    n = len(ordered)
    return ordered[n // 2] if n % 2 else 0.5 * (ordered[n // 2 - 1] + ordered[n // 2])


def at_rate(rows: Sequence[tuple[float, float]], rate: float) -> float | None:
    """Return a value at a rate from (rate, value) rows sorted by rate, linear between them.

    >>> at_rate([(20.0, 10.0), (100.0, 50.0)], 60.0), at_rate([(20.0, 10.0)], 60.0)
    (30.0, None)
    """
    if not rows:
        return None
    place = bisect_left(rows, (rate,))
    if place < len(rows) and rows[place][0] == rate:
        return rows[place][1]
    if place == 0:
        return rows[0][1] if rows[0][0] - rate <= RATE_NEAR else None
    if place == len(rows):
        return rows[-1][1] if rate - rows[-1][0] <= RATE_NEAR else None
    (r0, v0), (r1, v1) = rows[place - 1], rows[place]
    return v0 + (v1 - v0) * (rate - r0) / (r1 - r0)


Pass = Mapping[Place, FiringPoint]
"""The points of one pass by their place, sorted by it; the fuel as its points spell it."""


def as_left_of(points: Sequence[FiringPoint], stands: bool) -> Pass:
    """Return the last as-left pass of an earlier visit."""
    left = [p for p in points if p.key.phase == "as_left"]
    if not left and stands:
        left = [p for p in points if p.key.phase == "as_found"]
    last: dict[Place, FiringPoint] = {}
    for point in left:
        key = point.key
        place = (key.burner, key.fuel, key.firing_rate)
        held = last.get(place)
        if held is None or key.pass_number >= held.key.pass_number:
            last[place] = point
    return {place: last[place] for place in sorted(p for p in last if isfinite(p[2]))}


class EarlierCurve(NamedTuple):
    """The as-left points of one burner and fuel in one earlier visit, by rate."""

    rows: Sequence[tuple[float, FiringPoint]]
    at: Mapping[float, FiringPoint]
    """The point at exactly a rate, the first where two spellings of one fuel stand there."""

    def between(self, rate: float, value_of: ValueOf) -> float | None:
        """Return a value at a rate, interpolated over the points that have it."""
        read = ((r, value_of(p)) for r, p in self.rows)
        return at_rate([(r, v) for r, v in read if v is not None and isfinite(v)], rate)


def earlier_curves(visits: Sequence[Pass]) -> dict[Group, list[EarlierCurve]]:
    """Return the curves of earlier visits by burner and fuel."""
    curves: dict[Group, list[EarlierCurve]] = {}
    for points in visits:
        groups: dict[Group, list[tuple[float, FiringPoint]]] = {}
        for (burner, fuel, rate), point in points.items():
            groups.setdefault((burner, fuel_key(fuel)), []).append((rate, point))
        for group, rows in groups.items():
            # Two spellings of one fuel may have come apart: the curve needs its own order.
            rows.sort(key=itemgetter(0))
            curves.setdefault(group, []).append(EarlierCurve(rows, dict(reversed(rows))))
    return curves


class Usual(NamedTuple):
    """A figure over earlier visits: how many, its median and its robust standard deviation."""

    visits: int
    median: float
    spread: float


class Past:
    """What earlier visits read at one burner, fuel and rate: as found and as left ask alike."""

    __slots__ = ("_curves", "_exact", "_means", "_rate", "_usual")

    def __init__(self, curves: Sequence[EarlierCurve], rate: float) -> None:
        self._curves = curves
        self._rate = rate
        self._exact = [c.at.get(rate) for c in curves]
        self._means: dict[str, list[float]] = {}
        self._usual: dict[ValueOf, Usual | None] = {}

    def means(self, quantity: str) -> Sequence[float]:
        """Return a quantity in each earlier visit that has it, oldest first."""
        held = self._means.get(quantity)
        if held is None:
            read = [None if p is None else p.values.get(quantity) for p in self._exact]
            held = [s.mean for s in read if s is not None]
            if len(held) < len(read) or not isfinite(sum(held)):
                held = self._values(lambda p: p.mean(quantity))
            self._means[quantity] = held
        return held

    def usual(self, value_of: ValueOf) -> Usual | None:
        """Return a figure over earlier visits, None where fewer than two have it.

        It is worked out once for each function: ask with one that lives as long as its module.
        """
        if value_of not in self._usual:
            values = self._values(value_of)
            several = len(values) >= 2
            self._usual[value_of] = (
                Usual(len(values), median(values), spread_of(values)) if several else None
            )
        return self._usual[value_of]

    def _values(self, value_of: ValueOf) -> list[float]:
        """Return a value in each earlier visit that has it, between rates where it must be."""
        found = []
        for curve, there in zip(self._curves, self._exact, strict=True):
            value = None if there is None else value_of(there)
            if value is None or not isfinite(value):
                value = curve.between(self._rate, value_of)
            if value is not None:
                found.append(value)
        return found


def spread_of(values: Sequence[float]) -> float:
    """Return a robust standard deviation: 1.4826 times the median distance from the median.

    >>> round(spread_of([1.0, 2.0, 3.0, 4.0, 100.0]), 2)
    1.48
    """
    middle = median(values)
    return 1.4826 * median([abs(v - middle) for v in values])
