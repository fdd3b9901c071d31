"""The boiler's target curve at one firing rate: O2 or CO2 as printed, compared as O2."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import TYPE_CHECKING, NamedTuple

from ingest.fuel_facts import o2_from_co2, same_fuel
from ingest.judgement import Source
from ingest.models import Band, TargetPoint

if TYPE_CHECKING:
    from ingest.rules.point import Point
    from ingest.rules.view import View


class BandAt(NamedTuple):
    """The O2 band that applies at one rate, and where it comes from."""

    low: float | None
    aim: float | None
    high: float | None
    source: Source

    def shown(self) -> str:
        """Return the band as a reviewer reads it."""
        if self.low is None:
            return f"at most {self.high:.1f} %"
        if self.high is None:
            return f"at least {self.low:.1f} %"
        return f"{self.low:.1f} to {self.high:.1f} %"


Edges = tuple[float | None, float | None, float | None]


def o2_edges(target: TargetPoint, fuel: str) -> Edges:
    """Return low, aim and high O2 [% dry] of a target, a CO2 band converted for the fuel."""
    if target.o2_dry is not None:
        band: Band = target.o2_dry
        return band.low, band.aim, band.high
    printed = target.co2_dry
    if printed is None:
        return None, None, None

    def converted(co2: float | None) -> float | None:
        return None if co2 is None else o2_from_co2(co2, fuel)

    # More CO2 is less O2: the band turns round.
    return converted(printed.high), converted(printed.aim), converted(printed.low)


def curve_for(targets: Sequence[TargetPoint], fuel: str) -> list[tuple[float, Edges]]:
    """Return (rate, edges) of the targets for a fuel; targets without a fuel hold for every one."""
    own = [t for t in targets if t.fuel is not None and same_fuel(t.fuel, fuel)]
    chosen = own or [t for t in targets if t.fuel is None]
    return [(t.firing_rate, o2_edges(t, fuel)) for t in chosen]


def _part(a: float | None, b: float | None, share: float) -> float | None:
    return None if a is None or b is None else a + share * (b - a)


def interpolated(curve: Sequence[tuple[float, Edges]], rate: float) -> Edges:
    """Return the edges at a rate, linear between targets and level beyond the ends.

    >>> interpolated([(20.0, (4.0, 5.0, 6.0)), (100.0, (2.0, 3.0, 4.0))], 60.0)
    (3.0, 4.0, 5.0)
    """
    if rate <= curve[0][0]:
        return curve[0][1]
    for (r0, e0), (r1, e1) in pairwise(curve):
        if rate <= r1:
            if r1 == r0:
                return e1
            share = (rate - r0) / (r1 - r0)
            return (
                _part(e0[0], e1[0], share),
                _part(e0[1], e1[1], share),
                _part(e0[2], e1[2], share),
            )
    return curve[-1][1]


def target_at(view: View, point: Point) -> BandAt:
    """Return the band at a point: the boiler's own target, else the default band."""
    key = (point.fuel, point.rate)
    held = view.bands.get(key)
    if held is None:
        held = view.bands[key] = _band(view, point)
    return held


def _band(view: View, point: Point) -> BandAt:
    curve = view.curve(point.fuel)
    if curve and view.limits.targets_source is not None:
        low, aim, high = interpolated(curve, point.rate)
        if low is not None or high is not None or aim is not None:
            return BandAt(low, aim, high, view.limits.targets_source)
    default = view.limits.limits["o2_band"]
    return BandAt(default.value[0], None, default.value[1], default.source)
