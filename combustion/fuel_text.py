"""A fuel as people write it: a name, or a composition by mole or by mass."""

from __future__ import annotations

import re
from functools import lru_cache

from combustion.fuels import COMPONENTS, FUELS, Fuel, gas, hydrogen_blend, oil
from combustion.units import UnitError, conversion

_NAMES = {
    "naturalgas": "natural_gas",
    "natgas": "natural_gas",
    "ng": "natural_gas",
    "erdgas": "natural_gas",
    "gaznaturel": "natural_gas",
    "gasnatural": "natural_gas",
    "methane": "methane",
    "methan": "methane",
    "propane": "propane",
    "propan": "propane",
    "propano": "propane",
    "nbutane": "n_butane",
    "butane": "n_butane",
    "butan": "n_butane",
    "butano": "n_butane",
    "lpg": "lpg",
    "lpgas": "lpg",
    "lpgmix": "lpg_mix",
    "no2oil": "no2_oil",
    "no2fueloil": "no2_oil",
    "no2heatingoil": "no2_oil",
    "number2oil": "no2_oil",
    "#2oil": "no2_oil",
    "#2fueloil": "no2_oil",
    "fueloil": "no2_oil",
    "fueloil2": "no2_oil",
    "fueloilno2": "no2_oil",
    "heatingoil": "no2_oil",
    "lightoil": "no2_oil",
    "lightfueloil": "no2_oil",
    "oil": "no2_oil",
    "oil2": "no2_oil",
    "heizöl": "no2_oil",
    "heizölel": "no2_oil",
    "fioul": "no2_oil",
}

# How components are written, folded -> key of COMPONENTS. Plain C4H10 and up mean the normal chain.
_COMPONENTS = {key.casefold(): key for key in COMPONENTS} | {
    "c4h10": "nC4H10",
    "n-c4h10": "nC4H10",
    "i-c4h10": "iC4H10",
    "nc4": "nC4H10",
    "ic4": "iC4H10",
    "c5h12": "nC5H12",
    "n-c5h12": "nC5H12",
    "i-c5h12": "iC5H12",
    "nc5": "nC5H12",
    "ic5": "iC5H12",
    "c6h14": "nC6H14",
    "n-c6h14": "nC6H14",
    "nc6": "nC6H14",
}

_PAIR = re.compile(r"\s*([A-Za-z0-9\-]+)\s*=\s*([^\s,;]+)\s*[,;]?")


class FuelError(ValueError):
    """A fuel that cannot be understood or does not add up.

    Attributes
    ----------
    text : str
        The fuel as it was written.
    """

    def __init__(self, text: str, why: str) -> None:
        super().__init__(
            f"fuel {text!r}: {why}; write a name such as 'natural gas', or "
            "'mol:CH4=95 C2H6=2.5 N2=2.5', or 'mass:C=87 H=12.95 S=0.05 gross=45.26MJ/kg'"
        )
        self.text = text


@lru_cache(maxsize=1024)
def fuel_from_text(text: str) -> Fuel:
    """Return the fuel that a text names or describes.

    Parameters
    ----------
    text : str
        A name, a key of ``FUELS``, ``mol:`` with mole per cent of gases, ``mass:`` with mass per
        cent of elements and ``gross=`` with its unit, or ``<gas>+20%H2``. Spaces, commas and
        semicolons separate.

    Returns
    -------
    Fuel
        Its ``note`` says so where the sum was not 100 and was normalised.

    Raises
    ------
    FuelError
        For an unknown name or component, a number that is none, or a sum more than 0.5 off 100.

    Examples
    --------
    >>> fuel_from_text("natural gas").key
    'natural_gas'
    >>> fuel_from_text("mol:CH4=95, C2H6=2.5, N2=2.2").note
    'composition sums to 99.7 %, normalised to 100 %'
    """
    written = text.strip()
    kind, colon, rest = written.partition(":")
    if colon and kind.strip().casefold() in ("mol", "mass"):
        return _from_composition(written, kind.strip().casefold(), rest)
    base, plus, added = written.partition("+")
    if plus:
        share = re.fullmatch(r"\s*([0-9.]+)\s*%\s*(H2|hydrogen)\s*", added, re.IGNORECASE)
        if share is None:
            raise FuelError(text, "after '+' stands the added hydrogen, as in '+20%H2'")
        try:
            return hydrogen_blend(fuel_from_text(base), float(share[1]))
        except ValueError as error:
            raise error if isinstance(error, FuelError) else FuelError(text, str(error)) from error
    folded = re.sub(r"[\s_.\-]+", "", written.casefold())
    if written in FUELS:
        return FUELS[written]
    if folded in _NAMES:
        return FUELS[_NAMES[folded]]
    raise FuelError(text, "not a known name")


def _from_composition(text: str, kind: str, rest: str) -> Fuel:
    percent: dict[str, float] = {}
    gross: float | None = None
    at = 0
    rest = rest.strip()
    while at < len(rest):
        pair = _PAIR.match(rest, at)
        if pair is None:
            raise FuelError(text, f"cannot understand {rest[at:]!r}")
        at = pair.end()
        name, value = pair[1], pair[2]
        if kind == "mass" and name.casefold() == "gross":
            gross = _heating_value(text, value)
            continue
        if kind == "mol":
            component = _COMPONENTS.get(name.casefold())
        else:
            component = name.upper() if name.upper() in ("C", "H", "S", "O", "N") else None
        if component is None:
            raise FuelError(text, f"unknown component {name!r}")
        if component in percent:
            raise FuelError(text, f"{name!r} is given twice")
        percent[component] = _share(text, name, value)
    total = sum(percent.values())
    if not 99.5 - 1e-9 <= total <= 100.5 + 1e-9:
        raise FuelError(text, f"composition sums to {total:g} %, not near 100 %")
    note = ""
    if abs(total - 100.0) > 1e-9:
        note = f"composition sums to {total:g} %, normalised to 100 %"
        percent = {c: share * 100.0 / total for c, share in percent.items()}
    try:
        if kind == "mol":
            return gas(text, text, percent, "composition as given", note)
        if gross is None:
            raise FuelError(text, "an oil needs its heating value, as in gross=45.26MJ/kg")
        return oil(text, text, percent, gross, "analysis as given", note)
    except FuelError:
        raise
    except ValueError as error:
        raise FuelError(text, str(error)) from error


def _share(text: str, name: str, value: str) -> float:
    try:
        share = float(value.rstrip("%"))
    except ValueError as error:
        raise FuelError(text, f"share of {name}: {value!r} is not a number") from error
    if not 0.0 <= share <= 100.5:
        raise FuelError(text, f"share of {name} is {share:g} %, outside 0 to 100 %")
    return share


def _heating_value(text: str, value: str) -> float:
    match = re.fullmatch(r"([0-9.]+(?:[eE][0-9]+)?)\s*([A-Za-z_]+/[A-Za-z]+)", value)
    if match is None:
        raise FuelError(text, f"gross={value}: a heating value needs its unit, as in 45.26MJ/kg")
    unit = re.sub(r"^btu", "Btu_it", match[2], flags=re.IGNORECASE)
    try:
        return conversion(unit, "kJ/kg")(float(match[1]))
    except (UnitError, ValueError) as error:
        raise FuelError(text, f"gross={value}: {error}") from error
