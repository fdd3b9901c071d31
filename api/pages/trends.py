"""What a boiler's numbers do over its visits: values by quantity and rate, limits, drift."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from uuid import UUID

from api.pages.computed import computed, fuel_or_none
from api.pages.curves import last_pass
from combustion.losses import heat_balance_from_o2
from combustion.quantities import QUANTITIES
from combustion.refusals import OutOfRange
from ingest.earlier import EarlierVisit
from ingest.intake_life import Life
from ingest.rules.curve import curve_for, interpolated
from parsers import FiringPoint

FIRST = ("o2_dry", "co_air_free", "stack_temperature", "efficiency_net")
"""Quantities that a reader of a boiler's life looks for before all others."""


@dataclass(frozen=True, slots=True)
class At:
    """One visit's value of a quantity at a rate, canonical, and the point that it stands for."""

    day: date
    value: float
    above: bool
    visit: UUID | None
    of: EarlierVisit | None = None
    point: FiringPoint | None = None


Trends = Mapping[str, Mapping[float, Sequence[At]]]
"""Quantity -> firing rate -> values, oldest first."""


def efficiency_net(point: FiringPoint) -> float | None:
    """Return the net efficiency of a point without condensation [%], None where it lacks input."""
    fuel = fuel_or_none(point.key.fuel)
    o2, stack = point.mean("o2_dry"), point.mean("stack_temperature")
    air = point.mean("combustion_air_temperature")
    if fuel is None or o2 is None or stack is None or air is None:
        return None
    try:
        balance = heat_balance_from_o2(fuel, o2, stack, air, point.mean("co_dry") or 0.0)
        return float(balance.efficiency_net)
    except OutOfRange:
        return None


def values_of(points: Sequence[FiringPoint]) -> dict[float, dict[str, tuple[float, bool]]]:
    """Return the as-left values of a visit by rate, each with whether it lies above what was shown.

    A visit at which nothing is recorded as left tells nothing here.
    """
    numbers = computed(points)
    out: dict[float, dict[str, tuple[float, bool]]] = {}
    for index in last_pass(points, "as_left"):
        point = points[index]
        found: dict[str, tuple[float, bool]] = {}
        for key in point.values:
            mean = point.mean(key)
            bound = point.bounds.get(key)
            if mean is not None and key in QUANTITIES and key != "firing_rate":
                found[key] = (mean, bound is not None and bound.above is not None)
        above = found.get("co_dry", (0.0, False))[1]
        for key, value in numbers.get(index, {}).items():
            found[key] = (value, above and key == "co_air_free")
        net = efficiency_net(point)
        if net is not None:
            found["efficiency_net"] = (net, False)
        out[point.key.firing_rate] = found
    return out


def trends(visits: Sequence[EarlierVisit]) -> dict[str, dict[float, list[At]]]:
    """Return every quantity at every rate over the visits; those first that matter first."""
    found: dict[str, dict[float, list[At]]] = {}
    for one in visits:
        if one.visit.started is None:
            continue
        day = one.visit.started.date()
        points = {
            one.points[i].key.firing_rate: one.points[i] for i in last_pass(one.points, "as_left")
        }
        for rate, values in values_of(one.points).items():
            for key, (value, above) in values.items():
                at = At(day, value, above, one.visit.id, one, points[rate])
                found.setdefault(key, {}).setdefault(rate, []).append(at)
    order = [k for k in FIRST if k in found] + [k for k in QUANTITIES if k in found]
    return {key: {r: found[key][r] for r in sorted(found[key])} for key in dict.fromkeys(order)}


def limits_at(life: Life, key: str, rate: float) -> tuple[float | None, float | None]:
    """Return the lower and upper limit of a quantity at a rate as they are today, canonical."""
    if key == "o2_dry":
        curve = curve_for(life.limits.targets, life.boiler.fuel)
        if not curve:
            return None, None
        low, _, high = interpolated(curve, rate)
        return low, high
    name = {"co_air_free": "co_air_free_fix", "stack_temperature": "stack_temperature_max"}.get(key)
    limit = None if name is None else life.limits.get(name)
    return None, float(limit.value) if limit and isinstance(limit.value, int | float) else None


def drift_a_year(values: Sequence[At]) -> float | None:
    """Return the slope of a least-squares line [unit per year]; None for fewer than three visits.

    >>> from datetime import timedelta
    >>> days = [date(2024, 1, 1) + timedelta(days=365.25 * n) for n in range(3)]
    >>> round(drift_a_year([At(d, 3.0 + n, False, None) for n, d in enumerate(days)]), 2)
    1.0
    """
    known = [v for v in values if not v.above]
    if len(known) < 3:
        return None
    years = [(v.day - known[0].day).days / 365.25 for v in known]
    mean_x, mean_y = sum(years) / len(years), sum(v.value for v in known) / len(known)
    spread = sum((x - mean_x) ** 2 for x in years)
    if spread == 0:
        return None
    together = sum((x - mean_x) * (v.value - mean_y) for x, v in zip(years, known, strict=True))
    return together / spread
