"""Standard uncertainties of what is computed of a point: excess air and the efficiencies.

The same inputs as the numbers themselves (``api.pages.computed``), propagated by ``combustion``:
O2, CO, stack and air temperature each with its calibration and scatter; the fuel counts as stated.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import isfinite, nan

import numpy as np

from api.pages.computed import fuel_or_none
from combustion.compute import compute
from ingest.rules.point import Point

DERIVED = ("excess_air", "efficiency_gross", "efficiency_net")
_INPUTS = ("o2_dry", "co_dry", "stack_temperature", "combustion_air_temperature")


def derived_u(points: Sequence[Point]) -> list[Mapping[str, float]]:
    """Return the standard uncertainties of ``DERIVED`` for each point, in the canonical unit.

    All points are computed at once; one that lacks an input, lies outside a range, or burns what
    nobody knows has no such uncertainty.
    """
    if not points:
        return []
    named = {point.raw.key.fuel: fuel_or_none(point.raw.key.fuel) for point in points}
    fuels = {name: fuel for name, fuel in named.items() if fuel is not None}
    if not fuels:
        return [{} for _point in points]
    columns = {key: [_number(point.mean(key)) for point in points] for key in _INPUTS}
    spreads = {key: [point.u(key) if key in point.values else nan for point in points]
               for key in _INPUTS}  # fmt: skip
    places = {name: n for n, name in enumerate(fuels)}
    index = np.array([places.get(point.raw.key.fuel, -1) for point in points])
    found = compute(columns, list(fuels.values()), index, spreads=spreads).u
    return [
        {key: float(found[key][n]) for key in DERIVED if isfinite(found[key][n])}
        for n in range(len(points))
    ]


def _number(value: float | None) -> float:
    return nan if value is None else value
