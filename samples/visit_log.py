"""A continuous log of the cooperative's open visit: its cut waits for somebody to look at it."""

from __future__ import annotations

from datetime import timedelta
from uuid import UUID

import numpy as np

from samples.cooperative import MadeVisit, SavedFile, Unit, visits
from samples.plant_log import Step, log

_HEADINGS = {
    "o2_dry": ("O2 %", 1),
    "co_dry": ("CO ppm", 0),
    "stack_temperature": ("Stack temperature degC", 1),
    "combustion_air_temperature": ("Air temperature degC", 1),
}
_AFTER = timedelta(minutes=190)
"""From the start of the visit: the last pass up and down, once everything is set."""


def waiting_log() -> tuple[UUID, SavedFile, str]:
    """Return the open visit, its log as the instrument kept it, and who hands it over."""
    unit, made = next((u, m) for u, m in visits() if not m.handed_in)
    visit = made.visit
    if visit.id is None or visit.started is None:  # pragma: no cover - a demo visit has both
        raise ValueError("a demo visit has its id and its time")
    return visit.id, _log(unit, made), made.technician


def _log(unit: Unit, made: MadeVisit) -> SavedFile:
    up = [Step("fire", 200, rate) for rate in sorted(unit.rates)]
    program = (
        Step("off", 60),
        Step("purge", 45),
        *up,
        Step("air", 60, max(unit.rates)),
        Step("fire", 200, max(unit.rates)),
        Step("fire", 220, min(unit.rates)),
        Step("off", 60),
    )
    rng = np.random.default_rng(77)
    water = made.visit.return_water_temperature or 60.0
    one = log(unit.model, program, rng, interval=2.0, return_water_temperature=water)
    if made.visit.started is None:  # pragma: no cover - a demo visit has its time
        raise ValueError("a demo visit has its time")
    start = made.visit.started + _AFTER
    lines = [";".join(["Time", *(heading for heading, _ in _HEADINGS.values())])]
    for n, second in enumerate(one.times):
        at = start + timedelta(seconds=float(second))
        cells = [f"{one.columns[k][n]:.{digits}f}" for k, (_, digits) in _HEADINGS.items()]
        lines.append(";".join([f"{at:%Y-%m-%dT%H:%M:%S%z}", *cells]))
    name = f"{unit.boiler.name.lower().replace(' ', '-')}-{start:%Y-%m-%d}-log.csv"
    return SavedFile(name, ("\n".join(lines) + "\n").encode(), "as_left", ())
