"""The computed columns against Cantera (gases) and CoolProp and iapws (water), on random grids.

Sources: Cantera's copy of NASA TM-4513 with its own mixture enthalpy, and its own heats of
formation where a heating value enters; CoolProp's IAPWS-95; iapws' IAPWS-IF97.
"""

from __future__ import annotations

import cantera as ct
import iapws
import numpy as np
import pytest
from CoolProp.CoolProp import PropsSI

from combustion.compute import Computed, compute
from combustion.fuel_text import fuel_from_text
from combustion.fuels import FUELS, Fuel, hydrogen_blend
from combustion.water import (
    heat_of_vaporisation,
    saturation_pressure,
    saturation_temperature,
)

GASES = ("O2", "N2", "Ar", "CO2", "CO", "H2O", "SO2")
CASES = 400
ELEMENTS = {"CO2": (1, 2), "CO": (1, 1), "O2": (0, 2), "H2O": (0, 1), "SO2": (0, 2)}

TESTED: list[Fuel] = [
    *FUELS.values(),
    hydrogen_blend(FUELS["natural_gas"], 30.0),
    fuel_from_text("mol:CH4=82 C2H6=6 C3H8=3 nC4H10=1 N2=5 CO2=3"),
]


def grid(rows: int, seed: int) -> dict[str, np.ndarray]:
    random = np.random.default_rng(seed)
    air = random.uniform(-10.0, 45.0, rows)
    altitude = random.uniform(0.0, 2500.0, rows)
    return {
        "o2_dry": random.uniform(0.5, 14.0, rows),
        "co_dry": random.uniform(0.0, 2000.0, rows),
        "stack_temperature": np.maximum(random.uniform(30.0, 350.0, rows), air + 1.0),
        "combustion_air_temperature": air,
        "relative_humidity": random.uniform(0.0, 100.0, rows),
        # The barometric formula again, by its textbook constants.
        "barometric_pressure": 101_325.0 * (1.0 - 2.25577e-5 * altitude) ** 5.25588,
    }


@pytest.fixture(scope="module")
def gas() -> ct.Solution:
    species = [s for s in ct.Species.list_from_file("nasa_gas.yaml") if s.name in GASES]
    return ct.Solution(thermo="ideal-gas", species=species)


def heat(gas: ct.Solution, amounts: dict[str, float], hot: float, cold: float) -> float:
    """Enthalpy difference [kJ] of amounts in mol, by Cantera."""
    moles = sum(amounts.values())
    gas.TPX = hot + 273.15, 101_325.0, amounts
    high = gas.enthalpy_mole
    gas.TP = cold + 273.15, 101_325.0
    return (high - gas.enthalpy_mole) * moles / 1e6


def combustion(fuel: Fuel, o2: float, co: float) -> dict[str, float]:
    """Solve the element balances as linear equations, in another way than the package does.

    Unknowns: air, CO2, CO, O2, N2, Ar, H2O, SO2 per unit of fuel; equations: six elements, and the
    measured O2 and CO in the dry gas.
    """
    x = {"O2": 0.20939, "Ar": 0.00933, "CO2": 0.0004}
    x["N2"] = 1.0 - sum(x.values())
    names = ["air", "CO2", "CO", "O2", "N2", "Ar", "H2O", "SO2"]
    at = {n: i for i, n in enumerate(names)}
    rows, right = [], []

    def equation(terms: dict[str, float], value: float) -> None:
        row = np.zeros(len(names))
        for name, factor in terms.items():
            row[at[name]] += factor
        rows.append(row)
        right.append(value)

    equation({"CO2": 1, "CO": 1, "air": -x["CO2"]}, fuel.carbon)
    equation({"H2O": 2}, fuel.hydrogen)
    equation({"SO2": 1}, fuel.sulphur)
    equation({"N2": 2, "air": -2 * x["N2"]}, fuel.nitrogen)
    equation({"Ar": 1, "air": -x["Ar"]}, fuel.inert)
    equation(
        {"CO2": 2, "CO": 1, "O2": 2, "H2O": 1, "SO2": 2, "air": -2 * x["O2"] - 2 * x["CO2"]},
        fuel.oxygen,
    )
    dry = ("CO2", "CO", "O2", "N2", "Ar", "SO2")
    equation({n: -o2 / 100 + (n == "O2") for n in dry}, 0.0)
    equation({n: -co / 1e6 + (n == "CO") for n in dry}, 0.0)
    return dict(zip(names, np.linalg.solve(np.array(rows), np.array(right)), strict=True))


