"""Identities: elements and energy balance, inverse functions, monotone where physics is."""

from __future__ import annotations

from pathlib import Path

import cantera as ct
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from combustion import thermo
from combustion.air import ARGON_IN_DRY_AIR, CO2_IN_DRY_AIR, N2_IN_DRY_AIR, O2_IN_DRY_AIR
from combustion.conventions import (
    CONVENTIONS,
    efficiency_gross_by_convention,
    reference_temperature_term_gross,
    sensible_heat_of_products,
)
from combustion.fuels import FUELS, Fuel, gas, hydrogen_blend
from combustion.losses import efficiency_gross, heat_balance_from_o2
from combustion.stoichiometry import (
    co2_from_o2,
    excess_air_from_o2,
    lambda_from_o2,
    o2_dry_to_wet,
    o2_from_co2,
    o2_from_lambda,
    o2_wet_to_dry,
    o2_wet_to_dry_by_fuel,
    products_from_co2,
    products_from_o2,
)
from combustion.water import (
    MOLAR_MASS_WATER,
    heat_of_vaporisation,
    saturation_pressure,
    saturation_temperature,
)

shares = st.floats(0.0, 1.0, allow_nan=False)


@st.composite
def fuels(draw: st.DrawFn) -> Fuel:
    """Return a stated fuel, a random gas, or a blend with hydrogen."""
    if draw(st.booleans()):
        fuel = draw(st.sampled_from(list(FUELS.values())))
    else:
        parts = {"CH4": 0.5 + draw(shares)}
        for name in ("C2H6", "C3H8", "nC4H10", "N2", "CO2", "H2S", "H2", "CO", "O2", "Ar"):
            parts[name] = 0.1 * draw(shares)
        total = sum(parts.values())
        fuel = gas("random", "random", {k: 100.0 * v / total for k, v in parts.items()})
    if fuel.kind == "gas" and draw(st.booleans()):
        fuel = hydrogen_blend(fuel, draw(st.floats(0.0, 30.0)))
    return fuel


o2s = st.floats(0.0, 19.0)
cos = st.floats(0.0, 20_000.0)
ppms = st.floats(0.0, 5_000.0)


@given(fuels(), o2s, cos, ppms, ppms, st.floats(0.0, 0.06))
def test_every_element_is_found_again_to_1e_9(
    fuel: Fuel, o2: float, co: float, no: float, no2: float, water: float
) -> None:
    p = products_from_o2(fuel, o2, co, no, no2, water)
    air = p.air
    elements = {
        "C": (fuel.carbon + air * CO2_IN_DRY_AIR, p.co2 + p.co),
        "H": (fuel.hydrogen + 2 * air * water, 2 * p.water),
        "N": (fuel.nitrogen + 2 * air * N2_IN_DRY_AIR, 2 * p.n2 + p.no + p.no2),
        "S": (fuel.sulphur, p.so2),
        "Ar": (fuel.inert + air * ARGON_IN_DRY_AIR, p.argon),
        "O": (
            fuel.oxygen + air * (2 * O2_IN_DRY_AIR + 2 * CO2_IN_DRY_AIR + water),
            2 * p.o2 + 2 * p.co2 + p.co + p.water + 2 * p.so2 + p.no + 2 * p.no2,
        ),
    }
    for element, (before, after) in elements.items():
        assert after == pytest.approx(before, rel=1e-9, abs=1e-9), element
    dry = p.o2 + p.co2 + p.co + p.n2 + p.argon + p.so2 + p.no + p.no2
    assert dry == pytest.approx(p.dry, rel=1e-9)
    assert 100.0 * p.o2 / p.dry == pytest.approx(o2, abs=1e-9)


@given(fuels(), st.floats(0.0, 18.0), st.floats(0.0, 5_000.0))
def test_o2_from_co2_inverts_co2_from_o2(fuel: Fuel, o2: float, co: float) -> None:
    assert o2_from_co2(fuel, co2_from_o2(fuel, o2, co), co) == pytest.approx(o2, abs=1e-8)


@given(fuels(), st.floats(0.0, 18.0), st.floats(0.0, 5_000.0))
def test_both_roads_lead_to_the_same_gas(fuel: Fuel, o2: float, co: float) -> None:
    one = products_from_o2(fuel, o2, co)
    other = products_from_co2(fuel, 100.0 * one.co2 / one.dry, co)
    assert other.air == pytest.approx(one.air, rel=1e-9)
    assert other.o2 == pytest.approx(one.o2, abs=1e-9 * one.dry)


@given(fuels(), st.floats(0.0, 19.0))
def test_o2_from_lambda_inverts_lambda_from_o2(fuel: Fuel, o2: float) -> None:
    ratio = max(1.0, lambda_from_o2(fuel, o2))
    assert o2_from_lambda(fuel, ratio) == pytest.approx(o2, abs=1e-8)


