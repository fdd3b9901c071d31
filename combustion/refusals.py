"""Why a number is missing: reasons, the exception of scalar calls, the guard of functions.

One set of ranges serves both faces. A scalar call outside its range raises :class:`OutOfRange` with
the reason; a column gets NaN in that row, and :mod:`combustion.compute` names the reason per row.
Nothing is clamped.
"""

from __future__ import annotations

import functools
import inspect
import math
from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction
from typing import Any, ParamSpec, TypeAlias

import numpy as np
import pint

from combustion.units import UnitError, registry, spelt

Value: TypeAlias = Any
"""A float, or an array of float64 of any shape: what goes in as an array comes out as one."""

P = ParamSpec("P")


class OutOfRange(ValueError):
    """An input outside the range in which a formula means anything.

    Attributes
    ----------
    quantity : str
        Name of the argument or of the result that is refused.
    value : float or None
        The number as given, in the canonical unit.
    reason : str
        The sentence to show.
    """

    def __init__(self, quantity: str, value: float | None, reason: str) -> None:
        super().__init__(reason if value is None else f"{reason} (got {value:g})")
        self.quantity = quantity
        self.value = value
        self.reason = reason


class Reason(StrEnum):
    """The sentences that stand beside a missing value."""

    O2 = "O2 must be at least 0 and below the 20.9 % of ambient air"
    O2_DILUTED = "O2 above 15 %: the sample is too diluted to scale CO to no excess air"
    CO2 = "CO2 must be above 0 and at most what the fuel can give"
    CO = "CO must be from 0 to 100000 ppm"
    PPM = "a concentration must be from 0 to 100000 ppm"
    STACK = "stack temperature must be from -40 to 700 degC"
    AIR = "combustion air temperature must be from -40 to 80 degC"
    COLDER = "stack temperature is below combustion air temperature"
    HUMIDITY = "relative humidity must be from 0 to 100 %"
    PRESSURE = "absolute pressure must be from 50000 to 110000 Pa"
    ALTITUDE = "altitude must be from -450 to 5000 m"
    NO_AIR_LEFT = "the readings leave no air in the balance: no flame burns like that"


@dataclass(frozen=True, slots=True)
class Range:
    """Values that a formula accepts, in the canonical unit.

    Attributes
    ----------
    low, high : float
        Ends of the range.
    unit : str
        Canonical unit; a pint quantity in any fitting unit is converted to it.
    reason : Reason or str
        What is said of a value outside.
    open_low, open_high : bool
        Whether the end itself is refused.
    """

    low: float
    high: float
    unit: str
    reason: Reason | str
    open_low: bool = False
    open_high: bool = False

    def holds(self, value: Value) -> Any:
        """Return whether each value [unit] lies inside; NaN does not."""
        above = value > self.low if self.open_low else value >= self.low
        below = value < self.high if self.open_high else value <= self.high
        return above & below


AMBIENT_O2 = 20.9
"""Ambient O2 [% dry] as instruments are spanned and emission rules are written."""

O2 = Range(0.0, AMBIENT_O2, "%", Reason.O2, open_high=True)
O2_UNDILUTED = Range(0.0, 15.0, "%", Reason.O2_DILUTED)
CO2 = Range(0.0, 30.0, "%", Reason.CO2, open_low=True)
CO = Range(0.0, 100_000.0, "ppm", Reason.CO)
PPM = Range(0.0, 100_000.0, "ppm", Reason.PPM)
STACK = Range(-40.0, 700.0, "degC", Reason.STACK)
AIR = Range(-40.0, 80.0, "degC", Reason.AIR)
HUMIDITY = Range(0.0, 100.0, "%", Reason.HUMIDITY)
PRESSURE = Range(50_000.0, 110_000.0, "Pa", Reason.PRESSURE)
ALTITUDE = Range(-450.0, 5_000.0, "m", Reason.ALTITUDE)


@functools.lru_cache(maxsize=256)
def _from_units(units: Any, unit: str) -> tuple[float, float]:
    # By the unit object, not its text: pint cannot print a unit whose exponent is a fraction.
    target = spelt(unit)
    try:
        zero = registry.Quantity(Fraction(0), units).to(target).magnitude
        one = registry.Quantity(Fraction(1), units).to(target).magnitude
    except pint.DimensionalityError as error:
        raise UnitError(
            f"a quantity in {unit} is wanted: the one given measures something else",
            given=repr(units),
            wanted=unit,
        ) from error
    return float(one - zero), float(zero)


def _canonical(value: Any, unit: str) -> Any:
    if isinstance(value, float):
        return value
    if value is None:
        return math.nan
    if isinstance(value, pint.Quantity):
        magnitude = value.magnitude
        number: Any = (
            np.asarray(magnitude, dtype=np.float64) if np.ndim(magnitude) else float(magnitude)
        )
        factor, offset = _from_units(value.units, unit)
        return number * factor + offset
    if isinstance(value, (int, np.number)):
        return float(value)
    if isinstance(value, (list, tuple)):
        value = [math.nan if v is None else v for v in value]
    return np.asarray(value, dtype=np.float64)


def guarded(**ranges: Range) -> Callable[[Callable[P, Value]], Callable[P, Value]]:
    """Return a decorator that takes quantities at the door and runs the formula on floats.

    The named arguments may be floats in the canonical unit, arrays, lists with None, or quantities
    of the one pint registry in any fitting unit. NaN and None go through as NaN.
    """

    def decorate(formula: Callable[P, Value]) -> Callable[P, Value]:
        names = tuple(inspect.signature(formula).parameters)

        @functools.wraps(formula)
        def guard(*args: P.args, **kwargs: P.kwargs) -> Value:
            given: dict[str, Any] = dict(zip(names, args, strict=False))
            given.update(kwargs)
            columns = False
            missing = False
            for name, allowed in ranges.items():
                if name not in given:
                    continue
                value = given[name] = _canonical(given[name], allowed.unit)
                if isinstance(value, np.ndarray):
                    columns = True
                elif value != value:
                    missing = True
                elif not allowed.holds(value):
                    raise OutOfRange(name, value, str(allowed.reason))
            if not columns:
                if missing:
                    return math.nan
                return formula(**given)  # type: ignore[call-arg]
            bad: Any = False
            for name, allowed in ranges.items():
                value = given.get(name)
                if isinstance(value, np.ndarray):
                    bad = bad | ~allowed.holds(value)
                elif isinstance(value, float) and value != value:
                    bad = bad | True
            with np.errstate(all="ignore"):
                result = formula(**given)  # type: ignore[call-arg]
            return np.where(bad, np.nan, result)

        guard.ranges = ranges  # type: ignore[attr-defined]
        return guard

    return decorate
