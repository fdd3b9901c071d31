"""A physical simulator of service visits, for judging the validator and nothing else.

It has its own atom balance, its own heat-exchanger model, its own random draws and its own
instrument. Nothing here imports ``combustion`` or the demo. ``python -m tests.simulator`` prints
recall by size of fault and false alarms over 500 faulty and 500 healthy visits.

Healthy means: every true value lies at least 3 standard uncertainties inside its limit.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, timedelta
from typing import Any

from ingest.earlier import EarlierVisit
from ingest.judgement import Case
from ingest.models import Boiler, Visit
from parsers.model import Bound, Reading
from parsers.points import firing_points

O2_AIR = 0.2095
"""Share of O2 in dry air used by this simulator; the program has its own constant."""


@dataclass(frozen=True)
class Gas:
    """A fuel as carbon and hydrogen per unit, with inert gas and CO2 it brings along."""

    name: str
    carbon: float
    hydrogen: float
    inert: float = 0.0

    def dry(self, o2: float) -> tuple[float, float]:
        """Return (CO2 % dry, water per dry mole) at O2 % dry, by the atom balance."""
        need = self.carbon_burnt + self.hydrogen / 4.0
        stoich = self.carbon + self.inert + need * (1.0 - O2_AIR) / O2_AIR
        excess = o2 * stoich / (100.0 * O2_AIR - o2)
        total = stoich + excess
        return 100.0 * self.carbon / total, self.hydrogen / 2.0 / total

    @property
    def carbon_burnt(self) -> float:
        """Carbon that takes oxygen."""
        return self.carbon


def draw_gas(rng: random.Random, name: str) -> Gas:
    """Return a fuel of that name with a composition as supplies vary."""
    if name == "propane":
        return Gas(name, 3.0, 8.0)
    if name == "no2_oil":
        h = rng.uniform(12.6, 13.2)
        return Gas(name, (99.9 - h) / 12.011, h / 1.008)
    ethane, nitrogen = rng.uniform(1.5, 4.0), rng.uniform(0.5, 2.0)
    methane = 100.0 - ethane - nitrogen
    return Gas(name, (methane + 2 * ethane) / 100, (4 * methane + 6 * ethane) / 100, nitrogen / 100)


@dataclass
class Plant:
    """One boiler of the simulator: what it is, and how it behaves when in order."""

    gas: Gas
    condensing: bool
    rates: list[float]
    aims: dict[float, float]
    half_band: float
    low_approach: float
    high_approach: float
    stack_limit: float
    vent: str
    altitude: float
    control: str
    co: float
    required: bool

    def approach(self, rate: float) -> float:
        """Return stack less return water [K] when clean."""
        share = (rate - self.rates[0]) / (self.rates[-1] - self.rates[0])
        return self.low_approach + (self.high_approach - self.low_approach) * share**1.2


@dataclass
class Truth:
    """What really is at one firing point."""

    rate: float
    o2: float
    co_af: float
    stack: float
    air: float
    ret: float
    sup: float
    flame: float
    nox: float

    @property
    def co(self) -> float:
        """CO as it stands in the dry gas [ppm]."""
        return self.co_af * (20.9 - self.o2) / 20.9


@dataclass
class Device:
    """An analyzer: one calibration error per quantity and visit, noise per reading, rounding."""

    bias: dict[str, float]
    gain_co: float
    calculates_co2: bool
    stated: bool


@dataclass
class Scene:
    """A visit in the making; faults change it before or after it is measured."""

    plant: Plant
    device: Device
    found: list[Truth]
    left: list[Truth]
    day: date
    visit: dict[str, Any]
    boiler: dict[str, Any]
    readings: list[Reading] = field(default_factory=list)
    history: list[list[Reading]] = field(default_factory=list)
    samples: int = 1
    per_point: Callable[[Truth, int, dict[str, float]], None] | None = None


def draw_plant(rng: random.Random) -> Plant:
    """Return a boiler in order."""
    name = rng.choices(["natural_gas", "propane", "no2_oil"], [0.6, 0.2, 0.2])[0]
    condensing = name != "no2_oil" and rng.random() < 0.45
    low = rng.choice([20.0, 25.0, 30.0])
    rates = rng.choice([[low, 100.0], [low, 60.0, 100.0], [low, 50.0, 75.0, 100.0],
                        [low, 40.0, 60.0, 80.0, 100.0]])  # fmt: skip
    high_aim = rng.uniform(3.6, 4.8)
    low_aim = high_aim + rng.uniform(0.0, 2.0)
    aims = {r: high_aim + (low_aim - high_aim) * (100 - r) / (100 - low) for r in rates}
    return Plant(
        gas=draw_gas(rng, name),
        condensing=condensing,
        rates=rates,
        aims=aims,
        half_band=rng.uniform(1.2, 1.5),
        low_approach=rng.uniform(5, 9) if condensing else rng.uniform(50, 65),
        high_approach=rng.uniform(14, 25) if condensing else rng.uniform(85, 120),
        stack_limit=0.0,
        vent=rng.choice(["polypropylene", "metal"]) if condensing else "metal",
        altitude=rng.choice([0.0, 200.0, 1600.0, 2400.0]),
        control=rng.choice(["fixed_air", "ratio_governor", "oxygen_trim", "unknown"]),
        co=rng.uniform(4, 25),
        required=rng.random() < 0.5,
    )


def draw_device(rng: random.Random) -> Device:
    """Return an analyzer in order, within its accuracy."""

    def one(u: float) -> float:
        # A calibrated instrument leaves its stated error with odds of one in twenty, never far.
        return max(-2.5 * u, min(2.5 * u, rng.gauss(0.0, u)))

    return Device(
        bias={
            "o2": one(0.08),
            "co2": one(0.1),
            "t": one(0.8),
            "air": one(0.4),
            "ret": one(0.8),
            "sup": one(0.8),
        },
        gain_co=1.0 + one(0.03),
        calculates_co2=rng.random() < 0.5,
        stated=rng.random() < 0.5,
    )


def draw_truths(rng: random.Random, plant: Plant, air: float, ret: float) -> list[Truth]:
    """Return the true state at every rate of a boiler in order."""
    whole = rng.uniform(-0.15, 0.15)
    out = []
    for rate in plant.rates:
        o2 = plant.aims[rate] + whole + rng.uniform(-0.2, 0.2)
        water = ret + rng.uniform(-1.5, 1.5)
        spread = rng.uniform(8, 16) * (0.5 + rate / 200)
        out.append(
            Truth(
                rate=rate,
                o2=o2,
                co_af=plant.co * rng.uniform(0.7, 1.4),
                stack=water + plant.approach(rate) * (1 + 0.02 * (o2 - plant.aims[rate])),
                air=air + rng.uniform(-0.7, 0.7),
                ret=water,
                sup=water + spread,
                flame=rng.uniform(2.5, 6.0),
                nox=rng.uniform(25, 55),
            )
        )
    return out


def ret_of(rng: random.Random, plant: Plant) -> float:
    """Return a return-water temperature that suits the boiler."""
    if plant.condensing:
        return rng.uniform(28, 50)
    return rng.uniform(62, 72)


def measure(
    rng: random.Random, scene: Scene, truth: Truth, phase: str, start: datetime, n: int
) -> list[Reading]:
    """Return n readings of one firing point as the analyzer shows them."""
    device, gas = scene.device, scene.plant.gas
    out = []
    for i in range(n):
        o2 = truth.o2 + device.bias["o2"] + rng.gauss(0, 0.03)
        co2 = gas.dry(truth.o2)[0] + device.bias["co2"] + rng.gauss(0, 0.04)
        if device.calculates_co2:
            ultimate = {"natural_gas": 11.8, "propane": 13.8, "no2_oil": 15.4}[gas.name]
            co2 = ultimate * (1 - o2 / 20.9)
        values = {
            "o2_dry": round(o2, 1),
            "co2_dry": round(co2, 1),
            "co_dry": float(max(0, round(truth.co * device.gain_co + rng.gauss(0, 1.0)))),
            "stack_temperature": round(truth.stack + device.bias["t"] + rng.gauss(0, 0.3), 1),
            "combustion_air_temperature": round(truth.air + device.bias["air"], 1),
            "return_water_temperature": round(truth.ret + device.bias["ret"], 1),
            "supply_water_temperature": round(truth.sup + device.bias["sup"], 1),
            "flame_signal": round(truth.flame + rng.gauss(0, 0.05), 1),
            "nox_dry": float(round(truth.nox * (20.9 - truth.o2) / 17.9 + rng.gauss(0, 0.7))),
        }
        if scene.per_point is not None and phase == "as_left":
            scene.per_point(truth, i, values)
        out.append(
            Reading(
                values=values,
                time=start + timedelta(seconds=20 * i),
                time_source="file",
                phase=phase,  # type: ignore[arg-type]
                firing_rate=truth.rate,
            )
        )
    return out


def measure_pass(
    rng: random.Random, scene: Scene, truths: list[Truth], phase: str, start: datetime
) -> list[Reading]:
    """Return the readings of one pass, high fire first as often as last."""
    order = truths if rng.random() < 0.5 else truths[::-1]
    out: list[Reading] = []
    for k, truth in enumerate(order):
        out += measure(rng, scene, truth, phase, start + timedelta(minutes=8 * k), scene.samples)
    return out


def draw_scene(rng: random.Random, *, history: int | None = None, **fixed: Any) -> Scene:
    """Return a healthy visit in the making; ``fixed`` settles fields of its plant."""
    plant = draw_plant(rng)
    for _ in range(400):
        if all(
            getattr(plant, k) == v if k != "fuel" else plant.gas.name == v
            for k, v in fixed.items()
            if k != "at_least"
        ) and len(plant.rates) >= fixed.get("at_least", 2):
            break
        plant = draw_plant(rng)
    air, ret = rng.choice([-8.0, 6.0, 18.0, 24.0, 31.0]), ret_of(rng, plant)
    if plant.control == "fixed_air":
        # Set on a cold day it would run short of air in summer: that is a fault of its own.
        air = rng.choice([18.0, 24.0, 31.0])
    device = draw_device(rng)
    top = ret + plant.high_approach
    plant.stack_limit = top + rng.uniform(14, 30)
    day = date(2026, 1, 5) + timedelta(days=rng.randrange(300))
    left = draw_truths(rng, plant, air, ret)
    # As found drifts from where it should be; it decides nothing once it is put right.
    found = [replace(t, o2=t.o2 + rng.choice([-1, 1]) * rng.uniform(0.3, 0.8)) for t in left]
    scene = Scene(plant, device, found, left, day, {}, {})
    scene.samples = rng.choice([1, 1, 4, 6])
    calibrated = day - timedelta(days=rng.randrange(20, 330))
    scene.visit = {
        "external_id": f"v{rng.randrange(10**9)}",
        "started": datetime(day.year, day.month, day.day, 8, tzinfo=UTC).isoformat(),
        "adjusted": True,
        "instrument": {"calibrated": calibrated.isoformat(), "leak_check": True,
                       "fresh_air_zero": True},
        "room_co": [{"value": float(rng.randrange(0, 5))}],
    }  # fmt: skip
    if device.stated:
        scene.visit["instrument"]["accuracies"] = {
            "o2_dry": {"absolute": 0.2}, "co2_dry": {"absolute": 0.3},
            "co_dry": {"absolute": 5.0, "percent": 6.0},
            "stack_temperature": {"absolute": 2.0, "percent": 1.0},
        }  # fmt: skip
    if plant.condensing:
        scene.visit["condensate_seen"] = True
    scene.boiler = {
        "units": {"temperature": "degC", "power": "kW", "length": "m", "pressure": "Pa"},
        "fuel": plant.gas.name,
        "rated_input": 500,
        "condensing": plant.condensing,
        "altitude": plant.altitude,
        "vent": plant.vent,
        "air_fuel_control": plant.control,
        "limits": {
            "targets": [
                {"firing_rate": r, "o2_dry": {"low": plant.aims[r] - plant.half_band,
                                              "aim": plant.aims[r],
                                              "high": plant.aims[r] + plant.half_band}}
                for r in (plant.rates[0], plant.rates[-1])
            ],
            "stack_temperature_max": plant.stack_limit,
            "nox_at_3_o2_max": 75.0,
        },
    }  # fmt: skip
    if plant.required:
        scene.boiler["limits"]["required_rates"] = plant.rates
    visits = rng.choice([0, 1, 2, 3, 5]) if history is None else history
    for back in range(visits, 0, -1):
        earlier = Scene(plant, draw_device(rng), [], [], day, {}, {})
        truths = draw_truths(rng, plant, rng.choice([0.0, 15.0, 25.0]), ret_of(rng, plant))
        when = datetime(day.year - back, day.month, 1, 9, tzinfo=UTC)
        scene.history.append(measure_pass(rng, earlier, truths, "as_left", when))
    return scene


def take(rng: random.Random, scene: Scene) -> None:
    """Measure the scene: as found, then as left."""
    start = datetime(scene.day.year, scene.day.month, scene.day.day, 8, 15, tzinfo=UTC)
    scene.readings = measure_pass(rng, scene, scene.found, "as_found", start)
    later = start + timedelta(hours=2)
    scene.readings += measure_pass(rng, scene, scene.left, "as_left", later)


def case_of(scene: Scene) -> Case:
    """Return the case that the validator judges."""
    fuel = scene.plant.gas.name
    return Case(
        boiler=Boiler.model_validate(scene.boiler),
        visit=Visit.model_validate(scene.visit),
        points=firing_points(scene.readings, fuel=fuel) if scene.readings else [],
        history=[
            EarlierVisit(Visit(external_id=f"h{i}"), firing_points(rows, fuel=fuel))
            for i, rows in enumerate(scene.history)
        ],
    )


def healthy(seed: int) -> Case:
    """Return one healthy visit."""
    rng = random.Random(seed)
    scene = draw_scene(rng)
    take(rng, scene)
    return case_of(scene)


__all__ = ["Bound", "Scene", "Truth", "case_of", "draw_scene", "healthy", "take"]

if __name__ == "__main__":
    from tests.simulated_faults import print_score

    print_score()
