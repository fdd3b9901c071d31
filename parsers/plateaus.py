"""A continuous log cut into stretches: plateaus of constant firing, and what lies between them.

All quantities of a burner move together when its firing rate moves, each with its own lag, so all
are cut together (``parsers.step_response``). Oxygen near that of air means that no flame gas was
read: the burner was off or purging, or the probe was in fresh air. Only plateaus become firing
points. A firing rate that is not recorded is at most proposed here (``parsers.rate_match``).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from parsers.gaps import LONGEST_GAP, without_gaps
from parsers.pieces import (
    CUT,
    NO_LAG,
    Piece,
    inflation_of,
    joined,
    pieces_of,
    refined_lags,
    signal_of,
)
from parsers.points import Settled
from parsers.rate_match import RateAim, with_proposed_rates
from parsers.recorded_rate import at_recorded_rates, shows_the_way
from parsers.segment_kinds import segments_of
from parsers.segments import CutOptions, Segment
from parsers.settled import least_stay, settle
from parsers.step_response import binned, stretches, without_spikes

Floats = NDArray[np.float64]


def propose_cut(
    times: Floats,
    columns: Mapping[str, Floats],
    rates: Sequence[RateAim | float] = (),
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
    rates : sequence of RateAim or float, optional
        The rates that the boiler is tested at [%]; where the log records no firing rate, they are
        proposed for its plateaus.
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
    given_arrays = {k: np.asarray(v, dtype=np.float64) for k, v in columns.items()}
    _check(times, given_arrays)
    arrays = told_from_air(given_arrays)
    keys = [k for k in (given.signals or tuple(CUT)) if k in arrays and k in CUT]
    keys = [k for k in keys if np.isfinite(arrays[k]).sum() >= 10]
    if len(times) < 10 or not keys:
        return []
    response = given.response_time or 30.0
    interval = float(np.median(np.diff(times)))
    width = max(min(max(response / 10.0, 1.0), 5.0), interval)
    calm = {k: without_spikes(arrays[k], 3 * CUT[k][1]) for k in keys}
    grids = {k: binned(times, calm[k], width) for k in keys}
    lags = {k: 0.0 if k in NO_LAG else response / math.log(10.0) / width for k in keys}
    inflation = dict.fromkeys(keys, 1.0)
    bounds = _lag_bounds(given.response_time, width)
    part = _part_to_learn_from([grids[k][0] for k in keys])
    if part is not None:  # a very long log: lags and noise are learnt on a part of it
        few = {k: (grids[k][0][part], grids[k][1][part]) for k in keys}
        lags, inflation, _ = _searched(few, lags, inflation, width, bounds, rounds=3)
    rounds = 3 if part is None else 1
    lags, inflation, pieces = _searched(grids, lags, inflation, width, bounds, rounds)
    if given.response_time is None:
        response = _response_seen(lags, width)
    signals = [signal_of(k, *grids[k], lags[k], inflation[k]) for k in keys]
    whole = joined(signals, pieces, max(response / width, 5.0))
    segments = segments_of(signals, whole, times, width, response, arrays)
    if "firing_rate" in keys:
        segments = at_recorded_rates(segments, times, arrays["firing_rate"])
    seconds = {k: lag * width for k, lag in lags.items()}
    longest = max(LONGEST_GAP, 3 * response, 5 * float(np.median(np.diff(times))))
    segments = without_gaps(segments, times, longest)
    least = least_to_settle(response, given_arrays)
    figured = [
        with_figures(s, times, given_arrays, seconds, response, 2 * width, least) for s in segments
    ]
    return with_proposed_rates(figured, rates)


def told_from_air(arrays: Mapping[str, Floats]) -> Mapping[str, Floats]:
    """Return the columns by which a log is cut: wet O2 where no dry gas tells flame from air.

    Both are that of air in air, and fall together when the flame comes.
    """
    if "o2_wet" not in arrays or "o2_dry" in arrays or "co2_dry" in arrays:
        return arrays
    return {**arrays, "o2_dry": arrays["o2_wet"]}


def _check(times: Floats, arrays: Mapping[str, Floats]) -> None:
    if times.ndim != 1 or (len(times) > 1 and bool((np.diff(times) < 0).any())):
        raise ValueError("times must be one row of ascending seconds")
    wrong = [k for k, v in arrays.items() if v.shape != times.shape]
    if wrong:
        raise ValueError(f"{', '.join(wrong)}: as many values as times are needed")


def _searched(
    grids: Mapping[str, tuple[Floats, Floats]],
    lags: Mapping[str, float],
    inflation: Mapping[str, float],
    width: float,
    bounds: tuple[float, float],
    rounds: int,
) -> tuple[dict[str, float], dict[str, float], list[Piece]]:
    """Return (lags, inflation, pieces) of a search repeated until the lags stay [bins]."""
    now, loud, pieces = dict(lags), dict(inflation), list[Piece]()
    for _ in range(rounds):
        signals = [signal_of(k, *grids[k], now[k], loud[k]) for k in grids]
        starts = stretches(
            signals,
            price=_price(len(grids), len(signals[0].values)),
            reach=int(max(20, 900 / width)),
            shortest=3,
        )
        pieces = pieces_of(signals, starts)
        fresh = refined_lags(signals, pieces, now, bounds=bounds)
        loud = inflation_of(signals, pieces, loud)
        if all(abs(fresh[k] - now[k]) < 0.05 * max(now[k], 0.1) for k in now):
            break
        now = fresh
    return now, loud, pieces


_ENOUGH = 4096
"""Bins that tell lags and noise well enough: three hours and more at three seconds."""


def _part_to_learn_from(grids: Sequence[Floats]) -> slice | None:
    """Return the part of a very long log in which most moves, None where the whole is short."""
    bins = len(grids[0])
    if bins < 2 * _ENOUGH:
        return None
    moved = np.zeros(bins)
    for values in grids:  # over ten bins, so that steps count and noise does not
        moved[10:] += np.abs(values[10:] - values[:-10]) / max(float(np.ptp(values)), 1e-9)
    total = np.concatenate([[0.0], np.cumsum(moved)])
    first = int(np.argmax(total[_ENOUGH:] - total[:-_ENOUGH]))
    return slice(first, first + _ENOUGH)


def _price(kinds: int, bins: int) -> float:
    return 1.5 * (2 * kinds + 1) * math.log(max(bins, 10))


def _lag_bounds(response: float | None, width: float) -> tuple[float, float]:
    """Return between which lags [bins] to look; wide enough for a stated time constant, too."""
    stated = (response or 30.0) / math.log(10.0) / width
    return (0.5 * stated, 3.2 * stated) if response else (0.25 * stated, 5.5 * stated)


def _response_seen(lags: Mapping[str, float], width: float) -> float:
    """Return the time to 90 % [s] that a log shows; a gas tells the instrument's, not the metal's.

    ``lags`` and ``width`` as in the search, in bins and seconds a bin.
    """
    lagging = [k for k in lags if k not in NO_LAG]
    gases = [k for k in lagging if k in ("o2_dry", "co2_dry")] or lagging
    return lags[gases[0]] * width * math.log(10.0) if gases else 30.0


def _read_rate(mean: float) -> float:
    """Return a recorded rate as a whole percent where it is one within its noise."""
    return float(round(mean)) if abs(mean - round(mean)) < 0.3 else round(mean, 1)


def lags_of_cut(
    segments: Sequence[Segment], times: Floats, arrays: Mapping[str, Floats]
) -> tuple[dict[str, float], float]:
    """Return the lags [s] of the quantities and the response time [s] that a cut log shows.

    Looked for over the plateaus of a cut as it stands; empty and 30 s where it has none.
    """
    interval = float(np.median(np.diff(times))) if len(times) > 1 else 1.0
    width = max(3.0, interval)
    keys = [k for k in CUT if k in arrays and np.isfinite(arrays[k]).sum() >= 10]
    spans = [
        (int((s.start - times[0]) // width), int((s.end - times[0]) // width))
        for s in segments
        if s.kind == "plateau"
    ]
    if not keys or not any(b - a >= 8 for a, b in spans):
        return {}, 30.0
    usual = 30.0 / math.log(10.0) / width
    lags = {k: 0.0 if k in NO_LAG else usual for k in keys}
    signals = []
    for k in keys:
        calm = without_spikes(arrays[k], 3 * CUT[k][1])
        signals.append(signal_of(k, *binned(times, calm, width), lags[k], 1.0))
    pieces = [Piece(a, b, {}) for a, b in spans]
    lags = refined_lags(signals, pieces, lags, bounds=_lag_bounds(None, width))
    return {k: lag * width for k, lag in lags.items()}, _response_seen(lags, width)


def least_to_settle(response: float, arrays: Mapping[str, Floats]) -> float:
    """Return how long a stay of a log must be cut [s], by its instrument's response time [s]."""
    rate = arrays.get("firing_rate")
    return least_stay(response, by_rate=rate is not None and shows_the_way(rate))


def with_figures(
    segment: Segment,
    times: Floats,
    arrays: Mapping[str, Floats],
    lags: Mapping[str, float],
    response: float,
    guard: float,
    least: float,
) -> Segment:
    """Return a plateau with its figures; other segments as they are.

    ``lags`` [s] by quantity, ``response`` [s] for quantities that have none there, ``guard`` [s]
    left out at the end, ``least`` [s] as :func:`least_to_settle` returns it.
    """
    if segment.kind != "plateau":
        return segment
    values: dict[str, Settled] = {}
    since: dict[str, float] = {}
    spikes: dict[str, int] = {}
    usual = response / math.log(10.0)
    for key, column in arrays.items():
        lag = 0.0 if key in NO_LAG else max(lags.get(key, usual), 1.0)
        found = settle(
            key,
            times,
            column,
            start=segment.start,
            end=segment.end,
            lag=lag,
            guard=guard,
            least=0.0 if key in NO_LAG else least,
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
        firing_rate=None if rate is None else _read_rate(rate.mean),
        rate_basis=None if rate is None else "file",
    )