@given(fuels(), st.floats(0.0, 18.0), st.floats(0.0, 0.06))
def test_wet_and_dry_o2_invert_each_other(fuel: Fuel, o2: float, water: float) -> None:
    wet = o2_dry_to_wet(fuel, o2, 0.0, water)
    assert wet <= o2
    assert o2_wet_to_dry_by_fuel(fuel, wet, water) == pytest.approx(o2, abs=1e-8)
    p = products_from_o2(fuel, o2, water_per_air=water)
    assert o2_wet_to_dry(wet, 100.0 * p.water / p.wet) == pytest.approx(o2, abs=1e-8)


@given(st.floats(-39.0, 119.0))
def test_saturation_temperature_inverts_saturation_pressure(celsius: float) -> None:
    pressure = saturation_pressure(celsius)
    assert saturation_temperature(pressure) == pytest.approx(celsius, abs=1e-6)


@given(fuels(), st.floats(0.0, 17.0), st.floats(0.1, 1.5), st.floats(0.0, 2_000.0))
def test_more_o2_means_more_air_less_co2_and_less_efficiency(
    fuel: Fuel, o2: float, step: float, co: float
) -> None:
    assert excess_air_from_o2(fuel, o2 + step, co) > excess_air_from_o2(fuel, o2, co)
    assert co2_from_o2(fuel, o2 + step, co) < co2_from_o2(fuel, o2, co)
    low = heat_balance_from_o2(fuel, o2, 180.0, 20.0, co)
    high = heat_balance_from_o2(fuel, o2 + step, 180.0, 20.0, co)
    assert high.efficiency_gross < low.efficiency_gross
    assert high.condensate.water_dew_point < low.condensate.water_dew_point


@given(fuels(), st.floats(0.0, 15.0), st.floats(30.0, 300.0), st.floats(0.5, 50.0))
def test_a_hotter_flue_loses_more_and_condenses_no_more(
    fuel: Fuel, o2: float, flue: float, step: float
) -> None:
    cool = heat_balance_from_o2(fuel, o2, flue, 20.0, 100.0, 60.0)
    hot = heat_balance_from_o2(fuel, o2, flue + step, 20.0, 100.0, 60.0)
    assert hot.efficiency_gross < cool.efficiency_gross
    assert hot.efficiency_gross_condensing < cool.efficiency_gross_condensing
    assert hot.condensate.amount <= cool.condensate.amount


@given(fuels(), st.floats(0.0, 15.0), st.floats(20.0, 300.0), st.floats(0.0, 100.0))
def test_losses_and_efficiency_sum_to_100(
    fuel: Fuel, o2: float, flue: float, humidity: float
) -> None:
    b = heat_balance_from_o2(fuel, o2, flue, 20.0, 500.0, humidity)
    total = b.efficiency_gross_with_co + b.sensible_gross + b.latent_gross + b.co_gross
    assert total == pytest.approx(100.0, abs=1e-10)
    assert b.credit_gross >= 0.0
    net = b.efficiency_net * fuel.net + b.sensible_gross * fuel.gross
    assert net == pytest.approx(100.0 * fuel.net, rel=1e-12)
    # Useful heat is one number, whichever heating value it is divided by.
    assert b.efficiency_net * fuel.net == pytest.approx(b.efficiency_gross * fuel.gross, rel=1e-12)


@settings(max_examples=50)
@given(fuels(), st.floats(0.0, 15.0), st.floats(30.0, 400.0), st.floats(0.0, 5_000.0))
def test_fast_sensible_heat_equals_the_literal_sum_over_species(
    fuel: Fuel, o2: float, flue: float, co: float
) -> None:
    b = heat_balance_from_o2(fuel, o2, flue, 10.0, co, 70.0)
    literal = sensible_heat_of_products(b.products, 10.0, flue)
    assert b.sensible_gross == pytest.approx(100.0 * literal / fuel.gross, rel=1e-11)


