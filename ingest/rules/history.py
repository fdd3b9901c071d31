"""Earlier visits at the same firing rate: robust figures, interpolated over rate, never alone."""

from __future__ import annotations

from collections.abc import Sequence
from math import isfinite
from typing import NamedTuple

from ingest.earlier import EarlierCurve, ValueOf


def median(values: Sequence[float]) -> float:
    """Return the median.

    >>> median([3.0, 1.0, 2.0, 10.0])
    2.5
    """
    ordered = sorted(values)
    n = len(ordered)
    return ordered[n // 2] if n % 2 else 0.5 * (ordered[n // 2 - 1] + ordered[n // 2])


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
