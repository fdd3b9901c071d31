"""Has it settled, and how well is the mean known: one quantity over one stretch of constant firing.

A lagging instrument approaches its reading as ``level + start * exp(-t / lag)``. The stretch counts
from where the rest of that approach is below what matters for the quantity. The standard
uncertainty of the mean takes the scatter with its autocorrelation, the rest of the approach, and
the rounding of the display; where few independent samples remain it is widened so that twice it
covers 95 %.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from parsers.points import Settled

Floats = NDArray[np.float64]

# What matters when reading a gauge: below this the rest of a step is of no interest (first), and a
# change over the stretch beyond the second means that it never settled. Canonical units; ppm gases
# add five percent of the reading. Common practice.
TOLERANCE: dict[str, tuple[float, float]] = {
    "o2_dry": (0.05, 0.4),
    "co2_dry": (0.05, 0.3),
    "co_dry": (3.0, 25.0),
    "no_dry": (2.0, 10.0),
    "nox_dry": (2.0, 10.0),
    "stack_temperature": (0.8, 5.0),
    "combustion_air_temperature": (0.5, 4.0),
    "stack_draft": (1.5, 10.0),
    "firing_rate": (1.0, 3.0),
}
RELATIVE = {"co_dry": 0.05, "no_dry": 0.05, "nox_dry": 0.05}

STAY = 3.0
"""Response times that a stay must last before a lagging reading of it is called settled.

Two to wait after the change and one to take the mean over. The two are what EPA Method 7E (40 CFR
60, appendix A-4) demands before data are recorded at a new point (memory).
"""

UNSURE_ENDS = 0.1
"""Response times by which a stay may be cut too long, its ends being unsure by that together."""

UNSURE_SECONDS = 15.0
"""Seconds by which it may be besides.

