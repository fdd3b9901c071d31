"""Which firing rate a plateau was, where the log does not say: a proposal with its basis.

Stack temperature rises with the firing rate of every boiler, so its order proposes rates out of the
boiler's list. That alone never decides. Where a second, independent signal (the O2 that the
boiler's record states for each rate, or a recorded fan speed, valve position, input or gas flow)
names the same rate without doubt, the basis is ``two_signals``; otherwise a person has to confirm.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from parsers.segments import RateBasis, Segment

RISING = ("fuel_input", "gas_flow", "fan_speed", "valve_position", "manifold_pressure")
"""Quantities that rise with the firing rate and owe nothing to the flue gas."""
_CLEAR_O2 = 0.3
"""Two rates whose O2 lies closer than this [% dry] are not told apart by O2. Common practice."""


@dataclass(frozen=True, slots=True)
class RateAim:
    """A rate of the boiler's list, with the O2 [% dry] its record states there, if it does."""

    firing_rate: float
    o2_dry: float | None = None


def _groups(values: Sequence[float], apart: float) -> list[int]:
    """Return the rank of the cluster of each value; clusters are at least ``apart`` away.

    >>> _groups([150.0, 100.0, 151.0, 200.0], 4.0)
    [1, 0, 1, 2]
    """
    order = np.argsort(values)
    rank, out, last = -1, [0] * len(values), -np.inf
    for i in order:
        if values[i] - last > apart:
            rank += 1
        out[i], last = rank, values[i]
    return out


def _by_order(values: Sequence[float], rates: Sequence[float], apart: float) -> list[float | None]:
    """Return a rate of the list for each value, None where the order does not settle it."""
    ranks = _groups(values, apart)
    if max(ranks) + 1 == len(rates):
        ascending = sorted(rates)
        return [ascending[r] for r in ranks]
    return [None] * len(values)


def _by_o2(o2: float, aims: Sequence[RateAim]) -> float | None:
    """Return the rate whose stated O2 is nearest, None unless every other one is clearly off."""
    stated = sorted((abs(a.o2_dry - o2), a.firing_rate) for a in aims if a.o2_dry is not None)
    if not stated or len(stated) < len(aims) or stated[0][0] > 2 * _CLEAR_O2:
        return None
    if len(stated) > 1 and stated[1][0] - stated[0][0] < _CLEAR_O2:
        return None
    return stated[0][1]


def with_proposed_rates(
    segments: Sequence[Segment], aims: Sequence[RateAim | float]
) -> list[Segment]:
    """Return the segments with a rate proposed on plateaus that have none.

    Parameters
    ----------
    segments : sequence of Segment
        A cut log.
    aims : sequence of RateAim or float
        The rates that the boiler is tested at [%].

    Notes
    -----
    By stack temperature a rate is proposed only where the log shows as many levels as the list has
    rates, for otherwise order alone names none.
    """
    known = [a if isinstance(a, RateAim) else RateAim(float(a)) for a in aims]
    open_ones = [
        i
        for i, s in enumerate(segments)
        if s.kind == "plateau" and s.firing_rate is None and "stack_temperature" in s.values
    ]
    out = list(segments)
    if not known or not open_ones:
        return out
    rates = [a.firing_rate for a in known]
    stack = [segments[i].values["stack_temperature"].mean for i in open_ones]
    by_stack = _by_order(stack, rates, 3.0)
    by_other: list[float | None] = [None] * len(open_ones)
    told_by = ""
    for key in RISING:
        if all(key in segments[i].values for i in open_ones):
            values = [segments[i].values[key].mean for i in open_ones]
            by_other = _by_order(values, rates, 0.03 * max(map(abs, values)))
            told_by = key
            break
    for n, i in enumerate(open_ones):
        o2 = segments[i].values.get("o2_dry")
        by_o2 = None if o2 is None else _by_o2(o2.mean, known)
        first = by_stack[n]
        second = by_other[n] if by_other[n] is not None else by_o2
        if first is None and second is None:
            continue
        basis: RateBasis = "two_signals" if first is not None and first == second else "proposed"
        words = [f"stack temperature by order names {first:g} %"] if first is not None else []
        if by_other[n] is not None:
            words.append(f"{told_by} by order names {by_other[n]:g} %")
        if by_o2 is not None:
            words.append(f"O2 is that stated for {by_o2:g} %")
        if first is not None and any(v not in (None, first) for v in (by_other[n], by_o2)):
            basis = "proposed"
        out[i] = replace(
            segments[i],
            firing_rate=first if first is not None else second,
            rate_basis=basis,
            why="; ".join((segments[i].why, *words)),
        )
    return out
