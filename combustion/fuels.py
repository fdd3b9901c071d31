"""Fuels: what they are made of, what heat they carry, what air they need.

A fuel is counted per mole (gas) or per kilogram (oil). Everything that the balances need follows
from its elements and its gross heating value at 25 degC; the net one is the gross less the heat of
vaporisation, at 25 degC, of the water that its hydrogen makes.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from types import MappingProxyType
from typing import Literal

from combustion.air import CO2_IN_DRY_AIR, MOLAR_MASS_DRY_AIR, O2_IN_DRY_AIR
from combustion.thermo import ENTHALPY
from combustion.water import HFG_25, MOLAR_MASS_WATER

MOLAR_MASS = {"C": 12.0106, "H": 1.00794, "O": 15.9994, "N": 14.0067, "S": 32.0648, "Ar": 39.948}
"""[g/mol], conventional atomic weights (C, S as in ISO 6976:2016)."""


@dataclass(frozen=True, slots=True)
class Component:
    """One gas that a fuel may contain: atoms per molecule and gross heat [kJ/mol] at 25 degC."""

    carbon: int
    hydrogen: int
    oxygen: int
    nitrogen: int
    sulphur: int
    gross: float
    inert: int = 0


# Gross heating values at 25 degC, ideal gas: ISO 6976:2016, Table 3 (quoted from an open library's
# data; CH4, C2H6, C3H8, the butanes and n-pentane read there in two places).
COMPONENTS: Mapping[str, Component] = MappingProxyType(
    {
        "CH4": Component(1, 4, 0, 0, 0, 890.58),
        "C2H6": Component(2, 6, 0, 0, 0, 1560.69),
        "C3H8": Component(3, 8, 0, 0, 0, 2219.17),
        "nC4H10": Component(4, 10, 0, 0, 0, 2877.40),
        "iC4H10": Component(4, 10, 0, 0, 0, 2868.20),
        "nC5H12": Component(5, 12, 0, 0, 0, 3535.77),
        "iC5H12": Component(5, 12, 0, 0, 0, 3528.83),
        "nC6H14": Component(6, 14, 0, 0, 0, 4194.95),
        "C2H4": Component(2, 4, 0, 0, 0, 1411.18),
        "C3H6": Component(3, 6, 0, 0, 0, 2058.02),
        "H2": Component(0, 2, 0, 0, 0, 285.83),
        "CO": Component(1, 0, 1, 0, 0, 282.98),
        "H2S": Component(0, 2, 0, 0, 1, 562.01),
        "CO2": Component(1, 0, 2, 0, 0, 0.0),
        "N2": Component(0, 0, 0, 2, 0, 0.0),
        "O2": Component(0, 0, 2, 0, 0, 0.0),
        "Ar": Component(0, 0, 0, 0, 0, 0.0, inert=1),
    }
)

Kind = Literal["gas", "oil"]


@dataclass(frozen=True)
class Fuel:
    """A fuel, counted per unit: one mole of gas or one kilogram of oil.

    Attributes
    ----------
    key, name : str
        Short name in files, and the name shown.
    kind : Kind
        ``"gas"`` or ``"oil"``.
    composition : Mapping of str to float
        Mole per cent of a gas, mass per cent of an oil, summing to 100.
    carbon, hydrogen, oxygen, nitrogen, sulphur, inert : float
        Atoms per unit [mol].
    gross : float
        Gross heating value at 25 degC [kJ per unit].
    source : str
        Where composition and heating value come from.
    note : str
        What was done to the composition as given, such as normalising its sum.
    """

    key: str
    name: str
    kind: Kind
    composition: Mapping[str, float] = field(hash=False)
    carbon: float
    hydrogen: float
    oxygen: float
    nitrogen: float
    sulphur: float
    inert: float
    gross: float
    source: str = ""
    note: str = ""

    @cached_property
    def water(self) -> float:
        """Water made by combustion [mol per unit]."""
        return self.hydrogen / 2.0

    @cached_property
    def net(self) -> float:
        """Net heating value at 25 degC [kJ per unit]."""
        return self.gross - self.water * MOLAR_MASS_WATER * 1e-3 * HFG_25

    @cached_property
    def o2_required(self) -> float:
        """O2 for complete combustion [mol per unit]."""
        return self.carbon + self.hydrogen / 4.0 + self.sulphur - self.oxygen / 2.0

    @cached_property
    def air_required(self) -> float:
        """Dry air for complete combustion [mol per unit]."""
        return self.o2_required / O2_IN_DRY_AIR

    @cached_property
    def dry_products_at_no_air(self) -> float:
        """CO2, SO2, fuel nitrogen and inert less the O2 drawn from the air [mol per unit]."""
        fixed = self.carbon + self.sulphur + self.nitrogen / 2.0 + self.inert
        return fixed - self.o2_required

    @cached_property
    def dry_products(self) -> float:
        """Dry stoichiometric flue gas [mol per unit]."""
        return self.dry_products_at_no_air + self.air_required

    @cached_property
    def co2_ultimate(self) -> float:
        """CO2 in the dry stoichiometric flue gas [% dry], the CO2 of the air included."""
        return 100.0 * (self.carbon + self.air_required * CO2_IN_DRY_AIR) / self.dry_products

    @cached_property
    def mass(self) -> float:
        """Mass of one unit [kg]."""
        if self.kind == "oil":
            return 1.0
        m = MOLAR_MASS
        grams = (
            self.carbon * m["C"]
            + self.hydrogen * m["H"]
            + self.oxygen * m["O"]
            + self.nitrogen * m["N"]
            + self.sulphur * m["S"]
            + self.inert * m["Ar"]
        )
        return grams * 1e-3

    @cached_property
    def air_required_mass(self) -> float:
        """Dry air for complete combustion [kg per kg of fuel]."""
        return self.air_required * MOLAR_MASS_DRY_AIR * 1e-3 / self.mass

    @cached_property
    def enthalpy(self) -> tuple[float, float, float, float, float]:
        """Coefficients [kJ per unit] of the products' enthalpy that do not depend on the air.

        CO2, H2O, SO2, fuel nitrogen and inert of complete combustion, less the O2 drawn from the
        air; the whole dry air is counted apart.
        """
        e = ENTHALPY
        amounts = {
            "CO2": self.carbon,
            "H2O": self.water,
            "SO2": self.sulphur,
            "N2": self.nitrogen / 2.0,
            "Ar": self.inert,
            "O2": -self.o2_required,
        }
        sums = [sum(n * e[s][k] for s, n in amounts.items()) for k in range(5)]
        return (sums[0], sums[1], sums[2], sums[3], sums[4])


def gas(
    key: str, name: str, percent: Mapping[str, float], source: str = "", note: str = ""
) -> Fuel:
    """Return a gas by its mole per cent, which must sum to 100.

    Parameters
    ----------
    key, name : str
        Short name and the name shown.
    percent : Mapping of str to float
        Keys of ``COMPONENTS`` and mole per cent.
    source, note : str
        Where the composition comes from, and what was done to it.

    Returns
    -------
    Fuel
        Counted per mole.

    Raises
    ------
    ValueError
        For an unknown component, a negative share or a gas that does not burn.
    """
    unknown = sorted(set(percent) - set(COMPONENTS))
    if unknown:
        raise ValueError(f"unknown gas {unknown[0]!r}; known are {', '.join(COMPONENTS)}")
    total = dict.fromkeys(("carbon", "hydrogen", "oxygen", "nitrogen", "sulphur", "inert"), 0.0)
    gross = 0.0
    for component, share in percent.items():
        part = COMPONENTS[component]
        if not share >= 0.0:
            raise ValueError(f"share of {component} must not be negative")
        for element in total:
            total[element] += getattr(part, element) * share / 100.0
        gross += part.gross * share / 100.0
    fuel = Fuel(
        key=key,
        name=name,
        kind="gas",
        composition=MappingProxyType(dict(percent)),
        gross=gross,
        source=source,
        note=note,
        **total,
    )
    if not (fuel.o2_required > 0.0 and fuel.net > 0.0):
        raise ValueError(f"{name}: this composition does not burn")
    return fuel


def oil(
    key: str,
    name: str,
    percent: Mapping[str, float],
    gross: float,
    source: str = "",
    note: str = "",
) -> Fuel:
    """Return an oil by its ultimate analysis in mass per cent, which must sum to 100.

    Parameters
    ----------
    key, name : str
        Short name and the name shown.
    percent : Mapping of str to float
        Shares of C, H, S, O, N [mass %].
    gross : float
        Gross heating value at 25 degC [kJ/kg].
    source, note : str
        Where the analysis comes from, and what was done to it.

    Returns
    -------
    Fuel
        Counted per kilogram.

    Raises
    ------
    ValueError
        For an unknown element, a negative share or a heating value no oil has.
    """
    unknown = sorted(set(percent) - {"C", "H", "S", "O", "N"})
    if unknown:
        raise ValueError(f"unknown element {unknown[0]!r}; an oil is given in C, H, S, O, N")
    if min(percent.values(), default=-1.0) < 0.0:
        raise ValueError("a share of an element must not be negative")
    if not 5_000.0 <= gross <= 145_000.0:
        raise ValueError(f"gross heating value {gross / 1e3:g} MJ/kg is outside 5 to 145 MJ/kg")
    moles = {e: percent.get(e, 0.0) * 10.0 / MOLAR_MASS[e] for e in ("C", "H", "O", "N", "S")}
    fuel = Fuel(
        key=key,
        name=name,
        kind="oil",
        composition=MappingProxyType(dict(percent)),
        carbon=moles["C"],
        hydrogen=moles["H"],
        oxygen=moles["O"],
        nitrogen=moles["N"],
        sulphur=moles["S"],
        inert=0.0,
        gross=gross,
        source=source,
        note=note,
    )
    if not (fuel.o2_required > 0.0 and fuel.net > 0.0):
        raise ValueError(f"{name}: this composition does not burn")
    return fuel


def hydrogen_blend(base: Fuel, hydrogen_percent: float) -> Fuel:
    """Return a gas with hydrogen mixed in.

    Parameters
    ----------
    base : Fuel
        The gas without the added hydrogen.
    hydrogen_percent : float
        Hydrogen in the blend [mol %], 0 to 100; burners built for natural gas stop far below.

    Returns
    -------
    Fuel
        The blend, counted per mole.

    Raises
    ------
    ValueError
        For an oil or a share outside 0 to 100.

    Examples
    --------
    >>> round(hydrogen_blend(FUELS["methane"], 20.0).gross, 2)
    769.63
    """
    if base.kind != "gas":
        raise ValueError("hydrogen can be blended into a gas only")
    if not 0.0 <= hydrogen_percent <= 100.0:
        raise ValueError("hydrogen must be from 0 to 100 mol %")
    rest = (100.0 - hydrogen_percent) / 100.0
    percent = {c: share * rest for c, share in base.composition.items()}
    percent["H2"] = percent.get("H2", 0.0) + hydrogen_percent
    return gas(
        f"{base.key}+{hydrogen_percent:g}%H2",
        f"{base.name} with {hydrogen_percent:g} % hydrogen",
        percent,
        base.source,
    )


_TYPICAL = "typical composition, common practice; the supplier's analysis is better"

FUELS: Mapping[str, Fuel] = MappingProxyType(
    {
        fuel.key: fuel
        for fuel in (
            gas(
                "natural_gas",
                "Natural gas",
                {"CH4": 95.0, "C2H6": 2.5, "C3H8": 0.2, "N2": 1.6, "CO2": 0.7},
                _TYPICAL,
            ),
            gas("methane", "Methane", {"CH4": 100.0}, "pure substance"),
            gas("propane", "Propane", {"C3H8": 100.0}, "pure substance"),
            gas("n_butane", "n-Butane", {"nC4H10": 100.0}, "pure substance"),
            gas(
                "lpg",
                "LPG, commercial propane",
                {"C2H6": 1.0, "C3H6": 4.0, "C3H8": 92.5, "nC4H10": 1.0, "iC4H10": 1.5},
                _TYPICAL,
            ),
            gas(
                "lpg_mix",
                "LPG, 60 % propane and 40 % butanes",
                {"C3H8": 60.0, "nC4H10": 28.0, "iC4H10": 12.0},
                _TYPICAL,
            ),
            oil(
                "no2_oil",
                "No. 2 oil",
                {"C": 87.0, "H": 12.95, "S": 0.05},
                45_260.0,
                _TYPICAL,
            ),
        )
    }
)
"""Fuels by key. Compositions are typical ones, said to be so."""
