"""The demo boiler in time: a burner following a program, and what an instrument makes of it.

The burner ramps to each rate at the speed of its servo; gas reaches the sensors after a dead time
and through a first-order lag; the stack follows with the lag of metal and thermocouple. On top come
noise, slow drift and spikes. The true spans and values are kept beside the log, so that whatever
cuts logs into firing points can be scored.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from samples.plant import BoilerModel

Floats = NDArray[np.float64]
StepKind = Literal["fire", "purge", "off", "air"]

AMBIENT_O2 = 20.9
LOGGED = (
    "o2_dry",
    "co_dry",
    "stack_temperature",
    "combustion_air_temperature",
    "co2_dry",
    "no_dry",
    "stack_draft",
    "firing_rate",
)
"""Columns of a simulated log."""


@dataclass(frozen=True, slots=True)
class Step:
    """One stretch of a program.

    ``fire`` holds a firing rate; ``purge`` runs the fan without flame; ``off`` stands still;
    ``air`` keeps the burner at ``firing_rate`` while the instrument breathes fresh air.
    ``excess_air_drift`` is the adjustment in force during the stretch (see ``BoilerModel``).
    """

    kind: StepKind
    seconds: float
    firing_rate: float = 0.0
    excess_air_drift: float = 0.0


@dataclass(frozen=True, slots=True)
class TrueSpan:
    """What the burner did from ``start`` to ``end`` [s]: a step's kind, or ``ramp``."""

    kind: str
    start: float
    end: float
    firing_rate: float
    values: dict[str, float] = field(default_factory=dict)
    excess_air_drift: float = 0.0


@dataclass(frozen=True, slots=True)
class PlantLog:
    """A simulated log: times [s], canonical columns (NaN where not read), and the truth."""

    times: Floats
    columns: dict[str, Floats]
    truth: tuple[TrueSpan, ...]
    response_time: float
    settled: dict[str, Floats]
    """What each column would read with no lag, noise, spike or rounding, slow drift included."""


def first_order(target: Floats, step: float, time_constant: float, start: float) -> Floats:
    """Return the response of a first-order lag to an input sampled every ``step`` seconds."""
    keep = math.exp(-step / time_constant)
    out = np.empty_like(target)
    state = start
    for i, value in enumerate(target):
        state = value + (state - value) * keep
        out[i] = state
    return out


def _autocorrelated(rng: np.random.Generator, count: int, memory: float) -> Floats:
    """Return unit-variance noise of the first order with correlation ``memory`` between samples."""
    white = rng.standard_normal(count)
    if memory <= 0:
        return white
    out = np.empty(count)
    state, fresh = rng.standard_normal(), math.sqrt(1 - memory**2)
    for i in range(count):
        state = memory * state + fresh * white[i]
        out[i] = state
    return out


NOISE = {
    "o2_dry": 0.05,
    "co_dry": 1.0,
    "stack_temperature": 0.4,
    "combustion_air_temperature": 0.1,
    "co2_dry": 0.04,
    "no_dry": 0.8,
    "stack_draft": 1.0,
    "firing_rate": 0.0,
}
"""Standard deviation of a quiet instrument, canonical units."""
DRIFT = {"o2_dry": 0.1, "co_dry": 1.0, "stack_temperature": 2.0, "co2_dry": 0.06, "no_dry": 1.0}
"""Change over an hour at ``drift=1``, canonical units."""
_NEVER_NEGATIVE = ("o2_dry", "co_dry", "co2_dry", "no_dry", "firing_rate")
RESOLUTION = {"o2_dry": 0.1, "co_dry": 1.0, "stack_temperature": 0.1, "co2_dry": 0.1, "no_dry": 1.0}