@pytest.fixture(scope="module", params=TESTED, ids=lambda fuel: fuel.key)
def case(
    request: pytest.FixtureRequest, gas: ct.Solution
) -> tuple[Computed, dict[str, np.ndarray]]:
    """Our columns, and the same from the libraries."""
    fuel: Fuel = request.param
    columns = grid(CASES, seed=TESTED.index(fuel))
    h_fg = PropsSI("H", "T", 298.15, "Q", 1, "Water") - PropsSI("H", "T", 298.15, "Q", 0, "Water")
    kg = 0.018015268
    found: dict[str, list[float]] = {k: [] for k in ("co2", "eff", "dew", "share", "condensing")}
    for i in range(CASES):
        c = {k: float(v[i]) for k, v in columns.items()}
        pressure = c["barometric_pressure"]
        amounts = combustion(fuel, c["o2_dry"], c["co_dry"])
        air = amounts.pop("air")
        dry = sum(amounts.values()) - amounts["H2O"]
        t_air = c["combustion_air_temperature"]
        # CoolProp ends at the triple point: below it Magnus' formula over supercooled water (WMO).
        saturation = (
            PropsSI("P", "T", t_air + 273.15, "Q", 0, "Water")
            if t_air > 0.01
            else 611.2 * np.exp(17.62 * t_air / (243.12 + t_air))
        )
        vapour = c["relative_humidity"] / 100 * saturation
        water = amounts["H2O"] + air * vapour / (pressure - vapour)
        amounts["H2O"] = water
        flue = c["stack_temperature"]
        sensible = heat(gas, amounts, flue, t_air)
        dew = PropsSI("T", "P", pressure * water / (dry + water), "Q", 0, "Water") - 273.15
        condensed = credit = 0.0
        if flue < dew:
            p_s = PropsSI("P", "T", flue + 273.15, "Q", 0, "Water")
            condensed = water - dry * p_s / (pressure - p_s)
            steam = PropsSI("H", "T", flue + 273.15, "Q", 1, "Water")
            liquid = PropsSI("H", "T", flue + 273.15, "Q", 0, "Water")
            credit = condensed * kg * (steam - liquid) / 1e3
        latent = fuel.water * kg * h_fg / 1e3
        found["co2"].append(100 * amounts["CO2"] / dry)
        found["eff"].append(100 - 100 * (sensible + latent) / fuel.gross)
        found["dew"].append(dew)
        found["share"].append(condensed / fuel.water)
        found["condensing"].append(100 - 100 * (sensible + latent - credit) / fuel.gross)
    return compute(columns, fuel), {k: np.array(v) for k, v in found.items()}


Case = tuple[Computed, dict[str, np.ndarray]]


def test_efficiency_stands_within_0_05_points_of_cantera(case: Case) -> None:
    ours, theirs = case
    assert np.abs(ours.values["efficiency_gross"] - theirs["eff"]).max() < 0.05


def test_condensing_efficiency_stands_within_0_05_points_of_cantera_and_coolprop(
    case: Case,
) -> None:
    ours, theirs = case
    assert np.abs(ours.values["efficiency_gross_condensing"] - theirs["condensing"]).max() < 0.05


def test_dew_point_stands_within_0_1_kelvin_of_coolprop(case: Case) -> None:
    ours, theirs = case
    assert np.abs(ours.values["water_dew_point"] - theirs["dew"]).max() < 0.1


