"""Computed quantities of firing points, for the table under the curves.

Only what a reader of one visit looks at first: excess air, CO air-free and the gross efficiency
without condensation credited. A point that lacks an input, or lies outside a range, has no
such number.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import lru_cache

from combustion.emissions import co_air_free
from combustion.fuel_text import FuelError, fuel_from_text
from combustion.fuels import Fuel
from combustion.losses import efficiency_gross
from combustion.refusals import OutOfRange
from combustion.stoichiometry import excess_air_from_o2
from ingest.store.held import HeldBeside
from parsers import FiringPoint


@lru_cache(maxsize=64)
def fuel_or_none(name: str) -> Fuel | None:
    """Return a fuel by its name or its analysis, None where nobody knows it."""
    try:
        return fuel_from_text(name)
    except FuelError:
        return None


def _of_point(point: FiringPoint, fuel: Fuel | None) -> dict[str, float]:
    o2, co = point.mean("o2_dry"), point.mean("co_dry")
    stack, air = point.mean("stack_temperature"), point.mean("combustion_air_temperature")
    found: dict[str, float] = {}

    def put(key: str, formula: Callable[[], float]) -> None:
        try:
            found[key] = float(formula())
        except OutOfRange:
            return

    if o2 is not None and co is not None:
        put("co_air_free", lambda: co_air_free(co, o2))
    if fuel is not None and o2 is not None:
        put("excess_air", lambda: excess_air_from_o2(fuel, o2, co or 0.0))
        if stack is not None and air is not None:
            put("efficiency_gross", lambda: efficiency_gross(fuel, o2, stack, air, co or 0.0))
    return found


_Numbers = Mapping[int, Mapping[str, float]]
_once: HeldBeside[_Numbers] = HeldBeside(1024)


def computed(points: Sequence[FiringPoint]) -> _Numbers:
    """Return the computed quantities of each point by its index.

    Points that the store holds are the same tuple each time: what was computed of them is kept.
    """
    if not isinstance(points, tuple):
        return _computed(points)
    return _once.get_or_make(points, None, lambda: _computed(points))


def _computed(points: Sequence[FiringPoint]) -> dict[int, dict[str, float]]:
    return {
        index: _of_point(point, fuel_or_none(point.key.fuel)) for index, point in enumerate(points)
    }
