"""Continuous logs of the demo's boiler as files, for tests of what becomes of them."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta

import numpy as np

from samples.plant import BoilerModel
from samples.plant_log import PlantLog, Step, log

STARTED = datetime.fromisoformat("2026-11-02T09:00:00")
STAYS = (
    Step("off", 60),
    Step("purge", 45),
    Step("fire", 200, 25),
    Step("fire", 200, 50),
    Step("air", 60, 50),
    Step("fire", 200, 50),
    Step("fire", 220, 100),
    Step("fire", 200, 75),
    Step("off", 90),
)
ADJUSTED = (
    Step("purge", 45),
    Step("fire", 220, 25, -0.08),
    Step("fire", 220, 100, -0.08),
    Step("fire", 220, 100),
    Step("fire", 220, 25),
)
"""The air is set between the second and the third stay: before it as found, after it as left."""
COLD = (Step("off", 400), Step("purge", 200))
HEADINGS = {
    "o2_dry": ("O2 %", 1),
    "co_dry": ("CO ppm", 0),
    "stack_temperature": ("Stack temperature degC", 1),
    "combustion_air_temperature": ("Air temperature degC", 1),
    "firing_rate": ("Firing rate %", 0),
}


def made(program: Sequence[Step] = STAYS, seed: int = 3) -> PlantLog:
    """Return a log with its truth."""
    return log(BoilerModel(), program, np.random.default_rng(seed), response_time=30.0)


def as_csv(one: PlantLog, *, rate: bool = False, over_range: float | None = None) -> bytes:
    """Return a log as an instrument would write it; CO above ``over_range`` as a mark."""
    keys = [k for k in HEADINGS if rate or k != "firing_rate"]
    lines = [",".join(["Time", *(HEADINGS[k][0] for k in keys)])]
    for n, second in enumerate(one.times):
        cells = [(STARTED + timedelta(seconds=float(second))).isoformat(" ")]
        for key in keys:
            value = float(one.columns[key][n])
            if key == "co_dry" and over_range is not None and value > over_range:
                cells.append(f">{over_range:g}")
            else:
                cells.append(f"{value:.{HEADINGS[key][1]}f}")
        lines.append(",".join(cells))
    return ("\n".join(lines) + "\n").encode()