def log(
    boiler: BoilerModel,
    program: Sequence[Step],
    rng: np.random.Generator,
    *,
    interval: float = 1.0,
    irregular: float = 0.0,
    response_time: float = 30.0,
    stack_response: float | None = None,
    metal_time: float = 0.0,
    dead_time: float = 3.0,
    stroke: float = 40.0,
    noise: float = 1.0,
    noise_memory: float = 0.0,
    drift: float = 1.0,
    spikes_per_hour: float = 6.0,
    air_temperature: float = 20.0,
    return_water_temperature: float = 60.0,
    fouling: float = 0.0,
    rounded: bool = True,
) -> PlantLog:
    """Return the log of a boiler that follows a program.

    Parameters
    ----------
    interval, irregular : float
        Sampling interval [s] and its relative jitter, 0 for exact.
    response_time : float
        Time to 90 % of the instrument's gas sensors [s].
    stack_response : float or None
        Time to 90 % of the stack temperature [s], None for the instrument's.
    metal_time : float
        Time constant of the boiler's own metal before the thermocouple [s]: the stack then answers
        in two stages, slower at first than the instrument alone.
    dead_time : float
        Travel through the sampling line [s].
    stroke : float
        Time of the burner's servo over its full range [s].
    noise, noise_memory, drift : float
        Scale of the noise, its correlation from sample to sample, scale of the slow drift.
    """
    step = min(0.5, interval / 2)
    total = sum(s.seconds for s in program)
    grid = np.arange(0.0, total + step / 2, step)
    rate, kinds, adjust, truth = _burner(boiler, program, grid, stroke)
    firing = np.isin(kinds, (0, 3))
    targets = _targets(boiler, rate, adjust, air_temperature, return_water_temperature, fouling)
    cold = return_water_temperature
    fan = kinds == 1
    gas_time = response_time / math.log(10.0)
    stack_time = (stack_response or response_time) / math.log(10.0)
    breathing = ~firing | (kinds == 3)
    delay = round(dead_time / step)
    clean: dict[str, Floats] = {}
    for key in ("o2_dry", "co_dry", "co2_dry", "no_dry"):
        fresh = AMBIENT_O2 if key == "o2_dry" else 0.0
        wanted = np.where(breathing, fresh, targets[key])
        wanted = np.concatenate([np.full(delay, wanted[0]), wanted])[: len(grid)]
        clean[key] = first_order(wanted, step, gas_time, float(wanted[0]))
    cooled = np.where(fan, air_temperature + 0.3 * (cold - air_temperature), cold)
    wanted = np.where(firing, targets["stack_temperature"], cooled)
    if metal_time > 0:
        wanted = first_order(wanted, step, metal_time, float(wanted[0]))
    clean["stack_temperature"] = first_order(wanted, step, stack_time, float(wanted[0]))
    clean["stack_draft"] = np.where(firing, targets["stack_draft"], np.where(fan, 8.0, -3.0))
    clean["combustion_air_temperature"] = np.full(len(grid), air_temperature)
    clean["firing_rate"] = rate
    times = _sampling(rng, total, interval, irregular)
    wander = {key: _wander(rng, key, times, drift) for key in LOGGED}
    columns = {}
    for key in LOGGED:
        scatter = NOISE[key] * noise * _autocorrelated(rng, len(times), noise_memory)
        low = 0.0 if key in _NEVER_NEGATIVE else -np.inf
        columns[key] = np.maximum(np.interp(times, grid, clean[key]) + wander[key] + scatter, low)
    lagless = {k: np.interp(times, grid, v) + wander[k] for k, v in targets.items()}
    _spikes(rng, times, columns, spikes_per_hour)
    if rounded:
        for key, digit in RESOLUTION.items():
            columns[key] = np.round(columns[key] / digit) * digit
    settled = tuple(
        TrueSpan(
            s.kind,
            s.start,
            s.end,
            s.firing_rate,
            boiler.steady(
                s.firing_rate,
                air_temperature,
                return_water_temperature,
                excess_air_drift=s.excess_air_drift,
                fouling=fouling,
            )
            if s.kind == "fire"
            else {},
            s.excess_air_drift,
        )
        for s in truth
    )
    return PlantLog(times, columns, settled, response_time, lagless)


