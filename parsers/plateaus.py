"""A continuous log cut into stretches: plateaus of constant firing, and what lies between them.

All quantities of a burner move together when its firing rate moves, each with its own lag, so all
are cut together (``parsers.step_response``). Oxygen near that of air means that no flame gas was
read: the burner was off or purging, or the probe was in fresh air. Only plateaus become firing
points. A firing rate that is not recorded is at most proposed here (``parsers.rate_match``).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from parsers.points import Settled
from parsers.settled import settle
from parsers.step_response import Fit, Signal, binned, fit, stretches, without_spikes

Floats = NDArray[np.float64]
SegmentKind = Literal["plateau", "ramp", "light_off", "purge", "off", "air"]
RateBasis = Literal["file", "proposed", "two_signals", "confirmed"]

# Quantities that answer the firing rate, with the least noise [canonical unit] that a log can be
# trusted to have, and the step that is worth a boundary of its own. Common practice.
_CUT: dict[str, tuple[float, float]] = {
    "firing_rate": (0.5, 1.5),
    "o2_dry": (0.04, 0.12),
    "co2_dry": (0.04, 0.12),
    "stack_temperature": (0.4, 1.5),
    "co_dry": (3.0, 30.0),
    "no_dry": (2.0, 4.0),
    "nox_dry": (2.0, 4.0),
}
_RELATIVE = {"co_dry": 0.1, "no_dry": 0.03, "nox_dry": 0.03}
_NO_LAG = ("firing_rate",)
_GAS = ("o2_dry", "co2_dry", "co_dry", "no_dry", "nox_dry")
FRESH_AIR_O2 = 17.5
"""Above this no boiler burner fires [% dry]; the instrument reads air. Common practice."""


@dataclass(frozen=True, slots=True)
class CutOptions:
    """What is known about the instrument and the log.

    ``response_time`` is the time to 90 % of a step [s], None to estimate it from the log;
    ``signals`` the quantities to cut by, None for all that answer the firing rate.
    """

    response_time: float | None = None
    signals: tuple[str, ...] | None = None


@dataclass(frozen=True, slots=True)
class Segment:
    """One stretch of a log, ``start`` to ``end`` in the log's seconds.

    ``values`` are the figures of a plateau, each taken from ``settled_from``; ``firing_rate``
    counts only with the basis beside it. ``why`` says in words what the kind was seen from.
    """

    kind: SegmentKind
    start: float
    end: float
    values: Mapping[str, Settled] = field(default_factory=dict)
    settled_from: Mapping[str, float] = field(default_factory=dict)
    firing_rate: float | None = None
    rate_basis: RateBasis | None = None
    spikes: Mapping[str, int] = field(default_factory=dict)
    why: str = ""

    @property
    def settled(self) -> bool:
        """Return whether every quantity of a plateau has settled."""
        return bool(self.values) and all(v.settled for v in self.values.values())


@dataclass(slots=True)
class _Piece:
    """A run of bins, with the fit of each signal."""

    first: int
    end: int
    fits: dict[str, Fit]

    @property
    def bins(self) -> int:
        return self.end - self.first


def propose_cut(
    times: Floats,
    columns: Mapping[str, Floats],
    *,
    options: CutOptions | None = None,
) -> list[Segment]:
    """Return the stretches of a log, in order and without gaps.

    Parameters
    ----------
    times : array, shape (n,)
        Seconds, ascending.
    columns : mapping of glossary key to array, shape (n,)
        Canonical values, NaN where not read. O2 or CO2 is needed to tell flame gas from air.
    options : CutOptions, optional
        What is known about the instrument.

    Returns
    -------
    list of Segment
        Empty where there is nothing to cut: fewer than ten samples, or no quantity that answers the
        firing rate.

    Raises
    ------
    ValueError
        If times do not ascend or a column has another length.
    """
    given = options or CutOptions()
    times = np.asarray(times, dtype=np.float64)
    arrays = {k: np.asarray(v, dtype=np.float64) for k, v in columns.items()}
    _check(times, arrays)
    keys = [k for k in (given.signals or tuple(_CUT)) if k in arrays and k in _CUT]
    keys = [k for k in keys if np.isfinite(arrays[k]).sum() >= 10]
    if len(times) < 10 or not keys:
        return []
    response = given.response_time or 30.0
    interval = float(np.median(np.diff(times)))
    width = max(min(max(response / 10.0, 1.0), 5.0), interval)
    calm = {k: without_spikes(arrays[k], 3 * _CUT[k][1]) for k in keys}
    grids = {k: binned(times, calm[k], width) for k in keys}
    lags = {k: 0.0 if k in _NO_LAG else response / math.log(10.0) / width for k in keys}
    inflation = dict.fromkeys(keys, 1.0)
    pieces: list[_Piece] = []
    for _ in range(3):
        signals = [_signal(k, *grids[k], lags[k], inflation[k]) for k in keys]
        starts = stretches(
            signals,
            price=_price(len(keys), len(signals[0].values)),
            reach=int(max(20, 900 / width)),
            shortest=3,
        )
        pieces = _pieces(signals, starts)
        fresh = _refined(signals, pieces, lags, bounds=_lag_bounds(given.response_time, width))
        inflation = _inflation(signals, pieces, inflation)
        if all(abs(fresh[k] - lags[k]) < 0.05 * max(lags[k], 0.1) for k in keys):
            break
        lags = fresh
    signals = [_signal(k, *grids[k], lags[k], inflation[k]) for k in keys]
    joined = _joined(signals, pieces, max(response / width, 5.0))
    segments = _kinds(signals, joined, times, width, response, arrays)
    seconds = {k: lag * width for k, lag in lags.items()}
    return [_with_figures(s, times, arrays, seconds, response, width) for s in segments]


def _check(times: Floats, arrays: Mapping[str, Floats]) -> None:
    if times.ndim != 1 or (len(times) > 1 and bool((np.diff(times) < 0).any())):
        raise ValueError("times must be one row of ascending seconds")
    wrong = [k for k, v in arrays.items() if v.shape != times.shape]
    if wrong:
        raise ValueError(f"{', '.join(wrong)}: as many values as times are needed")


def _price(kinds: int, bins: int) -> float:
    return 1.0 * (2 * kinds + 1) * math.log(max(bins, 10))


def _lag_bounds(response: float | None, width: float) -> tuple[float, float]:
    stated = (response or 30.0) / math.log(10.0) / width
    return (0.5 * stated, 2.0 * stated) if response else (0.25 * stated, 3.5 * stated)


def _signal(key: str, values: Floats, count: Floats, lag: float, inflation: float) -> Signal:
    """Return a signal with the weight of each bin.

    The weight falls where the reading moves fast, for there a bin's error is mostly one of time.
    """
    present = count > 0
    kept = values[present]
    second = np.diff(kept, 2)
    deviation = 1.4826 * float(np.median(np.abs(second))) / math.sqrt(6.0) if len(second) else 0.0
    sigma = max(deviation, _CUT[key][0])
    change = np.zeros(len(values))
    if len(kept) > 4:
        moved = np.zeros(len(kept))
        moved[2:-2] = np.abs(kept[4:] - kept[:-4]) / 4.0
        change[present] = np.maximum(moved - 1.1 * sigma, 0.0)
    timing = 0.0 if key in _NO_LAG else 0.7
    variance = inflation * sigma**2 + (timing * change) ** 2
    variance = variance + (_RELATIVE.get(key, 0.0) * values) ** 2
    return Signal(key, values, np.where(present, 1.0 / variance, 0.0), lag)


def _pieces(signals: Sequence[Signal], starts: Sequence[int]) -> list[_Piece]:
    ends = [*starts[1:], len(signals[0].values)]
    return [
        _Piece(a, b, {s.key: fit(s, a, b) for s in signals})
        for a, b in zip(starts, ends, strict=True)
    ]


def _refined(
    signals: Sequence[Signal],
    pieces: Sequence[_Piece],
    lags: Mapping[str, float],
    bounds: tuple[float, float],
) -> dict[str, float]:
    """Return the lag of each signal that fits the pieces best, gases sharing none."""
    best = dict(lags)
    trials = np.geomspace(*bounds, 13)
    for signal in signals:
        if signal.key in _NO_LAG:
            continue
        misfits = []
        for trial in trials:
            other = Signal(signal.key, signal.values, signal.weights, float(trial))
            misfits.append(sum(fit(other, p.first, p.end).misfit for p in pieces if p.bins >= 8))
        best[signal.key] = float(trials[int(np.argmin(misfits))])
    return best


def _inflation(
    signals: Sequence[Signal], pieces: Sequence[_Piece], before: Mapping[str, float]
) -> dict[str, float]:
    """Return by how much the misfit of long pieces exceeds the noise taken, per signal.

    Correlated noise looks smaller from bin to bin than it is over a stretch: the spectrum at low
    frequency, (1 + r) / (1 - r) of the variance for first order, is what a level is blurred by.
    """
    out = {}
    for signal in signals:
        residuals = []
        for p in pieces:
            if p.bins < 12:
                continue
            f = p.fits[signal.key]
            x = signal.values[p.first : p.end]
            e = np.exp(-np.arange(p.bins) / signal.lag) if signal.lag > 0 else np.zeros(p.bins)
            r = (x - f.level - f.start * e) * np.sqrt(signal.weights[p.first : p.end])
            residuals.append(r[signal.weights[p.first : p.end] > 0])
        if not residuals or sum(map(len, residuals)) < 20:
            out[signal.key] = before[signal.key]
            continue
        power = np.mean([float(np.mean(r**2)) for r in residuals if len(r)])
        lagged = np.mean([float(np.mean(r[1:] * r[:-1])) for r in residuals if len(r) > 1])
        r1 = float(np.clip(lagged / power, 0.0, 0.8)) if power > 0 else 0.0
        wanted = float(power) * (1 + r1) / (1 - r1) * before[signal.key]
        out[signal.key] = float(np.clip(wanted, 1.0, 30.0))
    return out


def _differ(signals: Sequence[Signal], a: _Piece, b: _Piece) -> bool:
    """Return whether two pieces stand at levels that a person would call different."""
    by_key = {s.key for s in signals}
    if "firing_rate" in by_key:
        apart = abs(a.fits["firing_rate"].level - b.fits["firing_rate"].level)
        if apart > _CUT["firing_rate"][1]:
            return True
    for s in signals:
        if s.key == "firing_rate":
            continue
        worth = _CUT[s.key][1] * (2.0 if "firing_rate" in by_key else 1.0)
        worth += 2 * _RELATIVE.get(s.key, 0.0) * abs(a.fits[s.key].level)
        apart = abs(a.fits[s.key].level - b.fits[s.key].level)
        unsure = math.hypot(a.fits[s.key].u_level, b.fits[s.key].u_level)
        if apart > max(worth, (6.0 if "firing_rate" in by_key else 4.0) * unsure):
            return True
    return False


def _joined(signals: Sequence[Signal], pieces: Sequence[_Piece], response: float) -> list[_Piece]:
    """Return the pieces with neighbours of one level joined, the most alike first."""
    out = list(pieces)
    merged = True
    while merged:
        merged = False
        for i in range(len(out) - 1):
            a, b = out[i], out[i + 1]
            if min(a.bins, b.bins) < 0.6 * response:
                continue  # a ramp, or too short to compare
            if not _differ(signals, a, b):
                whole = {s.key: fit(s, a.first, b.end) for s in signals}
                out[i : i + 2] = [_Piece(a.first, b.end, whole)]
                merged = True
                break
        for i in range(1, len(out) - 1):
            a, short, b = out[i - 1], out[i], out[i + 1]
            if short.bins <= max(4.0, 0.3 * response) and not _differ(signals, a, b):
                whole = {s.key: fit(s, a.first, b.end) for s in signals}
                out[i - 1 : i + 2] = [_Piece(a.first, b.end, whole)]
                merged = True
                break
    return out


def _breathes_air(piece: _Piece, bins: Mapping[str, Signal], arrays: Mapping[str, Floats]) -> bool:
    del arrays
    for key, limit, above in (("o2_dry", FRESH_AIR_O2, True), ("co2_dry", 1.5, False)):
        signal = bins.get(key)
        if signal is None:
            continue
        here = signal.weights[piece.first : piece.end] > 0
        values = signal.values[piece.first : piece.end][here]
        if not len(values):
            continue
        tail = float(np.median(values[-max(1, len(values) // 4) :]))
        f = piece.fits[key]
        heading_there = (f.level > 16.0 and f.start < 0 and f.u_level < 1.5) if above else False
        return (tail > limit) == above or heading_there
    return False


def _kinds(
    signals: Sequence[Signal],
    pieces: Sequence[_Piece],
    times: Floats,
    width: float,
    response: float,
    arrays: Mapping[str, Floats],
) -> list[Segment]:
    """Return the pieces as segments with their kinds."""
    bins = {s.key: s for s in signals}
    for key in ("o2_dry", "co2_dry"):
        if key not in bins and key in arrays:  # cut by others, told from air by this
            bins[key] = _signal(
                key, *binned(times, arrays[key], width), response / 2.3 / width, 1.0
            )
            for p in pieces:
                p.fits[key] = fit(bins[key], p.first, p.end)
    air = [_breathes_air(p, bins, arrays) for p in pieces]
    begin = float(times[0])
    finish = float(times[-1])
    out: list[Segment] = []
    for n, p in enumerate(pieces):
        start, end = begin + p.first * width, min(begin + p.end * width, finish)
        if n == len(pieces) - 1:
            end = finish
        if air[n]:
            kind, why = _air_kind(pieces, air, n, bins)
        elif end - start < (20.0 if "firing_rate" in bins else max(0.8 * response, 20.0)):
            follows = n > 0 and air[n - 1]
            kind = "light_off" if follows and out[-1].kind != "air" else "ramp"
            why = "shorter than the instrument's response"
        elif "firing_rate" not in bins and end - start < 45.0 and _on_the_way(pieces, n, bins):
            kind, why = "ramp", "short, and every quantity goes on the same way after it"
        else:
            kind, why = "plateau", "all quantities head for one level"
        out.append(Segment(kind, start, end, why=why))
    return _run_together(out)


def _on_the_way(pieces: Sequence[_Piece], n: int, bins: Mapping[str, Signal]) -> bool:
    """Return whether a piece lies between its neighbours in stack temperature or O2.

    A servo takes up to a minute over its range: the way between two rates looks like a short stay.
    """
    if n == 0 or n + 1 == len(pieces):
        return False
    key = "stack_temperature" if "stack_temperature" in bins else next(iter(bins))
    a, here, b = (p.fits[key].level for p in pieces[n - 1 : n + 2])
    return min(a, b) < here < max(a, b)


def _air_kind(
    pieces: Sequence[_Piece], air: Sequence[bool], n: int, bins: Mapping[str, Signal]
) -> tuple[SegmentKind, str]:
    """Return what a stretch of air was: the probe in fresh air, a purge, or no burner running."""
    firing_before = any(not a for a in air[:n])
    firing_after = any(not a for a in air[n + 1 :])
    stack = bins.get("stack_temperature")
    if stack is not None and firing_before and firing_after:
        hot = pieces[n].fits["stack_temperature"].level
        levels = [
            p.fits["stack_temperature"].level
            for p, a in zip(pieces, air, strict=True)
            if not a and p.fits["stack_temperature"].u_level < 5
        ]
        if levels and hot > min(levels) - 5.0:
            return "air", "O2 of air while the stack stays hot"
    if firing_after and n + 1 < len(air) and not air[n + 1]:
        return "purge", "O2 of air right before the flame"
    return "off", "O2 of air, no flame"


def _run_together(segments: Sequence[Segment]) -> list[Segment]:
    """Return neighbours of one kind as one, plateaus excepted."""
    out: list[Segment] = []
    for s in segments:
        if out and s.kind == out[-1].kind and s.kind != "plateau":
            out[-1] = replace(out[-1], end=s.end)
        else:
            out.append(s)
    return out


def _with_figures(
    segment: Segment,
    times: Floats,
    arrays: Mapping[str, Floats],
    lags: Mapping[str, float],
    response: float,
    width: float,
) -> Segment:
    """Return a plateau with its figures; other segments as they are."""
    if segment.kind != "plateau":
        return segment
    values: dict[str, Settled] = {}
    since: dict[str, float] = {}
    spikes: dict[str, int] = {}
    usual = response / math.log(10.0)
    for key, column in arrays.items():
        lag = 0.0 if key in _NO_LAG else max(lags.get(key, usual), 1.0)
        found = settle(
            key, times, column, start=segment.start, end=segment.end, lag=lag, guard=2 * width
        )
        if found is None:
            continue
        values[key], since[key] = found.figure, found.since
        if found.spikes:
            spikes[key] = found.spikes
    rate = values.get("firing_rate")
    return replace(
        segment,
        values=values,
        settled_from=since,
        spikes=spikes,
        firing_rate=None if rate is None else round(rate.mean),
        rate_basis=None if rate is None else "file",
    )