The way of the servo before it and the dead time after it are counted to the stay. They are the
plant's and not the instrument's: 7 s in the middle whatever the response time, with a standard
deviation of 7 s (measured on simulated logs). Calling a stay unsettled that just was settled costs
less than the reverse.
"""

UNSURE_ENDS_BY_RATE = 0.05
"""Response times, and no seconds besides, where a recorded firing rate tells the ends."""


def least_stay(response: float, *, by_rate: bool) -> float:
    """Return how long a stay must be cut [s] before a lagging reading of it is called settled.

    >>> least_stay(30.0, by_rate=False), least_stay(30.0, by_rate=True)
    (108.0, 91.5)
    """
    if by_rate:
        return (STAY + UNSURE_ENDS_BY_RATE) * response
    return (STAY + UNSURE_ENDS) * response + UNSURE_SECONDS


def tolerance(quantity: str, value: float, spread: float) -> tuple[float, float]:
    """Return (of no interest, never settled) in the canonical unit of a quantity."""
    near, far = TOLERANCE.get(quantity, (0.01 * abs(value), 0.05 * abs(value)))
    share = RELATIVE.get(quantity, 0.0) * abs(value)
    return max(near + share, 0.1 * spread), max(far + 4 * share, 1.5 * spread)


@dataclass(frozen=True, slots=True)
class Stretch:
    """A settled figure, the time [s] from which it was taken, and samples left out as spikes."""

    figure: Settled
    since: float
    spikes: int


def effective_count(residual: Floats) -> float:
    """Return how many independent samples a correlated series is worth.

    Sums the autocorrelation in pairs of lags while their sum stays positive (initial positive
    sequence); a series without correlation is worth its length, and none is worth more than that.

    >>> effective_count(np.array([1.0, -1.0, 1.0, -1.0]))
    4.0
    """
    n = len(residual)
    power = float(residual @ residual)
    if n < 4 or power <= 0:
        return float(n)
    size = 1 << (2 * n - 1).bit_length()
    spectrum = np.fft.rfft(residual, size)
    rho = np.fft.irfft(spectrum * spectrum.conj(), size)[: n // 2] / power
    tau = 1.0
    for k in range(1, len(rho) - 1, 2):
        pair = float(rho[k] + rho[k + 1])
        if pair <= 0:
            break
        tau += 2 * pair
    # The sample autocorrelation is biased low by about (1 + 3 rho) / n (Kendall): give it back.
    if tau > 1:
        tau *= 1 + 3 * tau / n if tau < n / 6 else 1.5
    return max(1.5, n / max(tau, 1.0))


def widening(degrees: float) -> float:
    """Return Student's t at 97.5 % over the normal's (Cornish-Fisher, within 2 % from 3 degrees).

    >>> round(widening(10.0), 2), round(widening(1e9), 2)
    (1.14, 1.0)
    """
    z, v = 1.959964, max(degrees, 1.0)
    first = (z**3 + z) / (4 * v)
    second = (5 * z**5 + 16 * z**3 + 3 * z) / (96 * v**2)
    return (z + first + second) / z


def display_step(values: Floats) -> float:
    """Return the step of a rounded display, 0 where the samples show none.

    >>> display_step(np.array([0.3, 0.1 + 0.2, 0.3, 0.3]))
    0.0
    """
    distinct = np.unique(values)
    if len(distinct) < 2 or len(distinct) > 0.5 * len(values):
        return 0.0
    steps = np.diff(distinct)
    steps = steps[steps > 1e-9 * max(1.0, float(np.abs(distinct).max()))]
    if not len(steps):  # one figure, written with the last bit otherwise
        return 0.0
    step = float(steps.min())
    off = np.abs(distinct / step - np.round(distinct / step))
    return step if float(off.max()) < 0.05 else 0.0


def approach(
    since_start: Floats, values: Floats, lag: float
) -> tuple[float, float, NDArray[np.bool_]]:
    """Return (level, start, kept): the fit of the approach without spikes.

    A spike lies more than five robust deviations from the fit.
    """
    kept = np.ones(len(values), dtype=bool)
    e = np.exp(-since_start / lag) if lag > 0 else np.zeros(len(values))
    level, start = float(np.median(values)), 0.0
    for _ in range(4):
        y, x = values[kept], e[kept]
        room = float(((x - x.mean()) ** 2).sum())
        start = float(((x - x.mean()) * y).sum()) / room if room > 1e-6 * len(y) else 0.0
        level = float(y.mean()) - start * float(x.mean())
        residual = values - level - start * e
        deviation = 1.4826 * float(np.median(np.abs(residual[kept])))
        step = display_step(values)
        # The fast part of the approach is forgiven a lag that is off by a fifth.
        room_for = 5 * max(deviation, step, 1e-9) + 0.2 * abs(start) * e
        fresh = np.abs(residual) <= room_for
        if fresh.sum() < 0.6 * len(values) or bool((fresh == kept).all()):
            break
        kept = fresh
    return level, start, kept


def settle(
    quantity: str,
    times: Floats,
    values: Floats,
    *,
    start: float,
    end: float,
    lag: float,
    guard: float = 0.0,
    least: float = 0.0,
) -> Stretch | None:
    """Return a quantity's figure over a stretch, None where fewer than three samples were read.

    Parameters
    ----------
    quantity : str
        Glossary key.
    times, values : array
        The log [s, canonical unit]; NaN where not read.
    start, end : float
        Ends of the stretch of constant firing [s].
    lag : float
        Time constant of the reading [s]; time to 90 % divided by ln 10.
    guard : float
        Left out at the end, for a boundary that may be late [s].
    least : float
        Shortest stay [s] whose figure may be called settled; its mean is taken all the same.
    """
    low, high = np.searchsorted(times, (start, end - guard), side="left")
    t, y = times[low:high], values[low:high]
    read = np.isfinite(y)
    t, y = t[read], y[read]
    if len(y) < 3:
        return None
    level, rest, kept = approach(t - start, y, lag)
    spikes = int((~kept).sum())
    t, y = t[kept], y[kept]
    scatter = float(np.std(np.diff(y))) / math.sqrt(2.0) if len(y) > 2 else 0.0
    near, far = tolerance(quantity, level, scatter)
    wait = lag * 1.1 * math.log(abs(rest) / near) if abs(rest) > near else 0.0
    since = start + wait
    span = float(t[-1]) - since
    enough = span >= max(0.75 * lag, 8.0) and int((t >= since).sum()) >= 6
    if not enough:
        since = start + 2.0 / 3.0 * (float(t[-1]) - start)
    inside = t >= since
    if inside.sum() < 3:
        inside[-3:] = True
    t, y = t[inside], y[inside]
    mean, spread = float(y.mean()), float(y.std(ddof=1))
    centred = t - t.mean()
    ss = float(centred @ centred)
    slope = float(centred @ y) / ss if ss > 0 else 0.0
    drift = slope * float(t[-1] - t[0])
    worth = effective_count(y - mean)
    u_scatter = spread / math.sqrt(worth) * widening(worth - 1)
    u_rest = _mean_rest(rest, lag, float(t[0]) - start, float(t[-1]) - start)
    step = display_step(y)
    # Noise smooths rounding away (dither); a quiet reading keeps the whole of it.
    u_step = step / math.sqrt(12) * math.exp(-2 * (math.pi * spread / step) ** 2) if step else 0.0
    u_mean = math.sqrt(u_scatter**2 + u_rest**2 + u_step**2)
    still = enough and end - start >= least and abs(drift) <= far
    figure = Settled(mean, spread, len(y), drift, u_mean, still)
    return Stretch(figure, float(t[0]), spikes)


def _mean_rest(rest: float, lag: float, first: float, last: float) -> float:
    """Return the mean of what is left of the approach between two times after its start."""
    if lag <= 0 or last <= first:
        return 0.0
    return abs(rest) * lag / (last - first) * (math.exp(-first / lag) - math.exp(-last / lag))
