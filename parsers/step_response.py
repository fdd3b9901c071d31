"""Where the input of a lagging instrument stepped: one exact search over all signals together.

A burner that goes from one firing rate to another moves every quantity at the same moment, and each
follows with its own first-order lag. So a stretch of constant firing is, for every signal at once,
``level + start * exp(-t / lag)`` with free level and start. The search finds the boundaries that
make the weighted misfit of such stretches, plus a price per stretch, least (optimal partitioning by
dynamic programming). Time and memory are linear in the length of the log, because a stretch is at
most ``reach`` bins long; longer ones come out in pieces of equal level and are joined later.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


_SWEEP = 8


@dataclass(frozen=True, slots=True)
class Signal:
    """One quantity on a regular grid of bins.

    ``values`` (0 where absent), ``weights`` (1 / variance, 0 where absent), ``lag`` the time
    constant in bins; a lag of 0 is a signal without one, such as a recorded firing rate.
    """

    key: str
    values: Floats
    weights: Floats
    lag: float


def binned(times: Floats, values: Floats, width: float) -> tuple[Floats, Floats]:
    """Return (median, count) of each bin of ``width`` seconds; a median sheds single spikes.

    Empty bins have count 0 and value 0. Values that are not finite are left out.

    >>> binned(np.array([0., 1., 2., 3., 4., 5.]), np.array([1., 9., 1., 2., 2., np.nan]), 3.0)
    (array([1., 2.]), array([3., 2.]))
    """
    bins = 1 + int((times[-1] - times[0]) // width)
    present = np.isfinite(values)
    index = ((times[present] - times[0]) // width).astype(np.intp)
    kept = values[present]
    count = np.bincount(index, minlength=bins).astype(np.float64)
    order = np.lexsort((kept, index))
    ordered = kept[order]
    first = np.concatenate([[0], np.cumsum(count)[:-1]]).astype(np.intp)
    filled = count > 0
    low, high = np.zeros(bins, dtype=np.intp), np.zeros(bins, dtype=np.intp)
    low[filled] = first[filled] + ((count[filled] - 1) // 2).astype(np.intp)
    high[filled] = first[filled] + (count[filled] // 2).astype(np.intp)
    median = np.zeros(bins)
    if len(ordered):
        median[filled] = (ordered[low[filled]] + ordered[high[filled]]) / 2.0
    return median, count


def without_spikes(values: Floats, least: float) -> Floats:
    """Return the values with single or double wild samples as NaN.

    A sample is wild where it lies more than six robust deviations, and more than ``least``, from
    the median of the five around it; a steady climb is its own median and stays.
    """
    present = np.flatnonzero(np.isfinite(values))
    kept = values[present]
    if len(kept) < 5:
        return values
    windows = np.lib.stride_tricks.sliding_window_view(np.pad(kept, 2, mode="edge"), 5)
    apart = np.abs(kept - np.median(windows, axis=1))
    noise = 1.4826 * float(np.median(np.abs(np.diff(kept)))) / 1.414
    out = values.copy()
    out[present[apart > max(6 * noise, least)]] = np.nan
    return out


def stretches(signals: list[Signal], price: float, reach: int, shortest: int) -> list[int]:
    """Return the first bin of each stretch of the least total cost, in order, starting with 0.

    Parameters
    ----------
    signals : list of Signal
        At least one; all of one length.
    price : float
        Cost of one more stretch, in units of squared weighted misfit.
    reach, shortest : int
        Longest and shortest stretch in bins.
    """
    count, kinds = len(signals[0].values), len(signals)
    reach = min(reach, count)
    decay = np.array([[np.exp(-1.0 / s.lag) if s.lag > 0 else 0.0] for s in signals])
    # Sums over each open stretch, one column for each start that may still win: w, we, wee, wy,
    # wye, wyy, with e = decay**(i - start).
    room = reach + _SWEEP + 1
    sums = np.zeros((6, kinds, room))
    power = np.ones((kinds, room))
    start_of = np.zeros(room, dtype=np.intp)
    before = np.zeros(room)
    w = np.array([s.weights for s in signals])
    wy = np.array([s.weights * s.values for s in signals])
    wyy = np.array([s.weights * s.values**2 for s in signals])
    best = np.full(count + 1, np.inf)
    best[0] = 0.0
    came = np.zeros(count + 1, dtype=np.intp)
    n = 0
    for j in range(count):
        sums[:, :, n] = 0.0
        power[:, n] = 1.0
        start_of[n], before[n] = j, best[j]
        n += 1
        live, e = sums[:, :, :n], power[:, :n]
        we = w[:, j : j + 1] * e
        live[0] += w[:, j : j + 1]
        live[1] += we
        live[2] += we * e
        live[3] += wy[:, j : j + 1]
        live[4] += wy[:, j : j + 1] * e
        live[5] += wyy[:, j : j + 1]
        e *= decay
        if j + 1 < shortest:
            continue
        total = before[:n] + _misfit(live) + price
        old = start_of[:n] <= j + 1 - shortest
        pick = int(np.argmin(np.where(old, total, np.inf)))
        best[j + 1] = total[pick]
        came[j + 1] = start_of[pick]
        if n >= room or j % _SWEEP == 0:
            # A start that is already worse than ending here by more than a stretch costs can never
            # win again, for a stretch cut in two fits no worse (Killick and others, 2012, memory).
            keep = ~old | (total <= best[j + 1] + 2 * price)
            keep &= start_of[:n] > j - reach
            kept = int(keep.sum())
            sums[:, :, :kept] = sums[:, :, :n][:, :, keep]
            power[:, :kept] = power[:, :n][:, keep]
            start_of[:kept], before[:kept] = start_of[:n][keep], before[:n][keep]
            n = kept
    starts = []
    end = count
    while end > 0:
        end = int(came[end])
        starts.append(end)
    return starts[::-1]


def _misfit(sums: Floats) -> Floats:
    """Return the least squared misfit of ``level + start * e`` summed over the signals."""
    n, e, ee, y, ye, yy = sums
    safe = np.maximum(n, 1e-300)
    residual = yy - y * y / safe
    room = ee - e * e / safe
    cross = ye - y * e / safe
    # A stretch too short to tell level from start has no room: the level alone then.
    gain = np.where(room > 1e-9 * safe, cross * cross / np.maximum(room, 1e-300), 0.0)
    return np.asarray(np.maximum(residual - gain, 0.0).sum(axis=0))


@dataclass(frozen=True, slots=True)
class Fit:
    """``level + start * exp(-t / lag)`` over one stretch, t in bins from its first."""

    level: float
    start: float
    misfit: float
    count: int
    u_level: float


def fit(signal: Signal, first: int, end: int) -> Fit:
    """Return the weighted least squares fit of a signal over bins ``first`` to ``end``, excluded.

    ``u_level`` is the standard uncertainty of the level from the weights; infinite where the
    stretch is too short to tell.
    """
    w, y = signal.weights[first:end], signal.values[first:end]
    used = w > 0
    n = int(used.sum())
    if n == 0:
        return Fit(np.nan, 0.0, 0.0, 0, np.inf)
    total = float(w.sum())
    mean = float((w * y).sum() / total)
    if signal.lag > 0:
        e = np.exp(-np.arange(end - first) / signal.lag)
        centre = float((w * e).sum() / total)
        room = float((w * (e - centre) ** 2).sum())
        if room > 1e-6 * total and n >= 4:
            start = float((w * (e - centre) * y).sum()) / room
            level = mean - start * centre
            left = float((w * (y - level - start * e) ** 2).sum())
            return Fit(level, start, left, n, float(np.sqrt(1 / total + centre**2 / room)))
    return Fit(mean, 0.0, float((w * (y - mean) ** 2).sum()), n, float(np.sqrt(1 / total)))


def misfits(signal: Signal, first: int, end: int, lags: Floats) -> Floats:
    """Return the misfit of ``fit`` over one stretch for each of several lags [bins] at once."""
    w, y = signal.weights[first:end], signal.values[first:end]
    total = float(w.sum())
    used = int((w > 0).sum())
    if not used:
        return np.zeros(len(lags))
    y = y - float(w @ y) / total
    residual = float(w @ (y * y))
    if used < 4:
        return np.full(len(lags), residual)
    e = np.exp(-np.arange(end - first) / lags[:, None])
    e -= (e @ w)[:, None] / total
    room, cross = (e * e) @ w, e @ (w * y)
    gain = np.where(room > 1e-6 * total, cross * cross / np.maximum(room, 1e-300), 0.0)
    return np.asarray(np.maximum(residual - gain, 0.0))