@pytest.mark.parametrize("key", ["methane", "natural_gas", "propane", "n_butane"])
@pytest.mark.parametrize("air", [-10.0, 5.0, 25.0, 45.0])
@pytest.mark.parametrize("flue", [46.0, 180.0, 350.0])
def test_full_enthalpy_balance_closes_once_the_reference_temperature_term_is_added(
    key: str, air: float, flue: float
) -> None:
    """Absolute enthalpies, heats of formation included, all from Cantera's copy of the data.

    The heating value is taken from the same data, so that nothing but the first law is tested. The
    condensed water leaves as liquid: its enthalpy is the vapour's less h_fg at the flue
    temperature. The heats of CO and of vaporisation are the stated constants, adjusted for.
    """
    wanted = {s.name: s for s in ct.Species.list_from_file("nasa_gas.yaml")}
    their = {"nC4H10": "C4H10,n-butane", "iC4H10": "C4H10,isobutane"}

    def h(name: str, celsius: float) -> float:
        return float(wanted[their.get(name, name)].thermo.h(celsius + 273.15)) / 1e6

    base = FUELS[key]
    share = {c: x / 100.0 for c, x in base.composition.items()}
    h_fg25 = MOLAR_MASS_WATER * 1e-3 * heat_of_vaporisation(25.0)
    net = sum(x * h(c, 25.0) for c, x in share.items()) - (
        base.carbon * h("CO2", 25.0)
        + base.water * h("H2O", 25.0)
        - base.o2_required * h("O2", 25.0)
    )
    fuel = Fuel(**{**vars_of(base), "gross": net + base.water * h_fg25})
    b = heat_balance_from_o2(fuel, 5.0, flue, air, 800.0, 60.0)
    p = b.products
    air_water = p.water - fuel.water
    into = sum(x * h(c, air) for c, x in share.items()) + air_water * h("H2O", air)
    for gas_, x in (
        ("O2", O2_IN_DRY_AIR),
        ("N2", N2_IN_DRY_AIR),
        ("Ar", ARGON_IN_DRY_AIR),
        ("CO2", CO2_IN_DRY_AIR),
    ):
        into += p.air * x * h(gas_, air)
    out = sum(
        n * h(g, flue)
        for g, n in (
            ("O2", p.o2),
            ("CO2", p.co2),
            ("CO", p.co),
            ("N2", p.n2),
            ("Ar", p.argon),
            ("H2O", p.water),
        )
    )
    out -= b.condensate.heat
    # The CO loss uses ISO 6976's heat of combustion of CO, the polynomials carry another one.
    nasa_co = h("CO", 25.0) + 0.5 * h("O2", 25.0) - h("CO2", 25.0)
    out += p.co * (thermo.HEAT_OF_COMBUSTION_CO - nasa_co)
    useful = 100.0 * (into - out) / fuel.gross
    term = reference_temperature_term_gross(fuel, p, air)
    assert b.efficiency_gross_condensing_with_co + term == pytest.approx(useful, abs=1e-9)


def vars_of(fuel: Fuel) -> dict[str, object]:
    return {name: getattr(fuel, name) for name in Fuel.__dataclass_fields__}


def test_reference_temperature_term_is_at_most_0_043_points_for_natural_gas() -> None:
    fuel = FUELS["natural_gas"]
    sizes = [
        abs(reference_temperature_term_gross(fuel, products_from_o2(fuel, o2, co), air))
        for o2 in np.linspace(0.5, 14.0, 10)
        for co in (0.0, 2000.0)
        for air in np.linspace(-10.0, 45.0, 12)
    ]
    assert 0.03 < max(sizes) <= 0.043
    at_25 = reference_temperature_term_gross(fuel, products_from_o2(fuel, 5.0), 25.0)
    assert at_25 == pytest.approx(0.0, abs=1e-12)


def test_the_default_convention_is_the_default_efficiency() -> None:
    for fuel in FUELS.values():
        ours = efficiency_gross(fuel, 4.0, 190.0, 12.0, 150.0, 55.0)
        other = efficiency_gross_by_convention(
            fuel, 4.0, 190.0, 12.0, co_dry=150.0, relative_humidity=55.0
        )
        assert other == pytest.approx(ours, abs=1e-9)


def test_other_conventions_move_the_efficiency_as_the_docs_table_says() -> None:
    # A pin on docs/combustion.md: natural gas, 5 % O2, 180 degC flue, air 5 degC.
    gas_ = FUELS["natural_gas"]
    base = efficiency_gross_by_convention(gas_, 5.0, 180.0, 5.0)
    for name, convention in CONVENTIONS.items():
        shift = efficiency_gross_by_convention(gas_, 5.0, 180.0, 5.0, convention) - base
        assert f"| {name} | {shift:+.2f} |" in TABLE, (name, shift)


def test_reference_temperature_term_is_tabulated_as_it_is() -> None:
    # A pin on the same page, at 5 % O2.
    for key in ("natural_gas", "propane", "no2_oil"):
        fuel = FUELS[key]
        products = products_from_o2(fuel, 5.0)
        terms = [
            f"{reference_temperature_term_gross(fuel, products, float(t)) + 0.0:+.3f}"
            for t in (-10, 0, 10, 20, 25, 30, 45)
        ]
        assert f"| {fuel.name} | {' | '.join(terms)} |" in TABLE


def test_fuels_are_tabulated_as_they_are() -> None:
    for key, fuel in FUELS.items():
        numbers = (
            f"{fuel.gross / fuel.mass / 1e3:.2f} | {fuel.net / fuel.mass / 1e3:.2f} | "
            f"{fuel.air_required_mass:.2f} | {fuel.co2_ultimate:.2f}"
        )
        line = next(line for line in TABLE.splitlines() if line.startswith(f"| `{key}` |"))
        assert numbers in line


TABLE = (Path(__file__).resolve().parents[2] / "docs" / "combustion.md").read_text()
