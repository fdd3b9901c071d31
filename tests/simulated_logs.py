"""Simulated continuous logs with known truth, and the score of whatever cuts them.

``python -m tests.simulated_logs`` cuts 300 logs by every method and prints the score with 95 %
intervals. Headings, truth format and matching rule are written down in ``docs/plateaus.md``.
"""

from __future__ import annotations

import argparse
import math
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np

from parsers.plateaus import propose_cut
from parsers.segments import CutOptions, Segment
from samples.plant import BoilerModel
from samples.plant_log import PlantLog, Step, log

COLUMNS = ("o2_dry", "co_dry", "stack_temperature")
MARKED_QUANTITIES = ("o2_dry", "co_dry", "stack_temperature")
SCORED_QUANTITIES = ("o2_dry", "stack_temperature")
Method = Callable[[PlantLog, bool], Sequence[Segment]]


def simulated(seed: int) -> PlantLog:
    """Return the log of one seed."""
    rng = np.random.default_rng(seed)
    turndown = float(rng.choice([3.0, 5.0, 8.0]))
    low = 100.0 / turndown
    condensing = bool(rng.random() < 0.3)
    high_o2 = rng.uniform(2.8, 4.5)
    boiler = BoilerModel(
        fuel=str(rng.choice(["natural_gas", "natural_gas", "propane", "oil"])),
        turndown=turndown,
        condensing=condensing,
        o2_curve=((low, high_o2 + rng.uniform(1.0, 3.5)), (55.0, high_o2 + 0.6), (100.0, high_o2)),
    )
    response = rng.uniform(20.0, 60.0)
    program = [Step("off", rng.uniform(20, 90))] if rng.random() < 0.8 else []
    program.append(Step("purge", rng.uniform(20, 60)))
    rates = _rates(rng, low)
    found = float(rng.uniform(-0.06, 0.08)) if rng.random() < 0.4 else 0.0
    adjust_at = int(rng.integers(1, len(rates))) if found else 0
    air_at = int(rng.integers(0, len(rates)))
    for n, rate in enumerate(rates):
        setting = found if n < adjust_at else 0.0
        seconds = float(rng.uniform(90.0, 300.0))
        if rng.random() < 0.12:
            seconds = float(rng.uniform(25.0, 70.0))  # too short to settle
        if n == air_at and rng.random() < 0.6:
            program.append(Step("fire", seconds / 2, rate, setting))
            program.append(Step("air", rng.uniform(30, 90), rate, setting))
            program.append(Step("fire", float(rng.uniform(90.0, 300.0)), rate, setting))
        else:
            program.append(Step("fire", seconds, rate, setting))
        if n + 1 == adjust_at and abs(found) > 0.03:
            program.append(Step("fire", float(rng.uniform(90.0, 300.0)), rate, 0.0))
    program.append(Step("off", rng.uniform(30, 120)))
    irregular = rng.random() < 0.4
    return log(
        boiler,
        program,
        rng,
        interval=float(rng.choice([1.0, 2.0, 4.0])) if irregular else 1.0,
        irregular=0.5 if irregular else 0.0,
        response_time=response,
        stack_response=response * rng.uniform(0.7, 1.3),
        metal_time=float(rng.choice([0.0, 5.0, 15.0])),
        dead_time=float(rng.uniform(0, 6)),
        stroke=float(rng.uniform(15, 60)),
        noise=float(rng.uniform(0.5, 2.0)),
        noise_memory=float(rng.choice([0.0, 0.4, 0.7])),
        drift=float(rng.uniform(0, 2)),
        spikes_per_hour=float(rng.uniform(0, 20)),
        return_water_temperature=40.0 if condensing else 60.0,
        rounded=bool(rng.random() < 0.7),
    )


