"""Numbers as people read them: the unit system of the reader, decimals from the glossary.

The glossary says what a quantity is and its canonical unit; this says only which unit a reader of
US customary units sees instead, and with how many more or fewer decimals.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from api.chart_spec import held_words, number, rate_words
from api.settings import UnitSystem
from api.words import N_, _, words
from combustion.quantities import QUANTITIES
from combustion.units import conversion
from parsers import Phase

# Canonical unit -> (unit for conversion, its label, change of decimals).
_US: dict[str, tuple[str, str, int]] = {
    "degC": ("degF", "°F", 0),
    "K": ("delta_degF", "°F", 0),
    "Pa": ("inWC", "inWC", 2),
    "kW": ("MBH", "MBH", 0),
    "m": ("ft", "ft", 0),
    "m^3/h": ("ft3/h", "ft³/h", 0),
}
_SI_LABELS = {"degC": "°C", "uA": "µA", "m^3/h": "m³/h", "1": ""}
# Gauge pressures of water, steam and oil are read in psi and bar, not in columns of water.
_GAUGE = {"steam_pressure", "water_pressure", "pump_pressure"}

PHASE_WORDS: dict[Phase, str] = {
    "as_found": N_("as found"),
    "trial": N_("trial"),
    "as_left": N_("as left"),
}
SEVERITY_WORDS = {"stop": N_("STOP"), "fix": N_("FIX"), "check": N_("CHECK"), "info": N_("INFO")}
STATE_WORDS = {
    "open": N_("open"),
    "handed_in": N_("handed in"),
    "accepted": N_("accepted"),
    "sent_back": N_("sent back"),
}


@dataclass(frozen=True, slots=True)
class Shown:
    """Text for numbers in one unit system.

    >>> Shown("us").value("stack_temperature", 180.0)
    '356 °F'
    >>> Shown("si").value("stack_draft", -12.4)
    '−12 Pa'
    """

    system: UnitSystem

    def _target(self, key: str, unit: str | None = None) -> tuple[str, str, int]:
        canonical = unit or QUANTITIES[key].unit
        if key in _GAUGE:
            return ("psi", "psi", 0) if self.system == "us" else ("bar", "bar", 1)
        if self.system == "us" and canonical in _US:
            return _US[canonical]
        return canonical, _SI_LABELS.get(canonical, canonical), 0

    def unit(self, key: str) -> str:
        """Return the label of the unit in which a quantity is shown."""
        return self._target(key)[1]

    def decimals(self, key: str) -> int:
        """Return how many decimals a quantity is shown with."""
        return QUANTITIES[key].decimals + self._target(key)[2]

    def converted(self, key: str, value: float) -> float:
        """Return a canonical value in the unit shown."""
        return conversion(QUANTITIES[key].unit, self._target(key)[0])(value)

    def spread(self, key: str, difference: float) -> float:
        """Return a canonical difference in the unit shown: the factor of a unit, never its offset.

        >>> Shown("us").spread("stack_temperature", 10.0)
        18.0
        """
        return difference * conversion(QUANTITIES[key].unit, self._target(key)[0]).factor

    def canonical(self, key: str, value: float) -> float:
        """Return a value in the unit shown in the canonical one.

        >>> Shown("us").canonical("stack_temperature", 212.0)
        100.0
        """
        return conversion(self._target(key)[0], QUANTITIES[key].unit)(value)

    def figure(self, key: str, value: float | None) -> str:
        """Return the number alone, an en dash where there is none."""
        if value is None:
            return "–"
        return number(self.converted(key, value), self.decimals(key))

    def value(self, key: str, value: float | None) -> str:
        """Return the number with its unit."""
        text, unit = self.figure(key, value), self.unit(key)
        return f"{text} {unit}" if unit and value is not None else text

    def limit(self, key: str, low: float | None, high: float | None) -> str:
        """Return a limit in words."""
        shown = [None if end is None else self.converted(key, end) for end in (low, high)]
        return held_words(shown[0], shown[1], self.decimals(key), self.unit(key))


def label(key: str) -> str:
    """Return a quantity's short name."""
    return _(QUANTITIES[key].label) if key in QUANTITIES else key.replace("_", " ")


def rates(firing_rates: Iterable[float]) -> str:
    """Return firing rates as text.

    >>> rates((25.0, 100.0))
    '25 % and 100 %'
    """
    shown = [rate_words(rate) for rate in firing_rates]
    if len(shown) < 2:
        return "".join(shown)
    return _("{first} and {last}", first=", ".join(shown[:-1]), last=shown[-1])


def day(when: datetime | None) -> str:
    """Return a date without ambiguity."""
    return _("no date") if when is None else words().day(when)