def _burner(
    boiler: BoilerModel, program: Sequence[Step], grid: Floats, stroke: float
) -> tuple[Floats, NDArray[np.int_], Floats, list[TrueSpan]]:
    """Return firing rate, kind (fire 0, purge 1, off 2, air 3), adjustment and true spans."""
    order = ("fire", "purge", "off", "air")
    rate = np.zeros(len(grid))
    kinds = np.zeros(len(grid), dtype=np.int_)
    adjust = np.zeros(len(grid))
    truth: list[TrueSpan] = []
    now, at, lit = boiler.low_fire, 0.0, False
    for step in program:
        inside = (grid >= at) & (grid < at + step.seconds + (1e-9 if step is program[-1] else 0))
        kinds[inside] = order.index(step.kind)
        adjust[inside] = step.excess_air_drift
        end = at + step.seconds
        if step.kind in ("fire", "air"):
            now = now if lit else boiler.low_fire  # every start is at low fire
            travel = abs(step.firing_rate - now) / 100.0 * stroke
            reach = min(at + travel, end)
            way = np.clip((grid[inside] - at) / travel, 0, 1) if travel > 0 else 1.0
            rate[inside] = now + (step.firing_rate - now) * way
            if reach > at:
                truth.append(TrueSpan("ramp", at, reach, step.firing_rate))
            if reach < end:
                truth.append(
                    TrueSpan(step.kind, reach, end, step.firing_rate, {}, step.excess_air_drift)
                )
            now, lit = step.firing_rate, True
        else:
            lit = False
            truth.append(TrueSpan(step.kind, at, end, 0.0))
        at = end
    return rate, kinds, adjust, truth


def _targets(
    boiler: BoilerModel, rate: Floats, adjust: Floats, air: float, water: float, fouling: float
) -> dict[str, Floats]:
    """Return the steady values at each rate, interpolated on a table of one percent."""
    keys = ("o2_dry", "co_dry", "co2_dry", "no_dry", "stack_temperature", "stack_draft")
    nodes = np.linspace(min(boiler.low_fire, 5.0), 100.0, 120)
    out = {key: np.zeros(len(rate)) for key in keys}
    for setting in np.unique(adjust):
        inside = adjust == setting
        table = [
            boiler.steady(float(r), air, water, excess_air_drift=float(setting), fouling=fouling)
            for r in nodes
        ]
        for key in keys:
            out[key][inside] = np.interp(rate[inside], nodes, [row[key] for row in table])
    return out


def _sampling(rng: np.random.Generator, total: float, interval: float, irregular: float) -> Floats:
    count = int(total / interval)
    if irregular <= 0:
        return np.arange(count, dtype=np.float64) * interval
    steps = interval * np.exp(irregular * rng.standard_normal(count))
    times: Floats = np.cumsum(steps) - steps[0]
    return np.asarray(times[times <= total], dtype=np.float64)


def _wander(rng: np.random.Generator, key: str, times: Floats, drift: float) -> Floats:
    """Return a slow drift: a straight part and a swing of an hour."""
    hour = np.asarray(times - times[0], dtype=np.float64) / 3600.0
    scale = DRIFT.get(key, 0.0) * drift
    straight = scale * rng.uniform(-1, 1) * hour
    swing = 0.3 * scale * np.sin(2 * math.pi * hour + rng.uniform(0, 2 * math.pi))
    return np.asarray(straight + swing, dtype=np.float64)


def _spikes(
    rng: np.random.Generator, times: Floats, columns: dict[str, Floats], per_hour: float
) -> None:
    """Put single wild samples into the gas and temperature columns."""
    hours = (times[-1] - times[0]) / 3600.0
    size = {"o2_dry": 3.0, "co_dry": 200.0, "stack_temperature": 40.0}
    for key, scale in size.items():
        for _ in range(rng.poisson(per_hour * hours)):
            at = int(rng.integers(len(times)))
            columns[key][at] = max(
                0.0, columns[key][at] + scale * rng.choice((-1, 1)) * rng.uniform(0.4, 1)
            )