def _rates(rng: np.random.Generator, low: float) -> list[float]:
    """Return 3 to 8 rates at least ten points apart in turn, out of order, one visited again."""
    grid = np.arange(low, 100.1, 5.0)
    wanted = int(rng.integers(3, 9))
    rates = [float(low if rng.random() < 0.7 else rng.choice(grid))]
    climbing = rng.random() < 0.5
    while len(rates) < wanted:
        apart = [float(g) for g in grid if abs(g - rates[-1]) >= 10.0]
        above = [g for g in apart if g > rates[-1]]
        if climbing and above:
            rates.append(above[min(int(rng.integers(0, 4)), len(above) - 1)])
        else:
            rates.append(float(rng.choice(apart)))
    if rng.random() < 0.4 and abs(rates[0] - rates[-1]) >= 10.0:
        rates.append(rates[0])
    return rates


@dataclass
class Score:
    """Counts over many logs."""

    long: int = 0
    found: int = 0
    claimed: int = 0
    false: int = 0
    short: int = 0
    short_found: int = 0
    short_settled: int = 0
    long_settled: int = 0
    short_wrong: int = 0
    covered: int = 0
    stated: int = 0
    seconds: float = 0.0
    misses: list[str] = field(default_factory=list)
    logs: list[tuple[int, int, int, int]] = field(default_factory=list)
    """(found, of, false, of) of each log."""


def matched(
    truth: Sequence[tuple[float, float]], cut: Sequence[tuple[float, float]], tolerance: float
) -> list[tuple[int, int]]:
    """Return (truth, cut) pairs whose both ends agree within the tolerance, one to one."""
    pairs = sorted(
        (abs(t[0] - c[0]) + abs(t[1] - c[1]), i, j)
        for i, t in enumerate(truth)
        for j, c in enumerate(cut)
        if abs(t[0] - c[0]) <= tolerance and abs(t[1] - c[1]) <= tolerance
    )
    taken: list[tuple[int, int]] = []
    for _, i, j in pairs:
        if all(i != a and j != b for a, b in taken):
            taken.append((i, j))
    return taken


def add(score: Score, made: PlantLog, segments: Sequence[Segment], name: str = "") -> None:
    """Add one log's cut to a score."""
    true = [s for s in made.truth if s.kind == "fire"]
    plateaus = [s for s in segments if s.kind == "plateau"]
    interval = float(np.median(np.diff(made.times)))
    tolerance = max(made.response_time, 2 * interval)
    pairs = matched(
        [(s.start, s.end) for s in true], [(s.start, s.end) for s in plateaus], tolerance
    )
    hit = dict(pairs)
    before = (score.found, score.long, score.false, score.claimed)
    short: set[int] = set()
    for i, span in enumerate(true):
        if span.end - span.start >= 3 * made.response_time:
            score.long += 1
            score.found += i in hit
            if i not in hit:
                score.misses.append(f"{name} missed {span.start:.0f}..{span.end:.0f}")
            else:
                score.long_settled += all(
                    plateaus[hit[i]].values[q].settled
                    for q in SCORED_QUANTITIES
                    if q in plateaus[hit[i]].values
                )
        else:
            score.short += 1
            if i in hit:
                score.short_found += 1
                short.add(i)
                values = plateaus[hit[i]].values
                if any(values[q].settled for q in MARKED_QUANTITIES if q in values):
                    score.short_settled += 1
                    score.misses.append(f"{name} unmarked {span.start:.0f}..{span.end:.0f}")
    right = {j for _, j in pairs}
    score.claimed += len(plateaus)
    score.false += len(plateaus) - len(right)
    score.misses += [
        f"{name} false {p.start:.0f}..{p.end:.0f}" for j, p in enumerate(plateaus) if j not in right
    ]
    after = (score.found, score.long, score.false, score.claimed)
    score.logs.append(tuple(np.subtract(after, before).tolist()))
    wrong: set[int] = set()
    for i, j in pairs:
        for quantity in SCORED_QUANTITIES:
            settled = plateaus[j].values.get(quantity)
            if settled is None or not settled.settled or settled.u_mean is None:
                continue
            start = plateaus[j].settled_from.get(quantity, plateaus[j].start)
            inside = (made.times >= max(start, true[i].start)) & (
                made.times <= min(plateaus[j].end, true[i].end)
            )
            if not inside.any():
                continue
            level = float(made.settled[quantity][inside].mean())
            score.stated += 1
            score.covered += abs(settled.mean - level) <= 2.0 * settled.u_mean
            if abs(settled.mean - level) > 2.0 * settled.u_mean:
                wrong.add(i)
                score.misses.append(
                    f"{name} {quantity} {plateaus[j].start:.0f}: {settled.mean:.3f} not "
                    f"{level:.3f}, U {2 * settled.u_mean:.3f}"
                )
    score.short_wrong += len(short & wrong)