def test_co2_stands_within_0_01_percent_of_solved_element_balances(case: Case) -> None:
    ours, theirs = case
    assert np.abs(ours.values["co2_dry"] - theirs["co2"]).max() < 0.01


def test_condensed_share_stands_within_0_002_of_coolprop(case: Case) -> None:
    ours, theirs = case
    share = ours.values["condensed_share_of_combustion_water"]
    assert np.abs(share - theirs["share"]).max() < 0.002
    assert (share > 0.0).any(), "the grid must reach below the dew point"


def test_co2_of_complete_combustion_equals_canteras_own_mixing() -> None:
    """Cantera sets the fuel-air ratio itself and burns to completion: no formula of ours."""
    names = {"CH4", "C2H6", "C3H8", "N2", "CO2", "O2", "Ar", "H2O"}
    species = [s for s in ct.Species.list_from_file("nasa_gas.yaml") if s.name in names]
    mixture = ct.Solution(thermo="ideal-gas", species=species)
    fuel = FUELS["natural_gas"]
    air = {"O2": 0.20939, "Ar": 0.00933, "CO2": 0.0004, "N2": 0.78088}
    for ratio in (1.05, 1.3, 2.0):
        mixture.set_equivalence_ratio(1.0 / ratio, dict(fuel.composition), air)
        x = mixture.mole_fraction_dict()
        carbon = x["CH4"] + 2 * x["C2H6"] + 3 * x["C3H8"]
        burnt = 2 * x["CH4"] + 3.5 * x["C2H6"] + 5 * x["C3H8"]
        co2, o2 = x["CO2"] + carbon, x["O2"] - burnt
        dry = co2 + o2 + x["N2"] + x["Ar"]
        ours = compute({"o2_dry": [100 * o2 / dry]}, fuel).values
        assert ours["co2_dry"][0] == pytest.approx(100 * co2 / dry, abs=1e-9)
        assert ours["lambda"][0] == pytest.approx(ratio, abs=1e-9)


@pytest.mark.parametrize("kelvin", [273.16, 290.0, 300.0, 333.15, 373.15, 390.0])
def test_saturation_pressure_equals_iapws_if97(kelvin: float) -> None:
    expected = iapws.iapws97._PSat_T(kelvin) * 1e6
    assert saturation_pressure(kelvin - 273.15) == pytest.approx(expected, rel=1e-9)
    assert saturation_temperature(expected) == pytest.approx(kelvin - 273.15, abs=1e-6)


@pytest.mark.published
def test_saturation_pressure_at_300_k_of_iapws_r7_97_read_in_package_documentation() -> None:
    assert saturation_pressure(26.85) == pytest.approx(0.00353658941e6, rel=1e-8)


@pytest.mark.parametrize("celsius", [-10.0, -5.0, -1.0])
def test_saturation_below_zero_follows_supercooled_water_of_murphy_and_koop(celsius: float) -> None:
    """D. M. Murphy and T. Koop, Q. J. R. Meteorol. Soc. 131 (2005) 1539, eq. 10 (memory)."""
    t = celsius + 273.15
    logarithm = (
        54.842763
        - 6763.22 / t
        - 4.210 * np.log(t)
        + 0.000367 * t
        + np.tanh(0.0415 * (t - 218.8))
        * (53.878 - 1331.22 / t - 9.44523 * np.log(t) + 0.014025 * t)
    )
    assert saturation_pressure(celsius) == pytest.approx(float(np.exp(logarithm)), rel=2e-3)


def test_heat_of_vaporisation_stands_within_0_02_kj_of_coolprop_up_to_120_degc() -> None:
    for celsius in np.linspace(0.02, 120.0, 61):
        steam = PropsSI("H", "T", celsius + 273.15, "Q", 1, "Water")
        liquid = PropsSI("H", "T", celsius + 273.15, "Q", 0, "Water")
        assert heat_of_vaporisation(float(celsius)) == pytest.approx(
            (steam - liquid) / 1e3, abs=0.02
        )
