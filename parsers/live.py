"""While readings come in: the trend of each quantity, and whether it has settled."""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from parsers.settled import tolerance

Trend = Literal["rising", "falling", "steady", "unknown"]


@dataclass(frozen=True, slots=True)
class Now:
    """The latest value of a quantity, its change over the window, its trend and whether settled."""

    value: float
    change: float | None
    trend: Trend
    settled: bool


@dataclass(slots=True)
class LiveQuantity:
    """The last stretch of one quantity; ``window`` [s] is at least the instrument's response time.

    Settled means that a whole window was seen and its fitted change, three standard uncertainties
    added, stays within twice what matters for the quantity (``parsers.settled.TOLERANCE``).
    """

    quantity: str
    window: float = 30.0
    _samples: deque[tuple[float, float]] = field(default_factory=deque)

    def push(self, time: float, value: float) -> None:
        """Take a sample; time [s] must not run backwards."""
        self._samples.append((time, value))
        while self._samples and time - self._samples[0][0] > self.window:
            self._samples.popleft()

    def now(self) -> Now | None:
        """Return the state after the latest sample, None before the first."""
        if not self._samples:
            return None
        value = self._samples[-1][1]
        if len(self._samples) < 6:
            return Now(value, None, "unknown", False)
        t, y = np.array(self._samples).T
        span = float(t[-1] - t[0])
        if span <= 0:
            return Now(value, None, "unknown", False)
        t = t - t.mean()
        ss = float(t @ t)
        slope = float(t @ y) / ss
        rest = y - y.mean() - slope * t
        scatter = math.sqrt(float(rest @ rest) / (len(y) - 2))
        change, unsure = slope * span, 3 * scatter / math.sqrt(ss) * span
        near, _ = tolerance(self.quantity, value, scatter)
        full = span >= 0.9 * self.window
        moving = abs(change) > max(near, unsure)
        trend: Trend = "steady" if not moving else "rising" if change > 0 else "falling"
        return Now(value, change, trend, full and abs(change) + unsure <= 2 * near + unsure * 0.5)
