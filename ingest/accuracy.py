"""Standard uncertainty of one reading, from the instrument's stated accuracy or a named default.

Two parts are told apart: what all readings of a visit share (calibration: the same cell, the same
zero) and what each has for itself (repeatability, scatter). A difference between two rates keeps
only the second; a level keeps both.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import hypot, isfinite, sqrt
from types import MappingProxyType

from ingest.models import AccuracySpec, Instrument
from parsers.points import Settled


@dataclass(frozen=True, slots=True)
class DefaultAccuracy:
    """Accuracy taken where the visit states none, with where it comes from."""

    spec: AccuracySpec
    source: str
    status: str


def _default(absolute: float, percent: float, coverage: float, source: str) -> DefaultAccuracy:
    status = "read" if source.startswith("OIML") else "common practice"
    return DefaultAccuracy(
        AccuracySpec(absolute=absolute, percent=percent, coverage=coverage), source, status
    )


_OIML = "OIML R 144-1:2013, maximum permissible error in use, taken as rectangular"
_CELL = "usual statement for a portable analyzer's cell, 95 %"
_PROBE = "usual statement for a thermocouple probe in flue gas, 95 %"
_GAUGE = "usual statement for a plant gauge, 95 %"

DEFAULTS: Mapping[str, DefaultAccuracy] = MappingProxyType(
    {
        "o2_dry": _default(0.2, 0.0, 2.0, _CELL),
        "o2_wet": _default(0.3, 0.0, 2.0, _CELL),
        "co2_dry": _default(0.3, 0.0, 2.0, _CELL),
        "co_dry": _default(5.0, 10.0, 0.0, _OIML),
        "no_dry": _default(5.0, 10.0, 0.0, _OIML),
        "no2_dry": _default(5.0, 10.0, 0.0, _OIML),
        "nox_dry": _default(5.0, 10.0, 0.0, _OIML),
        "room_co": _default(2.0, 10.0, 2.0, _CELL),
        "stack_temperature": _default(2.0, 1.0, 2.0, _PROBE),
        "combustion_air_temperature": _default(1.0, 0.0, 2.0, _PROBE),
        "return_water_temperature": _default(2.0, 0.0, 2.0, _GAUGE),
        "supply_water_temperature": _default(2.0, 0.0, 2.0, _GAUGE),
        "intake_o2": _default(0.1, 0.0, 2.0, _CELL),
        "intake_co2": _default(0.1, 0.0, 2.0, _CELL),
        "flame_signal": _default(0.1, 2.0, 2.0, _GAUGE),
        "gas_inlet_pressure": _default(20.0, 2.0, 2.0, _GAUGE),
        "manifold_pressure": _default(5.0, 2.0, 2.0, _GAUGE),
        "stack_draft": _default(2.0, 3.0, 2.0, _GAUGE),
        "overfire_draft": _default(2.0, 3.0, 2.0, _GAUGE),
        "smoke_number": _default(0.5, 0.0, 2.0, "eye against the grey scale, 95 %"),
        "fuel_input": _default(0.0, 3.0, 2.0, "timed at the meter, 95 %"),
    }
)

REPEATABILITY_SHARE = 1.0 / 3.0
"""Part of the stated accuracy taken as each reading's own: common practice."""

_Half = tuple[float, float, float]
_EXACT: _Half = (0.0, 0.0, 1.0)
_default_triples: dict[str, _Half] = {}


def _triple(spec: AccuracySpec) -> _Half:
    divisor = spec.coverage if spec.coverage > 0 else sqrt(3.0)
    return (spec.absolute or 0.0) / divisor, (spec.percent or 0.0) / 100.0 / divisor, divisor


_default_triples.update({key: _triple(found.spec) for key, found in DEFAULTS.items()})


def _scatter(settled: Settled) -> float:
    scatter = settled.u_mean
    if scatter is None:
        scatter = settled.spread / sqrt(settled.count) if settled.count > 1 else 0.0
    return scatter if isfinite(scatter) and scatter > 0.0 else 0.0


class Accuracies:
    """The instrument in use: standard uncertainty by quantity."""

    __slots__ = ("_stated", "_triples")

    def __init__(self, instrument: Instrument) -> None:
        self._stated = instrument.accuracies
        self._triples = _default_triples
        if instrument.accuracies:
            self._triples = {**_default_triples}
            for key, spec in instrument.accuracies.items():
                if spec.absolute is not None or spec.percent is not None:
                    self._triples[key] = _triple(spec)

    def calibration(self, quantity: str, value: float) -> float:
        """Return the standard uncertainty shared by all readings of the visit, canonical unit."""
        absolute, share, _ = self._triples.get(quantity, _EXACT)
        relative = share * abs(value)
        return relative if relative > absolute else absolute

    def own(self, quantity: str, settled: Settled) -> float:
        """Return the standard uncertainty a reading has for itself: repeatability and scatter."""
        repeat = self.calibration(quantity, settled.mean) * REPEATABILITY_SHARE
        return hypot(repeat, _scatter(settled))

    def level(self, quantity: str, settled: Settled) -> float:
        """Return the standard uncertainty of a level: calibration and scatter."""
        calibration = self.calibration(quantity, settled.mean)
        if settled.count > 1 or settled.u_mean:
            return hypot(calibration, _scatter(settled))
        return calibration  # a single reading does not scatter