def interval95(hits: int, of: int) -> tuple[float, float]:
    """Return the Wilson score interval of a share at 95 %."""
    if of == 0:
        return 0.0, 1.0
    z, p = 1.959964, hits / of
    centre = (p + z * z / (2 * of)) / (1 + z * z / of)
    half = z * math.sqrt(p * (1 - p) / of + z * z / (4 * of * of)) / (1 + z * z / of)
    return max(0.0, centre - half), min(1.0, centre + half)


def interval95_by_log(logs: Sequence[tuple[int, int]]) -> tuple[float, float]:
    """Return the 95 % interval of a share from logs drawn again with replacement.

    Errors crowd in a few hard logs, so plateaus are not independent of each other: this interval is
    wider than Wilson's, and the one to believe. With no hit at all it cannot tell anything.
    """
    hits, of = np.array(logs, dtype=np.float64).T
    drawn = np.random.default_rng(1).integers(0, len(hits), (4000, len(hits)))
    shares = hits[drawn].sum(axis=1) / np.maximum(of[drawn].sum(axis=1), 1.0)
    low, high = np.percentile(shares, [2.5, 97.5])
    return float(low), float(high)


def joint(made: PlantLog, with_rate: bool) -> Sequence[Segment]:
    """Cut by all signals together, the instrument's response time stated."""
    keys = (*COLUMNS, "firing_rate") if with_rate else COLUMNS
    options = CutOptions(response_time=made.response_time)
    return propose_cut(made.times, {k: made.columns[k] for k in keys}, options=options)


def recorded(late: float, *, wanted: bool = False) -> Method:
    """Cut with a rate that is recorded so many seconds late, in percent or as it was wanted.

    What is wanted is known before the servo moves: a relay for low and high fire shows it.
    """

    def cut(made: PlantLog, with_rate: bool) -> Sequence[Segment]:
        del with_rate
        rate = made.columns["firing_rate"]
        if wanted:
            rate = np.zeros(len(made.times))
            for span in made.truth:
                burning = span.kind in ("fire", "ramp", "air")
                rate[made.times >= span.start] = span.firing_rate if burning else 0.0
        then = np.searchsorted(made.times, made.times - late, side="right") - 1
        columns = {k: made.columns[k] for k in COLUMNS}
        columns["firing_rate"] = rate[np.maximum(then, 0)]
        options = CutOptions(response_time=made.response_time)
        return propose_cut(made.times, columns, options=options)

    return cut


def joint_unknown(made: PlantLog, with_rate: bool) -> Sequence[Segment]:
    """Cut by all signals together, the response time estimated from the log."""
    keys = (*COLUMNS, "firing_rate") if with_rate else COLUMNS
    return propose_cut(made.times, {k: made.columns[k] for k in keys})


def alone(key: str) -> Method:
    """Cut by one signal alone, with the same search (O2 besides, only to know flame from air)."""

    def cut(made: PlantLog, with_rate: bool) -> Sequence[Segment]:
        del with_rate
        options = CutOptions(response_time=made.response_time, signals=(key,))
        return propose_cut(made.times, {k: made.columns[k] for k in COLUMNS}, options=options)

    return cut


