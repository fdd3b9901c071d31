"""Visits of the same boiler before the one judged: what they left, by burner, fuel and rate."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from math import isfinite
from operator import itemgetter
from typing import NamedTuple

from ingest.fuel_facts import fuel_key
from ingest.models import Visit
from parsers.points import FiringPoint

Group = tuple[str, str]
"""Burner and fuel: what forms one firing curve."""

Place = tuple[str, str, float]
"""Burner, fuel and rate: where a point stands on its curve."""

ValueOf = Callable[[FiringPoint], float | None]
"""A figure of an earlier point, None where it lacks what it is made of."""

RATE_NEAR = 5.0
"""A rate beyond the ends of an earlier curve is compared only this near [%]."""


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


class EarlierCurve(NamedTuple):
    """The as-left points of one burner and fuel in one earlier visit, by rate."""

    rows: Sequence[tuple[float, FiringPoint]]
    at: Mapping[float, FiringPoint]
    """The point at exactly a rate, the first where two spellings of one fuel stand there."""

    def between(self, rate: float, value_of: ValueOf) -> float | None:
        """Return a value at a rate, interpolated over the points that have it."""
        read = ((r, value_of(p)) for r, p in self.rows)
        return at_rate([(r, v) for r, v in read if v is not None and isfinite(v)], rate)


def found_stands(visit: Visit) -> bool:
    """Return whether as found stands as as left: declared, or nothing was adjusted."""
    return visit.as_found_stands or (visit.adjusted is False and not visit.adjustments)


@dataclass(frozen=True)
class EarlierVisit:
    """A visit of the same boiler before the one judged.

    It may be shared by many cases: what is worked out of it is worked out once.
    """

    visit: Visit
    points: Sequence[FiringPoint]

    @cached_property
    def as_left(self) -> Pass:
        """The last as-left pass."""
        left = [p for p in self.points if p.key.phase == "as_left"]
        if not left and found_stands(self.visit):
            left = [p for p in self.points if p.key.phase == "as_found"]
        last: dict[Place, FiringPoint] = {}
        for point in left:
            key = point.key
            place = (key.burner, key.fuel, key.firing_rate)
            held = last.get(place)
            if held is None or key.pass_number >= held.key.pass_number:
                last[place] = point
        return {place: last[place] for place in sorted(p for p in last if isfinite(p[2]))}

    @cached_property
    def by_rate(self) -> Mapping[tuple[str, float], FiringPoint]:
        """Its as-left points by burner and rate, whatever the fuel."""
        return {(burner, rate): point for (burner, _, rate), point in self.as_left.items()}

    @cached_property
    def curves(self) -> Mapping[Group, EarlierCurve]:
        """Its as-left points by burner and fuel."""
        groups: dict[Group, list[tuple[float, FiringPoint]]] = {}
        for (burner, fuel, rate), point in self.as_left.items():
            groups.setdefault((burner, fuel_key(fuel)), []).append((rate, point))
        # Two spellings of one fuel may have come apart: the curve needs its own order.
        ordered = {group: sorted(rows, key=itemgetter(0)) for group, rows in groups.items()}
        return {g: EarlierCurve(rows, dict(reversed(rows))) for g, rows in ordered.items()}


def earlier_curves(visits: Iterable[EarlierVisit]) -> dict[Group, list[EarlierCurve]]:
    """Return the curves of earlier visits by burner and fuel."""
    curves: dict[Group, list[EarlierCurve]] = {}
    for visit in visits:
        for group, curve in visit.curves.items():
            curves.setdefault(group, []).append(curve)
    return curves
