"""Faults that the simulator puts into a healthy visit, at three sizes, and the score over them.

Each fault says which rules name it: the key may stand on a finding or among its effects. A fault
counts as caught when the finding is a check, a fix or a stop.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Any

from ingest.judgement import Case, Judgement
from ingest.validator import judge
from parsers.model import Bound, Reading
from tests.simulator import Scene, case_of, draw_scene, healthy, take

SIZES = ("obvious", "realistic", "subtle")
AIMS = {"obvious": 0.99, "realistic": 0.95, "subtle": 0.80}
FALSE_ALARMS = 2.0
"""At most this many in 100 healthy visits."""

Change = Callable[[random.Random, Scene, float], None]


@dataclass(frozen=True)
class Fault:
    """One kind of fault: how to make it, how big by size, which rules name it."""

    name: str
    change: Change
    sizes: tuple[float, float, float]
    rules: frozenset[str]
    after: bool = False
    fixed: tuple[tuple[str, Any], ...] = ()
    history: int | None = None


def co(rng: random.Random, scene: Scene, size: float) -> None:
    k = rng.randrange(len(scene.left))
    scene.left[k].co_af = size


def o2_low(rng: random.Random, scene: Scene, size: float) -> None:
    k = rng.choice([0, -1])
    truth = scene.left[k]
    truth.o2 = scene.plant.aims[truth.rate] - scene.plant.half_band - size
    truth.co_af = 30 + 120 * size


def o2_high(rng: random.Random, scene: Scene, size: float) -> None:
    k = rng.choice([0, -1])
    truth = scene.left[k]
    truth.o2 = scene.plant.aims[truth.rate] + scene.plant.half_band + size


def spread(rng: random.Random, scene: Scene, size: float) -> None:
    side = rng.choice([-1, 1])
    for truth in scene.left:
        share = (truth.rate - scene.plant.rates[0]) / (100 - scene.plant.rates[0])
        truth.o2 = scene.plant.aims[truth.rate] + side * size * (0.5 - share)


def co_towards(rng: random.Random, scene: Scene, size: float) -> None:
    order = scene.left if rng.random() < 0.5 else scene.left[::-1]
    for k, truth in enumerate(order):
        truth.co_af = 12 + (size - 12) * (k / (len(order) - 1)) ** 2


def stack_hot(rng: random.Random, scene: Scene, size: float) -> None:
    truth = scene.left[-1]
    truth.stack = scene.plant.stack_limit + size


def fouling(rng: random.Random, scene: Scene, size: float) -> None:
    rise = size * (7.0 if scene.plant.condensing else 12.0)
    scene.boiler["limits"].pop("stack_temperature_max")
    for truth in scene.left:
        truth.stack += rise * (0.7 + 0.3 * truth.rate / 100)


def cold_stack(rng: random.Random, scene: Scene, size: float) -> None:
    scene.boiler["medium"] = "steam"
    for truth in scene.left[:1]:
        truth.stack, truth.ret, truth.sup = size, size - 12, size


def cold_return(rng: random.Random, scene: Scene, size: float) -> None:
    scene.boiler["limits"]["return_water_min"] = 55.0
    for truth in scene.left:
        truth.ret = 55.0 - size


def swap_probes(rng: random.Random, scene: Scene, size: float) -> None:
    chosen = scene.left if size > 1 else scene.left[:1]
    for truth in chosen:
        truth.stack, truth.air = truth.air, truth.stack


def swap_water(rng: random.Random, scene: Scene, size: float) -> None:
    for truth in scene.left:
        truth.ret, truth.sup = truth.ret + size, truth.ret


def unit_low(rng: random.Random, scene: Scene, size: float) -> None:
    chosen = scene.left if size > 1 else scene.left[-1:]
    for truth in chosen:
        truth.stack = (truth.stack - 32) / 1.8


def unit_air(rng: random.Random, scene: Scene, size: float) -> None:
    for truth in scene.left:
        truth.air = size * 1.8 + 32


def below_water(rng: random.Random, scene: Scene, size: float) -> None:
    scene.left[0].stack = scene.left[0].ret - size


def wrong_fuel(rng: random.Random, scene: Scene, size: float) -> None:
    ultimate = size

    def calculated(truth: Any, i: int, values: dict[str, float]) -> None:
        values["co2_dry"] = round(ultimate * (1 - values["o2_dry"] / 20.9), 1)

    scene.per_point = calculated


def tired_cell(rng: random.Random, scene: Scene, size: float) -> None:
    scene.device.calculates_co2 = False
    side = rng.choice([-1, 1])

    def off(truth: Any, i: int, values: dict[str, float]) -> None:
        values["o2_dry"] = round(values["o2_dry"] + side * size, 1)

    scene.per_point = off


def own_figures(rng: random.Random, scene: Scene, size: float) -> None:
    def states(truth: Any, i: int, values: dict[str, float]) -> None:
        o2 = values["o2_dry"]
        values["stated_excess_air"] = round(100 * o2 / (20.9 - o2) * 0.91 + size, 0)

    scene.per_point = states


def range_end(rng: random.Random, scene: Scene, size: float) -> None:
    top = 2000.0 if size > 1 else 4000.0
    scene.left[0].co_af = 6000.0
    scene.visit["instrument"]["ranges"] = {"co_dry": {"low": 0.0, "high": top}}

    def capped(truth: Any, i: int, values: dict[str, float]) -> None:
        values["co_dry"] = min(values["co_dry"], top)

    scene.per_point = capped


def range_mark(rng: random.Random, scene: Scene, size: float) -> None:
    rows = list(scene.readings)
    for k, reading in enumerate(rows):
        if reading.phase == "as_left" and reading.firing_rate == scene.plant.rates[0]:
            values = {q: v for q, v in reading.values.items() if q != "co_dry"}
            rows[k] = replace(reading, values=values, bounds={"co_dry": Bound(above=2000.0)})
    scene.readings = rows


def copy_found(rng: random.Random, scene: Scene, size: float) -> None:
    found = [r for r in scene.readings if r.phase == "as_found"]
    shift = timedelta(hours=2)
    keep = int(size)
    rates = set(scene.plant.rates[-keep:]) if keep else set(scene.plant.rates)
    copied = [
        replace(r, phase="as_left", time=r.time + shift if r.time else None)
        for r in found
        if r.firing_rate in rates
    ]
    others = [r for r in scene.readings if r.phase == "as_left" and r.firing_rate not in rates]
    scene.readings = found + others + copied


def copy_earlier(rng: random.Random, scene: Scene, size: float) -> None:
    rows = [r for r in scene.readings if r.phase == "as_found"]
    last = scene.history[int(size)]
    delta = timedelta(days=365 * (len(scene.history) - int(size)))
    scene.readings = rows + [replace(r, time=r.time + delta if r.time else None) for r in last]


def no_change(rng: random.Random, scene: Scene, size: float) -> None:
    scene.visit["adjustments"] = [{"what": "air damper set"}]
    scene.found = [replace(t, o2=t.o2 + rng.uniform(-0.01, 0.01)) for t in scene.left]


def ramp(rng: random.Random, scene: Scene, size: float) -> None:
    scene.samples = 6
    rate = rng.choice(scene.plant.rates)

    def moving(truth: Any, i: int, values: dict[str, float]) -> None:
        if truth.rate == rate:
            values["o2_dry"] = round(values["o2_dry"] + size * (i / 5 - 0.5), 1)

    scene.per_point = moving


def co_climbs(rng: random.Random, scene: Scene, size: float) -> None:
    scene.samples = 6
    rate = rng.choice(scene.plant.rates)

    def climbing(truth: Any, i: int, values: dict[str, float]) -> None:
        if truth.rate == rate:
            values["co_dry"] = float(round(values["co_dry"] + size * (i / 5) ** 1.5))

    scene.per_point = climbing


def drop_rate(rng: random.Random, scene: Scene, size: float) -> None:
    keep = len(scene.left) - int(size)
    gone = {t.rate for t in scene.left[keep:]}
    scene.readings = [
        r for r in scene.readings if r.phase != "as_left" or r.firing_rate not in gone
    ]


def swap_rates(rng: random.Random, scene: Scene, size: float) -> None:
    low, high = scene.plant.rates[0], scene.plant.rates[-1]
    to = {low: high, high: low}
    if size > 1:
        rates = scene.plant.rates
        to = dict(zip(rates, rates[::-1], strict=True))
    scene.readings = [
        replace(r, firing_rate=to.get(r.firing_rate or 0.0, r.firing_rate))
        if r.phase == "as_left"
        else r
        for r in scene.readings
    ]


def repeat_rate(rng: random.Random, scene: Scene, size: float) -> None:
    rates = scene.plant.rates
    gone, instead = rates[0], rates[-1]
    out: list[Reading] = []
    for r in scene.readings:
        wrong = r.phase == "as_left" and r.firing_rate == gone
        out.append(replace(r, firing_rate=instead) if wrong else r)
    scene.readings = out


def left_first(rng: random.Random, scene: Scene, size: float) -> None:
    back = timedelta(hours=size)
    scene.readings = [
        replace(r, time=r.time - back) if r.phase == "as_left" and r.time else r
        for r in scene.readings
    ]


def other_day(rng: random.Random, scene: Scene, size: float) -> None:
    scene.readings = [
        replace(r, time=r.time - timedelta(days=size)) if r.time else r for r in scene.readings
    ]


def stale(rng: random.Random, scene: Scene, size: float) -> None:
    last = max(r.time for r in scene.readings if r.time)
    scene.visit["adjustments"] = [
        {"what": "gas valve set", "time": (last + timedelta(minutes=size)).isoformat()}
    ]


def room(rng: random.Random, scene: Scene, size: float) -> None:
    scene.visit["room_co"] = [{"value": 2.0}, {"value": size}]


def flame(rng: random.Random, scene: Scene, size: float) -> None:
    scene.left[0].flame = size


def old_calibration(rng: random.Random, scene: Scene, size: float) -> None:
    day = scene.day - timedelta(days=int(size))
    scene.visit["instrument"]["calibrated"] = date.isoformat(day)


def lean(rng: random.Random, scene: Scene, size: float) -> None:
    scene.device.calculates_co2 = True
    scene.device.bias["o2"] = rng.choice([-1, 1]) * size
    for target in scene.boiler["limits"]["targets"]:
        aim = target["o2_dry"]["aim"]
        target["o2_dry"] = {"low": aim - 2.5, "aim": aim, "high": aim + 2.5}


def season(rng: random.Random, scene: Scene, size: float) -> None:
    for truth in scene.left:
        truth.air = size
        truth.o2 = scene.plant.aims[truth.rate] - 0.3


def dry_trap(rng: random.Random, scene: Scene, size: float) -> None:
    scene.visit["condensate_seen"] = False
    for truth in scene.left:
        shift = truth.stack - truth.ret
        truth.ret = 48.0 - size - shift
        truth.stack, truth.sup = truth.ret + shift, truth.ret + 12


def intake(rng: random.Random, scene: Scene, size: float) -> None:
    def draws(truth: Any, i: int, values: dict[str, float]) -> None:
        values["intake_o2"] = size
        values["intake_co2"] = round(0.04 + (20.9 - size) * 0.55, 2)

    scene.per_point = draws


def failed_check(rng: random.Random, scene: Scene, size: float) -> None:
    instrument = scene.visit["instrument"]
    if size == 0:
        instrument["leak_check"] = False
    elif size == 1:
        instrument["fresh_air_zero"] = False
    else:
        instrument["fresh_air_after"] = {"o2_dry": 20.4, "co_dry": 3.0}


def own_sensor(rng: random.Random, scene: Scene, size: float) -> None:
    def reads(truth: Any, i: int, values: dict[str, float]) -> None:
        _, water = scene.plant.gas.dry(truth.o2)
        values["o2_wet"] = round((truth.o2 + size) / (1 + water), 1)

    scene.per_point = reads


def hysteresis(rng: random.Random, scene: Scene, size: float) -> None:
    rate = scene.plant.rates[len(scene.plant.rates) // 2 if len(scene.plant.rates) > 2 else 0]
    again = [r for r in scene.readings if r.phase == "as_left" and r.firing_rate == rate]
    last = max(r.time for r in scene.readings if r.time)
    scene.readings = scene.readings + [
        replace(
            r,
            time=last + timedelta(minutes=20, seconds=20 * k),
            values={**r.values, "o2_dry": round(r.values["o2_dry"] + size, 1)},
        )
        for k, r in enumerate(again)
    ]
    for target in scene.boiler["limits"]["targets"]:
        aim = target["o2_dry"]["aim"]
        target["o2_dry"] = {"low": aim - 2.8, "aim": aim, "high": aim + 2.8}


def gas_pressure(rng: random.Random, scene: Scene, size: float) -> None:
    key = rng.choice(["gas_inlet_pressure", "manifold_pressure", "stack_draft"])
    scene.boiler["limits"][key] = {"low": 1000.0, "high": 1500.0}
    side = rng.choice([1000.0 * (1 - size), 1500.0 * (1 + size)])

    def reads(truth: Any, i: int, values: dict[str, float]) -> None:
        values[key] = round(side)

    scene.per_point = reads


def smoke(rng: random.Random, scene: Scene, size: float) -> None:
    def reads(truth: Any, i: int, values: dict[str, float]) -> None:
        values["smoke_number"] = size

    scene.per_point = reads


def nox(rng: random.Random, scene: Scene, size: float) -> None:
    scene.left[-1].nox = size


def plastic(rng: random.Random, scene: Scene, size: float) -> None:
    scene.boiler["vent"] = "polypropylene"
    scene.left[-1].stack = 110.0 + size


def only_found(rng: random.Random, scene: Scene, size: float) -> None:
    scene.readings = [r for r in scene.readings if r.phase == "as_found"]
    if size == 1:
        scene.readings += [replace(r, phase="trial") for r in scene.readings]


def diluted(rng: random.Random, scene: Scene, size: float) -> None:
    truth = scene.left[0]
    truth.o2 = size


def _fault(name: str, change: Change, sizes: tuple[float, float, float], *rules: str,
           after: bool = False, history: int | None = None, **fixed: Any) -> Fault:  # fmt: skip
    return Fault(name, change, sizes, frozenset(rules), after, tuple(fixed.items()), history)


_BAND = ("o2_below_band", "o2_above_band")

FAULTS: tuple[Fault, ...] = (
    _fault("CO above its limit", co, (600, 300, 245), "co_above_limit"),
    _fault("CO elevated", co, (170, 140, 122), "co_elevated", "co_above_limit"),
    _fault("O2 below its band", o2_low, (2.0, 1.0, 0.45), "o2_below_band"),
    _fault("O2 above its band", o2_high, (3.0, 1.2, 0.45), "o2_above_band"),
    _fault("O2 spread", spread, (2.3, 1.8, 1.3), "o2_spread"),
    _fault("CO towards an end", co_towards, (80, 74, 66), "co_rising_towards_end", at_least=3),
    _fault("stack above its limit", stack_hot, (50, 18, 7), "stack_temperature_high"),
    _fault("fouling", fouling, (3.5, 2.2, 1.6), "stack_approach_high", history=3),
    _fault("fouling, two earlier visits", fouling, (3.5, 2.2, 1.6), "stack_approach_high",
           history=2),
    _fault("below the dew point", cold_stack, (30, 38, 44), "stack_below_dew_point",
           condensing=False, fuel="natural_gas"),
    _fault("return water low", cold_return, (25, 12, 4), "return_water_low", condensing=False),
    _fault("probes swapped", swap_probes, (2, 2, 1), "probes_swapped", condensing=False),
    _fault("water probes swapped", swap_water, (25, 14, 6), "probes_swapped"),
    _fault("stack in degC typed as degF", unit_low, (2, 2, 1), "temperature_unit_mixed",
           "stack_below_water", "stack_below_air", condensing=False),
    _fault("air in degF typed as degC", unit_air, (28, 20, 14), "temperature_unit_mixed"),
    _fault("stack below return water", below_water, (15, 8, 5), "stack_below_water",
           "temperature_unit_mixed"),
    _fault("wrong fuel in the analyzer", wrong_fuel, (15.4, 13.8, 13.2), "o2_co2_mismatch",
           fuel="natural_gas"),
    _fault("tired O2 cell", tired_cell, (2.5, 1.5, 1.1), "o2_co2_mismatch", "instrument_drift"),
    _fault("analyzer's own figures", own_figures, (40, 18, 9), "analyzer_disagrees"),
    _fault("CO sensor at its range end", range_end, (2, 2, 1), "co_sensor_range_end"),
    _fault("CO range mark", range_mark, (1, 1, 1), "co_sensor_range_end", after=True),
    _fault("copied from as found", copy_found, (0, 0, 2), "copied_as_found", after=True,
           at_least=3),
    _fault("copied from an earlier visit", copy_earlier, (2, 1, 0), "copied_earlier_visit",
           after=True, history=3),
    _fault("no change after adjusting", no_change, (1, 1, 1), "no_change_after_adjustment",
           "copied_as_found"),
    _fault("not settled", ramp, (2.5, 1.4, 0.9), "unsettled_point"),
    _fault("CO still rising", co_climbs, (200, 90, 60), "co_still_rising", "co_above_limit",
           "co_elevated"),
    _fault("rates missing", drop_rate, (2, 1, 1), "rates_missing", after=True, at_least=3),
    _fault("rates swapped", swap_rates, (2, 2, 1), "rates_swapped", after=True),
    _fault("one rate twice", repeat_rate, (1, 1, 1), "rate_repeated", "rates_missing", after=True,
           at_least=3),
    _fault("as left before as found", left_first, (20, 8, 3), "times_impossible", after=True),
    _fault("readings of another day", other_day, (365, 7, 1), "times_impossible", after=True),
    _fault("stale as left", stale, (120, 20, 2), "stale_as_left", after=True),
    _fault("room CO", room, (60, 25, 13), "room_co"),
    _fault("weak flame signal", flame, (0.2, 0.6, 0.8), "flame_signal_weak"),
    _fault("calibration expired", old_calibration, (900, 450, 370), "calibration_expired"),
    _fault("instrument drift", lean, (2.0, 1.5, 1.15), "instrument_drift", history=3,
           at_least=3),
    _fault("leaves its band in summer", season, (-15, -8, 0), "o2_leaves_band_with_seasons",
           control="fixed_air"),
    _fault("condensate absent", dry_trap, (14, 8, 5), "condensate_absent", condensing=True),
    _fault("flue gas in the intake", intake, (18.5, 20.0, 20.4), "flue_gas_in_intake"),
    _fault("instrument check failed", failed_check, (0, 1, 2), "instrument_check_failed"),
    _fault("boiler's own oxygen sensor", own_sensor, (2.0, 1.2, 0.95),
           "boiler_oxygen_sensor_off"),
    _fault("hysteresis", hysteresis, (2.0, 1.2, 0.9), "linkage_hysteresis", after=True),
    _fault("pressures", gas_pressure, (0.4, 0.12, 0.06), "gas_inlet_pressure_off",
           "manifold_pressure_off", "stack_draft_off"),
    _fault("smoke", smoke, (5, 3, 2), "smoke_number_high", fuel="no2_oil"),
    _fault("NOx", nox, (160, 110, 92), "nox_above_limit"),
    _fault("plastic vent overheated", plastic, (40, 12, 3), "vent_overheated", condensing=True),
    _fault("no as-left points", only_found, (0, 1, 0), "no_as_left", after=True),
    _fault("diluted sample", diluted, (19.5, 17.5, 15.8), "sample_diluted", *_BAND),
)  # fmt: skip


def faulty(seed: int, fault: Fault, size: int) -> Case:
    """Return a visit with one fault."""
    rng = random.Random(seed)
    scene = draw_scene(rng, history=fault.history, **dict(fault.fixed))
    if not fault.after:
        fault.change(rng, scene, fault.sizes[size])
    take(rng, scene)
    if fault.after:
        fault.change(rng, scene, fault.sizes[size])
    return case_of(scene)


def caught(judgement: Judgement, fault: Fault) -> bool:
    """Return whether a finding above info names the fault."""
    for flag in judgement.flags:
        if flag.severity == "info":
            continue
        named = {flag.rule, *(e.split(":", 1)[0] for e in flag.effects)}
        if named & fault.rules:
            return True
    return False


@dataclass(frozen=True)
class Score:
    """Recall by size, false alarms, and what was missed or cried wolf."""

    recall: dict[str, tuple[int, int]]
    false_alarms: int
    healthy_visits: int
    missed: list[str]
    wolves: list[str]


def score(visits: int = 500, seed: int = 20260101) -> Score:
    """Judge so many faulty and so many healthy visits."""
    recall = {size: [0, 0] for size in SIZES}
    missed: list[str] = []
    for n in range(visits):
        fault = FAULTS[n % len(FAULTS)]
        size = (n // len(FAULTS)) % 3
        hit = caught(judge(faulty(seed + n, fault, size)), fault)
        recall[SIZES[size]][0] += hit
        recall[SIZES[size]][1] += 1
        if not hit:
            missed.append(f"{fault.name}, {SIZES[size]}")
    wolves: list[str] = []
    alarms = 0
    for n in range(visits):
        loud = [f for f in judge(healthy(seed * 7 + n)).flags if f.severity != "info"]
        alarms += bool(loud)
        wolves += [f"{f.rule}: {f.message}" for f in loud]
    return Score({k: (v[0], v[1]) for k, v in recall.items()}, alarms, visits, missed, wolves)


def print_score() -> None:
    """Print the score table."""
    result = score()
    print(f"{len(FAULTS)} kinds of fault, one burner each, own draws of the simulator")
    for size, (hit, total) in result.recall.items():
        share = 100.0 * hit / total
        print(f"  {size:<10} caught {hit:>3} of {total:>3}  {share:5.1f} %  (aim {AIMS[size]:.0%})")
    rate = 100.0 * result.false_alarms / result.healthy_visits
    print(
        f"  healthy    {result.false_alarms} of {result.healthy_visits} with a check or worse, "
        f"{rate:.1f} in 100  (aim at most {FALSE_ALARMS:g})"
    )
    for text in sorted(set(result.missed)):
        print(f"  missed: {text} ({result.missed.count(text)})")
    for text in sorted(set(result.wolves)):
        print(f"  cried wolf: {text}")
