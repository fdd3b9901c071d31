"""Facts of a fuel that the rules need as plain floats, worked out once per fuel text.

Dry complete combustion is exact and linear here: CO2 = CO2 ultimate * (1 - O2 / 20.946).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

DRY_AIR_O2 = 20.946


@dataclass(frozen=True, slots=True)
class FuelFacts:
    """CO2 ultimate [% dry] of one fuel, and water made per mole of dry stoichiometric flue."""

    key: str
    co2_ultimate: float


_FIRST_CUT = {"natural_gas": 11.8, "propane": 13.7, "oil": 15.4}


def folded(fuel: str) -> str:
    """Return a fuel's text for comparing.

    >>> folded(" Natural Gas ")
    'natural_gas'
    """
    return "_".join(fuel.casefold().replace("-", " ").replace("_", " ").split())


@lru_cache(maxsize=256)
def facts(fuel: str) -> FuelFacts | None:
    """Return the facts of a fuel, None where it is not known."""
    key = folded(fuel)
    ultimate = _FIRST_CUT.get(key)
    return None if ultimate is None else FuelFacts(key, ultimate)


def same_fuel(one: str, other: str) -> bool:
    """Return whether two texts name one fuel."""
    return one == other or folded(one) == folded(other)


def o2_from_co2(co2: float, fuel: str) -> float | None:
    """Return O2 [% dry] that goes with CO2 [% dry] when the fuel burns out, None if unknown."""
    known = facts(fuel)
    return None if known is None else DRY_AIR_O2 * (1.0 - co2 / known.co2_ultimate)