def contrast(made: PlantLog, with_rate: bool) -> Sequence[Segment]:
    """Cut where the means before and after differ most: the plain method, all signals together.

    Windows of one response time; differences over what is worth a boundary (O2 0.12 %, stack
    1.5 K), joined as a root sum of squares; a boundary is a highest place above 2.
    """
    del with_rate
    wait = max(int(made.response_time), 10)
    seconds = np.arange(0.0, made.times[-1], 1.0)
    rise = np.zeros(len(seconds))
    o2 = np.interp(seconds, made.times, made.columns["o2_dry"])
    for key, worth in (("o2_dry", 0.12), ("stack_temperature", 1.5)):
        y = np.interp(seconds, made.times, made.columns[key])
        total = np.concatenate([[0.0], np.cumsum(y)])
        mean = (total[wait:] - total[:-wait]) / wait
        rise[wait : len(y) - wait + 1] += ((mean[wait:] - mean[:-wait]) / worth) ** 2
    bounds = [0]
    for n in np.argsort(-rise):
        if rise[n] < 4.0:
            break
        highest = rise[n] >= rise[max(0, n - wait) : n + wait + 1].max()
        if highest and all(abs(n - b) > wait / 2 for b in bounds):
            bounds.append(int(n))
    bounds = [*sorted(bounds), len(seconds)]
    # The contrast of a lagged step is highest about half a response time after it.
    moved = [0.0, *(max(0.0, b - wait / 2) for b in bounds[1:-1]), float(made.times[-1])]
    return [
        Segment("plateau", a, b)
        for a, b in pairwise(moved)
        if b - a > max(0.8 * wait, 20.0)
        and np.median(o2[int((a + b) / 2) : max(int(b), int((a + b) / 2) + 1)]) < 17.5
    ]


METHODS: dict[str, tuple[Method, bool]] = {
    "window contrast": (contrast, False),
    "O2 alone": (alone("o2_dry"), False),
    "stack temperature alone": (alone("stack_temperature"), False),
    "all together, response time unknown": (joint_unknown, False),
    "all together": (joint, False),
    "all together, with firing rate": (joint, True),
    "rate recorded 5 s late": (recorded(5.0), True),
    "rate recorded 20 s late": (recorded(20.0), True),
    "rate recorded by marks": (recorded(0.0, wanted=True), True),
    "rate recorded by marks 5 s late": (recorded(5.0, wanted=True), True),
    "rate recorded by marks 20 s late": (recorded(20.0, wanted=True), True),
}


def run(method: Method, with_rate: bool, seeds: Sequence[int]) -> Score:
    """Return the score of a method over the logs of some seeds."""
    score = Score()
    for seed in seeds:
        made = simulated(seed)
        began = time.perf_counter()
        segments = method(made, with_rate)
        score.seconds += time.perf_counter() - began
        add(score, made, segments, f"seed {seed}")
    return score


def _share(hits: int, of: int) -> str:
    low, high = interval95(hits, of)
    share = 100.0 * hits / of if of else float("nan")
    return f"{share:6.2f} % [{100 * low:.2f}, {100 * high:.2f}] of {of}"


def main() -> None:
    """Print the score of each method."""
    parser = argparse.ArgumentParser(description="Score the cutting of simulated logs.")
    parser.add_argument("--logs", type=int, default=300)
    parser.add_argument("--first", type=int, default=47000, help="first seed")
    parser.add_argument("--method", default="", help="only methods whose name holds this")
    parser.add_argument("--misses", action="store_true", help="list what went wrong")
    given = parser.parse_args()
    seeds = range(given.first, given.first + given.logs)
    for name, (method, with_rate) in METHODS.items():
        if given.method not in name:
            continue
        score = run(method, with_rate, seeds)
        print(f"{name} ({given.logs} logs, {score.seconds / given.logs * 1000:.0f} ms a log)")
        print(f"  plateaus found             {_share(score.found, score.long)}")
        print(f"  false plateaus             {_share(score.false, score.claimed)}")
        for name_of, at in (("found", 0), ("false", 2)):
            low, high = interval95_by_log([(one[at], one[at + 1]) for one in score.logs])
            print(f"    {name_of}, logs drawn again   [{100 * low:.2f}, {100 * high:.2f}]")
        print(f"  short ones found           {_share(score.short_found, score.short)}")
        print(f"  of them not marked         {_share(score.short_settled, score.short_found)}")
        wrong = score.false + score.short_settled
        print(f"  false or not marked        {_share(wrong, score.claimed)}")
        print(f"  long ones called settled   {_share(score.long_settled, score.found)}")
        print(f"  of them settled, outside U {_share(score.short_wrong, score.short_found)}")
        print(f"  mean within stated U       {_share(score.covered, score.stated)}")
        if given.misses:
            print("\n".join(f"    {m}" for m in score.misses))


if __name__ == "__main__":
    main()
