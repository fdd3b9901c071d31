"""What was taken for granted while reading, and fuels that nobody can name."""

from __future__ import annotations

from ingest.fuel_facts import facts, same_fuel
from ingest.rules.model import Rule
from ingest.rules.view import View

TAKEN = Rule(
    key="taken_for_granted",
    family="record",
    title="Taken for granted",
    meaning="Something was not stated, and reading went on with an assumption.",
    formula="none",
    default="none",
    source="the reader says what it assumed",
    status="common practice",
    causes="A phase, a zone or a file that does not say what it should.",
    next_step="State it, and judge again where it matters.",
    silent="When everything is stated.",
    needs="nothing",
)
FUEL_UNCLEAR = Rule(
    key="fuel_unclear",
    family="record",
    title="Fuel unclear",
    meaning="The fuel is not known by this name, or is not the boiler's: targets, dew point and "
    "gas balance rest on it.",
    formula="fuel of the points by name or composition; against the boiler's",
    default="none",
    source="the list of fuels",
    status="common practice",
    causes="A typing slip; a dual-fuel burner.",
    next_step="State the fuel by a known name or by its composition.",
    silent="When the fuel is known and the boiler's own.",
    needs="the fuel",
)


def judge(view: View) -> None:
    """Put down assumptions and unclear fuels."""
    for n, sentence in enumerate(view.case.assumed):
        view.flag(TAKEN, "info", sentence, tag=str(n))
    for fuel in sorted({p.raw.key.fuel for p in view.deciding}):
        if facts(fuel) is None:
            view.flag(
                FUEL_UNCLEAR,
                "info",
                f"The fuel {fuel[:60]!r} is not known: gas balance, dew point and CO2 targets are "
                "not judged.",
                tag=fuel[:60],
            )
        elif not same_fuel(fuel, view.boiler.fuel):
            view.flag(
                FUEL_UNCLEAR,
                "info",
                f"The points are read on {fuel[:60]} and the boiler's fuel is "
                f"{view.boiler.fuel[:60]}.",
                tag=fuel[:60],
            )


RULES = (TAKEN, FUEL_UNCLEAR)
