"""One case laid out for the rules: points by phase, plain floats, limits, uncertainty.

Rules read this view and put flags on it. They never touch the case. Values that are not finite are
treated as not read, so that no rule has to guard against them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from functools import lru_cache
from math import erfc, isfinite, sqrt
from statistics import NormalDist

from ingest.accuracy import Accuracies
from ingest.earlier import Group, Place, earlier_curves, found_stands
from ingest.judgement import Answer, Case, Flag, NotJudged, Source
from ingest.limits import Limit, LimitSet
from ingest.models import Severity
from ingest.rules.curve import BandAt, Edges, curve_for
from ingest.rules.history import Past
from ingest.rules.model import Rule
from ingest.rules.point import Point

HIGHEST_AIR_PRESSURE = 110_000.0
"""What a barometer may read [Pa]; beyond it the altitude tells."""

_ROOT2 = sqrt(2.0)


def probability_above(value: float, u: float, limit: float) -> float:
    """Return the probability that the true value lies at or above a limit.

    >>> round(probability_above(509.7, 8.6, 490.0), 2)
    0.99
    """
    if u <= 0.0:
        return 1.0 if value >= limit else 0.0
    return 0.5 * erfc((limit - value) / (u * _ROOT2))


@lru_cache(maxsize=64)
def _clear_of(within_at: float) -> float:
    """Return how many standard uncertainties inside a limit a value is within it for sure."""
    return 1e-9 - NormalDist().inv_cdf(within_at)


@lru_cache(maxsize=1024)
def _unjudged(rule: str, needs: str, why: str) -> NotJudged:
    """Return the entry: some forty for each visit, and few that differ."""
    return NotJudged(rule, needs, why)


class View:
    """The case, its points by phase, and what the rules have found so far."""

    def __init__(self, case: Case, limits: LimitSet) -> None:
        self.case = case
        self.boiler = case.boiler
        self.visit = case.visit
        self.limits = limits
        self.accuracies = Accuracies(case.visit.instrument)
        self.beyond_at = limits.number("decision_beyond")
        self.within_at = limits.number("decision_within")
        self.clear = _clear_of(self.within_at)
        """Where ``limit - value > clear * u`` nothing more has to be asked: most readings."""
        self.limit: Callable[[str], Limit | None] = limits.limits.get
        """A limit by key, None where nobody states it and there is no default."""
        self.flags: list[Flag] = []
        self.unjudged: dict[str, NotJudged] = {}
        self.all_points: list[Point] = [
            Point(p, self.accuracies, case.visit)
            for p in case.points
            if isfinite(p.key.firing_rate)
        ]
        self.read = frozenset[str]().union(*(p.values for p in self.all_points))
        """Quantities that any point carries: a rule of a rare one asks here first."""
        self.found = [p for p in self.all_points if p.phase == "as_found"]
        self.left_all = [p for p in self.all_points if p.phase == "as_left"]
        self.stands = bool(found_stands(case.visit) and not self.left_all and self.found)
        passes = self.found if self.stands else self.left_all
        self.left = _last_pass(passes)
        self.repeated = _repeated(passes) if len(passes) > len(self.left) else []
        """The passes at each rate that was read in several."""
        self.found_last = _last_pass(self.found)
        # Without as-left points the as-found ones are all there is: they are judged as they stand.
        self.deciding = self.left if self.left else self.found_last
        self.curves = _curves(self.deciding)
        self.earlier = earlier_curves(case.history)
        self.bands: dict[tuple[str, float], BandAt] = {}
        self._by_altitude: float | None = None
        self._past: dict[Place, Past] = {}
        self._targets: dict[str, list[tuple[float, Edges]]] = {}

    def as_found(self) -> View:
        """Return the same view with the as-found points deciding, and nothing found yet."""
        view = View.__new__(View)
        view.__dict__ |= self.__dict__
        view.flags, view.unjudged = [], {}
        view.deciding = self.found_last
        view.curves = _curves(view.deciding)
        return view

    def pressure(self, point: Point) -> float:
        """Return the absolute pressure of the air [Pa]: read, stated, or by altitude."""
        read = point.number("barometric_pressure")
        if read is not None and 50_000.0 <= read <= HIGHEST_AIR_PRESSURE:
            return read
        if self._by_altitude is None:
            self._by_altitude = self._pressure_by_altitude()
        return self._by_altitude

    def _pressure_by_altitude(self) -> float:
        altitude = self.visit.altitude if self.visit.altitude is not None else self.boiler.altitude
        if altitude is None or not -450.0 <= altitude <= 5000.0:
            return 101_325.0
        # ISO 2533:1975 (memory), as in combustion.air, in plain floats.
        return 101_325.0 * float((1.0 - 0.0065 * altitude / 288.15) ** 5.255876)

    def curve(self, fuel: str) -> list[tuple[float, Edges]]:
        """Return the target curve for a fuel, empty where none is stated."""
        held = self._targets.get(fuel)
        if held is None:
            held = self._targets[fuel] = curve_for(self.limits.targets, fuel)
        return held

    def past(self, point: Point) -> Past:
        """Return what earlier visits read at a point's burner, fuel and rate."""
        held = self._past.get(point.place)
        if held is None:
            curves = self.earlier.get((point.burner, point.fuel), ())
            held = self._past[point.place] = Past(curves, point.rate)
        return held

    # -- putting down what was found --------------------------------------------------------

    def flag(
        self,
        rule: Rule,
        severity: Severity,
        message: str,
        *,
        points: Sequence[Point] = (),
        quantity: str | None = None,
        unit: str | None = None,
        value: float | None = None,
        u: float | None = None,
        low: float | None = None,
        high: float | None = None,
        answer: Answer | None = None,
        probability: float | None = None,
        source: Source | None = None,
        next_step: str | None = None,
        effects: tuple[str, ...] = (),
        tag: str = "",
    ) -> None:
        """Put down one flag; burner, fuel, phase and rates come from its points."""
        rates = tuple(sorted({p.rate for p in points}))
        first = points[0] if points else None
        name = [rule.key]
        if first is not None:
            name += [first.phase, first.burner, first.fuel, "+".join(f"{r:g}" for r in rates)]
        if tag:
            name.append(tag)
        self.flags.append(
            Flag(
                id=":".join(name),
                rule=rule.key,
                severity=severity,
                message=message,
                next_step=rule.next_step if next_step is None else next_step,
                phase=None if first is None else first.phase,
                burner=None if first is None else first.burner,
                fuel=None if first is None else first.fuel,
                firing_rates=rates,
                quantity=quantity,
                unit=unit,
                value=value,
                uncertainty=u,
                low=low,
                high=high,
                answer=answer,
                probability_beyond=probability,
                source=source,
                effects=effects,
            )
        )

    def not_judged(self, rule: Rule, why: str, needs: str | None = None) -> None:
        """Put down that a rule lacked its input; the first reason stands."""
        if rule.key not in self.unjudged:
            self.unjudged[rule.key] = _unjudged(rule.key, needs or rule.needs, why)

    # -- deciding ---------------------------------------------------------------------------

    def answer(self, p: float) -> Answer | None:
        """Return beyond, too close to tell, or None for within."""
        if p >= self.beyond_at:
            return "beyond"
        return "too_close" if p > self.within_at else None


def _last_pass(points: Iterable[Point]) -> list[Point]:
    """Return the last pass at each rate, sorted by burner, fuel and rate."""
    last: dict[Place, Point] = {}
    for point in points:
        held = last.get(point.place)
        if held is None or point.raw.key.pass_number >= held.raw.key.pass_number:
            last[point.place] = point
    return [last[key] for key in sorted(last)]


def _repeated(points: Iterable[Point]) -> list[list[Point]]:
    """Return the points of each rate that has several."""
    passes: dict[Place, list[Point]] = {}
    for point in points:
        passes.setdefault(point.place, []).append(point)
    return [held for held in passes.values() if len(held) > 1]


def _curves(points: Sequence[Point]) -> dict[Group, list[Point]]:
    curves: dict[Group, list[Point]] = {}
    for point in points:
        curves.setdefault((point.burner, point.fuel), []).append(point)
    return curves
