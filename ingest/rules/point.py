"""One firing point as the rules look at it: plain floats, and how sure each of them is."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from math import isfinite, sqrt

from combustion.refusals import AMBIENT_O2, O2_UNDILUTED
from ingest.accuracy import Accuracies
from ingest.earlier import Place
from ingest.fuel_facts import fuel_key
from ingest.models import Visit
from parsers.model import Phase
from parsers.points import FiringPoint, Settled

UNDILUTED_O2 = O2_UNDILUTED.high
"""Above this O2 [% dry] CO air-free is not formed: an error of O2 is blown up beyond use."""
AIR_O2 = AMBIENT_O2
"""O2 of dry air in the CO air-free formula as the field writes it (status: memory)."""

_FOR_ALL_POINTS = frozenset(
    {
        "combustion_air_temperature",
        "supply_water_temperature",
        "return_water_temperature",
        "barometric_pressure",
    }
)
"""Quantities that a visit may state once for all its points."""


class Point:
    """One firing point with the numbers that several rules want.

    ``mean(quantity)`` is the settled mean, None where not read or not finite.
    """

    __slots__ = (
        "_u",
        "accuracies",
        "burner",
        "co",
        "co_af",
        "fuel",
        "mean",
        "o2",
        "phase",
        "place",
        "rate",
        "raw",
        "stack",
        "u_co_af",
        "u_o2",
        "values",
        "visit",
    )

    def __init__(self, raw: FiringPoint, accuracies: Accuracies, visit: Visit) -> None:
        key = raw.key
        self.visit = visit
        self.raw = raw
        self.accuracies = accuracies
        self._u: dict[str, float] = {}
        self.rate = key.firing_rate
        self.burner = key.burner
        self.fuel = fuel_key(key.fuel)
        self.place: Place = (self.burner, self.fuel, self.rate)
        self.phase: Phase = key.phase
        self.values: Mapping[str, Settled] = raw.values
        means = {k: mean for k, s in raw.values.items() if isfinite(mean := s.mean)}
        self.mean: Callable[[str], float | None] = means.get
        self.o2 = self.mean("o2_dry")
        self.co = self.mean("co_dry")
        self.stack = self.mean("stack_temperature")
        self.u_o2 = 0.0 if self.o2 is None else self.u("o2_dry")
        self.co_af: float | None = None
        self.u_co_af = 0.0
        if self.co is not None and self.o2 is not None and self.o2 <= UNDILUTED_O2:
            gain = AIR_O2 / (AIR_O2 - self.o2)
            self.co_af = self.co * gain
            slope = self.co_af / (AIR_O2 - self.o2)
            u_co = gain * self.u("co_dry")
            u_o2 = slope * self.u_o2
            self.u_co_af = sqrt(u_co * u_co + u_o2 * u_o2)

    def number(self, quantity: str) -> float | None:
        """Return the mean, else what the visit states for all points, else None."""
        mean = self.mean(quantity)
        if mean is None and quantity in _FOR_ALL_POINTS:
            stated: float | None = getattr(self.visit, quantity)
            return stated if stated is None or isfinite(stated) else None
        return mean

    def u(self, quantity: str) -> float:
        """Return the standard uncertainty of the level: calibration and scatter."""
        held = self._u.get(quantity)
        if held is not None:
            return held
        settled = self.values.get(quantity)
        if settled is not None:
            u = self.accuracies.level(quantity, settled)
        else:
            value = self.number(quantity)
            u = 0.0 if value is None else self.accuracies.calibration(quantity, value)
        self._u[quantity] = u
        return u

    def own_u(self, quantity: str) -> float:
        """Return the standard uncertainty that other rates do not share."""
        return self.accuracies.own(quantity, self.values[quantity])

    def at(self) -> str:
        """Return where it is, as a reviewer reads it."""
        burner = "" if self.burner == "1" else f", burner {self.burner}"
        return f"at {self.rate:g} %{burner}"
