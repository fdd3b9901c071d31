"""Bins, weights, lags and levels: from a log's columns to runs of bins of one level each."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from parsers.step_response import Fit, Signal, fit, misfits

Floats = NDArray[np.float64]

# Quantities that answer the firing rate, with the least noise [canonical unit] that a log can be
# trusted to have, and the step that is worth a boundary of its own: ten points of input move a
# condensing boiler's stack by one or two kelvin only. Common practice.
CUT: dict[str, tuple[float, float]] = {
    "firing_rate": (0.5, 1.5),
    "o2_dry": (0.04, 0.08),
    "co2_dry": (0.04, 0.08),
    "stack_temperature": (0.4, 1.0),
    "co_dry": (3.0, 30.0),
    "no_dry": (2.0, 4.0),
    "nox_dry": (2.0, 4.0),
}
RELATIVE = {"co_dry": 0.1, "no_dry": 0.03, "nox_dry": 0.03}
NO_LAG = ("firing_rate",)


@dataclass(slots=True)
class Piece:
    """A run of bins, with the fit of each signal."""

    first: int
    end: int
    fits: dict[str, Fit]

    @property
    def bins(self) -> int:
        return self.end - self.first


def signal_of(key: str, values: Floats, count: Floats, lag: float, inflation: float) -> Signal:
    """Return a signal with the weight of each bin.

    The weight falls where the reading moves fast, for there a bin's error is mostly one of time.
    """
    present = count > 0
    kept = values[present]
    second = np.diff(kept, 2)
    deviation = 1.4826 * float(np.median(np.abs(second))) / math.sqrt(6.0) if len(second) else 0.0
    sigma = max(deviation, CUT[key][0])
    change = np.zeros(len(values))
    if len(kept) > 4:
        moved = np.zeros(len(kept))
        moved[2:-2] = np.abs(kept[4:] - kept[:-4]) / 4.0
        change[present] = np.maximum(moved - 1.1 * sigma, 0.0)
    timing = 0.0 if key in NO_LAG else 0.7
    variance = inflation * sigma**2 + (timing * change) ** 2
    variance = variance + (RELATIVE.get(key, 0.0) * values) ** 2
    return Signal(key, values, np.where(present, 1.0 / variance, 0.0), lag)


def pieces_of(signals: Sequence[Signal], starts: Sequence[int]) -> list[Piece]:
    ends = [*starts[1:], len(signals[0].values)]
    return [
        Piece(a, b, {s.key: fit(s, a, b) for s in signals})
        for a, b in zip(starts, ends, strict=True)
    ]


def refined_lags(
    signals: Sequence[Signal],
    pieces: Sequence[Piece],
    lags: Mapping[str, float],
    bounds: tuple[float, float],
) -> dict[str, float]:
    """Return the lag of each signal that fits the pieces best, gases sharing none."""
    best = dict(lags)
    long = [p for p in pieces if p.bins >= 8]
    for signal in signals:
        if signal.key in NO_LAG:
            continue
        low, high = bounds
        for count in (13, 9):  # the second time between the neighbours of the first time's best
            trials = np.geomspace(low, high, count)
            total = sum((misfits(signal, p.first, p.end, trials) for p in long), np.zeros(count))
            n = int(np.argmin(total))
            low, high = trials[max(n - 1, 0)], trials[min(n + 1, count - 1)]
        best[signal.key] = float(trials[n])
    return best


def inflation_of(
    signals: Sequence[Signal], pieces: Sequence[Piece], before: Mapping[str, float]
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
        power = np.median([float(np.mean(r**2)) for r in residuals if len(r)])
        lagged = np.median([float(np.mean(r[1:] * r[:-1])) for r in residuals if len(r) > 1])
        r1 = float(np.clip(lagged / power, 0.0, 0.8)) if power > 0 else 0.0
        wanted = float(power) * (1 + r1) / (1 - r1) * before[signal.key]
        out[signal.key] = float(np.clip(wanted, 1.0, 30.0))
    return out


def _differ(signals: Sequence[Signal], a: Piece, b: Piece) -> bool:
    """Return whether two pieces stand at levels that a person would call different."""
    by_key = {s.key for s in signals}
    if "firing_rate" in by_key:
        apart = abs(a.fits["firing_rate"].level - b.fits["firing_rate"].level)
        if apart > CUT["firing_rate"][1]:
            return True
    for s in signals:
        if s.key == "firing_rate":
            continue
        worth = CUT[s.key][1] * (3.0 if "firing_rate" in by_key else 1.0)
        worth += 2 * RELATIVE.get(s.key, 0.0) * abs(a.fits[s.key].level)
        apart = abs(a.fits[s.key].level - b.fits[s.key].level)
        unsure = math.hypot(a.fits[s.key].u_level, b.fits[s.key].u_level)
        if apart > max(worth, (6.0 if "firing_rate" in by_key else 4.0) * unsure):
            return True
    return False


def joined(signals: Sequence[Signal], pieces: Sequence[Piece], response: float) -> list[Piece]:
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
                out[i : i + 2] = [Piece(a.first, b.end, whole)]
                merged = True
                break
        for i in range(1, len(out) - 1):
            a, short, b = out[i - 1], out[i], out[i + 1]
            if short.bins <= max(4.0, 0.3 * response) and not _differ(signals, a, b):
                whole = {s.key: fit(s, a.first, b.end) for s in signals}
                out[i - 1 : i + 2] = [Piece(a.first, b.end, whole)]
                merged = True
                break
    return out
