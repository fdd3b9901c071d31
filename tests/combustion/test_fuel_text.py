"""Fuels as people write them."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from combustion.fuel_text import FuelError, fuel_from_text
from combustion.fuels import FUELS, gas, hydrogen_blend, oil


@pytest.mark.parametrize(
    ("text", "key"),
    [
        ("natural gas", "natural_gas"),
        ("Natural_Gas", "natural_gas"),
        (" NATURAL-GAS ", "natural_gas"),
        ("propane", "propane"),
        ("n-butane", "n_butane"),
        ("No. 2 oil", "no2_oil"),
        ("#2 oil", "no2_oil"),
        ("Heizöl EL", "no2_oil"),
        ("lpg", "lpg"),
        ("lpg_mix", "lpg_mix"),
        *((key, key) for key in FUELS),
    ],
)
def test_names_are_understood(text: str, key: str) -> None:
    assert fuel_from_text(text) is FUELS[key]


def test_a_gas_by_moles_equals_the_same_gas() -> None:
    fuel = fuel_from_text("mol:CH4=95 C2H6=2.5 N2=2.5")
    same = gas("x", "x", {"CH4": 95.0, "C2H6": 2.5, "N2": 2.5})
    assert (fuel.gross, fuel.carbon, fuel.hydrogen) == (same.gross, same.carbon, same.hydrogen)
    assert fuel.note == ""


@pytest.mark.parametrize("separator", [" ", ", ", ",", "; "])
def test_separators_do_not_matter(separator: str) -> None:
    fuel = fuel_from_text("mol:" + separator.join(["CH4=90", "C3H8=5", "N2=5"]))
    assert fuel.carbon == pytest.approx(1.05)


def test_an_oil_by_mass_takes_its_heating_value_with_unit() -> None:
    oils = [
        fuel_from_text(f"mass:C=87 H=12.95 S=0.05 gross={gross}")
        for gross in ("45.26MJ/kg", "45260kJ/kg", "19458.3Btu/lb")
    ]
    assert [o.gross for o in oils] == pytest.approx([45_260.0] * 3, rel=1e-5)
    assert oils[0].carbon == FUELS["no2_oil"].carbon


@pytest.mark.parametrize(("total", "accepted"), [(99.5, True), (100.5, True), (99.4, False)])
def test_a_sum_near_100_is_normalised_and_said_else_refused(total: float, accepted: bool) -> None:
    text = f"mol:CH4={total - 5} N2=5"
    if not accepted:
        with pytest.raises(FuelError, match="not near 100"):
            fuel_from_text(text)
        return
    fuel = fuel_from_text(text)
    assert f"{total:g}" in fuel.note
    assert "normalised" in fuel.note
    assert sum(fuel.composition.values()) == pytest.approx(100.0)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "coal",
        "mol:",
        "mol:CH4",
        "mol:CH4=ninety",
        "mol:CH4=95 Xe=5",
        "mol:CH4=60 CH4=40",
        "mol:CH4=-5 C2H6=105",
        "mol:CH4=nan N2=5",
        "mol:N2=100",
        "mass:C=87 H=13",
        "mass:C=87 H=13 gross=45.26",
        "mass:C=87 H=13 gross=45.26degC",
        "mass:C=87 H=13 gross=1MJ/kg",
        "mass:CH4=100 gross=50MJ/kg",
        "natural gas+200%H2",
        "natural gas+some H2",
        "no2_oil+10%H2",
    ],
)
def test_what_cannot_be_a_fuel_is_refused_with_a_way_out(text: str) -> None:
    with pytest.raises(FuelError, match="write a name"):
        fuel_from_text(text)


def test_hydrogen_blend_can_be_written_or_built() -> None:
    written = fuel_from_text("natural gas + 20 % H2")
    built = hydrogen_blend(FUELS["natural_gas"], 20.0)
    assert written == built
    assert built.composition["H2"] == pytest.approx(20.0)
    assert sum(built.composition.values()) == pytest.approx(100.0)


@given(st.floats(0.0, 30.0))
def test_hydrogen_lowers_carbon_and_heat_per_mole(share: float) -> None:
    base = FUELS["natural_gas"]
    blend = hydrogen_blend(base, share)
    assert blend.carbon == pytest.approx(base.carbon * (1.0 - share / 100.0))
    assert blend.gross <= base.gross
    assert blend.co2_ultimate <= base.co2_ultimate + 1e-12


@given(st.text(max_size=40))
def test_any_text_is_a_fuel_or_a_fuel_error(text: str) -> None:
    try:
        fuel = fuel_from_text(text)
    except FuelError:
        return
    assert fuel.net > 0.0


def test_an_oil_needs_elements_it_can_have() -> None:
    with pytest.raises(ValueError, match="unknown element"):
        oil("x", "x", {"C": 90.0, "Fe": 10.0}, 45_000.0)
    with pytest.raises(ValueError, match="negative"):
        oil("x", "x", {"C": 110.0, "H": -10.0}, 45_000.0)
    with pytest.raises(ValueError, match="does not burn"):
        oil("x", "x", {"O": 100.0}, 45_000.0)
