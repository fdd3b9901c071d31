"""Firing points: readings of one burner, fuel, phase, firing rate and pass, as one figure each.

``assign`` puts rate, phase, fuel and burner on readings that lack them, from what the uploader
states; ``firing_points`` groups readings into points. File order is never assumed ascending, and
a return to the same rate after another one is a new pass, not a duplicate.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime

from parsers.model import Bound, Phase, Reading


@dataclass(frozen=True, slots=True)
class PointKey:
    """What tells one firing point of a visit from another."""

    burner: str
    fuel: str
    phase: Phase
    firing_rate: float
    pass_number: int = 1


@dataclass(frozen=True, slots=True)
class Settled:
    """One quantity over one firing point.

    ``mean`` and ``spread`` (sample standard deviation, 0 for a single reading) in the canonical
    unit; ``drift`` is the fitted change over the point's span, None under three timed samples;
    ``u_mean`` the standard uncertainty of the mean from scatter alone, autocorrelation respected.
    """

    mean: float
    spread: float = 0.0
    count: int = 1
    drift: float | None = None
    u_mean: float | None = None
    settled: bool | None = None


@dataclass(frozen=True, slots=True)
class FiringPoint:
    """Readings of one key as one point, what rules judge and the store keeps."""

    key: PointKey
    values: Mapping[str, Settled]
    count: int
    started: datetime | None = None
    ended: datetime | None = None
    bounds: Mapping[str, Bound] = field(default_factory=dict)
    missing: Mapping[str, str] = field(default_factory=dict)
    references: Mapping[str, float] = field(default_factory=dict)
    lines: tuple[int, ...] = ()
    readings: tuple[Reading, ...] = ()
    rate_basis: str = "stated"
    """Where the firing rate comes from: stated, file, confirmed, two_signals.

    A mere proposal never enters judging.
    """

    def mean(self, quantity: str) -> float | None:
        """Return the settled mean of a quantity in its canonical unit, None where not read."""
        settled = self.values.get(quantity)
        return None if settled is None else settled.mean

    @property
    def seconds(self) -> float | None:
        """Return the time span in seconds, None without times."""
        if self.started is None or self.ended is None:
            return None
        return (self.ended - self.started).total_seconds()
