"""Meter, season, money and plausibility: what a technician does with the readings."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from combustion.emissions import MOLAR_VOLUME_0C, mg_per_kwh, mg_per_m3, ng_per_j_gross
from combustion.fuels import FUELS
from combustion.meter import (
    CUBIC_FOOT,
    US_GALLON,
    base_volume_factor,
    input_from_oil_flow,
    metered_input,
    oil_flow_from_nozzle,
)
from combustion.money import LoadBand, yearly_saving
from combustion.plausibility import (
    acid_dew_point,
    acid_dew_point_of_fuel,
    co2_departure,
    fuel_factor,
    fuels_that_fit,
)
from combustion.refusals import OutOfRange
from combustion.season import air_ratio_factor, project_season
from combustion.stoichiometry import co2_from_o2, products_from_o2

GAS = FUELS["natural_gas"]


def test_imperial_and_metric_dials_of_the_same_flow_give_the_same_input() -> None:
    imperial = metered_input(10 * CUBIC_FOOT, 40.0, 38.0, rated_input=300.0)
    metric = metered_input(0.28316846592, 40.0, 38.0, rated_input=300.0)
    assert imperial == metric


def test_a_compensated_meter_is_not_corrected_twice() -> None:
    plain = base_volume_factor(0.0, 2000.0, 101_325.0)
    compensated = base_volume_factor(0.0, 2000.0, 101_325.0, temperature_compensated=True)
    assert plain / compensated == pytest.approx(288.70555555555555 / 273.15)


def test_uncertainty_of_the_metered_input_is_that_of_a_product() -> None:
    found = metered_input(0.3, 60.0, 38.0, u_volume=0.003, u_seconds=0.6, u_heating_value=0.38)
    assert found.u / found.fuel_input == pytest.approx(math.sqrt(3) * 0.01, rel=1e-9)
    assert found.percent_of_rated is None


@pytest.mark.parametrize("bad", [{"volume": 0.0}, {"seconds": 0.0}, {"seconds": -3.0}])
def test_a_dial_that_did_not_move_is_refused(bad: dict[str, float]) -> None:
    with pytest.raises(OutOfRange):
        metered_input(**{"volume": 0.3, "seconds": 40.0, "heating_value": 38.0, **bad})
    with pytest.raises(OutOfRange):
        metered_input(0.3, 40.0, 38.0, rated_input=0.0)


def test_a_gallon_an_hour_of_no_2_oil_is_138_000_btu_an_hour() -> None:
    # 40 CFR 98 Table C-1 (quoted): 0.138 million Btu per gallon of distillate No. 2.
    flow = oil_flow_from_nozzle(1.0, 689_475.7293168361) * US_GALLON * 1e3
    kw = input_from_oil_flow(flow, 0.85, 45.26)
    assert kw * 3.6e6 / 1055.05585262 == pytest.approx(138_000.0, rel=0.01)


def test_four_times_the_pump_pressure_doubles_the_nozzle_flow() -> None:
    assert oil_flow_from_nozzle(2.0, 4.0, 1.0) == 4.0
    with pytest.raises(OutOfRange):
        oil_flow_from_nozzle(2.0, -4.0, 1.0)
    with pytest.raises(OutOfRange):
        input_from_oil_flow(-1.0, 0.85, 45.0)


def test_the_setting_temperature_itself_changes_nothing() -> None:
    for control in ("fixed_air", "ratio_governor", "oxygen_trim", "unknown"):
        year = project_season(GAS, 4.2, 18.0, control, [18.0])  # type: ignore[arg-type]
        point = year.points[0]
        assert point.o2_low == pytest.approx(4.2, abs=1e-9)
        assert point.o2_high == pytest.approx(4.2, abs=1e-9)


@given(st.floats(-30.0, 45.0), st.floats(1.0, 8.0))
def test_controls_are_ordered_and_unknown_spans_them(air: float, o2: float) -> None:
    fixed, governor, trim, unknown = (
        project_season(GAS, o2, 20.0, control, [air]).points[0]  # type: ignore[arg-type]
        for control in ("fixed_air", "ratio_governor", "oxygen_trim", "unknown")
    )
    assert abs(fixed.excess_air_low - trim.excess_air_low) >= abs(
        governor.excess_air_low - trim.excess_air_low
    )
    assert unknown.excess_air_low == min(fixed.excess_air_low, trim.excess_air_low)
    assert unknown.excess_air_high == max(fixed.excess_air_high, trim.excess_air_high)


def test_hot_air_takes_a_tight_fixed_setting_out_of_air_and_says_so() -> None:
    year = project_season(GAS, 0.8, 0.0, "fixed_air", [40.0], band=(2.0, 6.0))
    assert year.points[0].o2_low is None
    assert year.points[0].excess_air_low < 0.0
    assert year.stays_inside is False


def test_co_margin_is_stated_only_where_the_edge_was_measured() -> None:
    without = project_season(GAS, 4.0, 20.0, "fixed_air", [35.0])
    assert without.points[0].co_margin is None
    assert "not measured" in without.co_margin_note
    with_edge = project_season(GAS, 4.0, 20.0, "fixed_air", [35.0], co_edge_o2=2.0)
    assert with_edge.points[0].co_margin == pytest.approx(with_edge.points[0].o2_low - 2.0)  # type: ignore[operator]


def test_a_richer_gas_takes_air_away_but_not_from_oxygen_trim() -> None:
    assert air_ratio_factor("fixed_air", 1.0, heating_value_factor=1.05) == pytest.approx(1 / 1.05)
    assert air_ratio_factor("fixed_air", 1.0, gas_pressure_factor=1.21) == pytest.approx(1 / 1.1)
    assert air_ratio_factor("ratio_governor", 1.0, gas_pressure_factor=1.21) == 1.0
    assert air_ratio_factor("oxygen_trim", 1.2, 1.05, 1.1) == 1.0
    with pytest.raises(OutOfRange):
        air_ratio_factor("fixed_air", 0.0)
    with pytest.raises(OutOfRange):
        project_season(GAS, 22.0, 20.0, "fixed_air", [35.0])
    with pytest.raises(ValueError, match="control"):
        project_season(GAS, 4.0, 20.0, "guess", [35.0])  # type: ignore[arg-type]


def test_no_change_saves_nothing_and_worse_costs() -> None:
    same = yearly_saving([LoadBand(1000.0, 500.0, 82.0, 82.0)], 0.04)
    assert same.fuel_saved == same.money_saved == 0.0
    assert yearly_saving([LoadBand(1000.0, 500.0, 84.0, 82.0)], 0.04).money_saved < 0.0
    assert yearly_saving([], 0.04).fuel_before == 0.0


def test_uncertainty_of_a_saving_adds_over_bands_of_one_analyzer() -> None:
    band = LoadBand(1000.0, 500.0, 80.0, 82.0, u_efficiency_change=0.3)
    single, double = yearly_saving([band], 0.04), yearly_saving([band, band], 0.04)
    assert double.u_fuel_saved == pytest.approx(2.0 * single.u_fuel_saved)


@pytest.mark.parametrize(
    "bands",
    [
        [LoadBand(9000.0, 1.0, 80.0, 81.0)],
        [LoadBand(-1.0, 1.0, 80.0, 81.0)],
        [LoadBand(1.0, 1.0, 0.0, 81.0)],
        [LoadBand(1.0, 1.0, 80.0, 140.0)],
        [LoadBand(math.nan, 1.0, 80.0, 81.0)],
    ],
)
def test_an_impossible_load_profile_is_refused(bands: list[LoadBand]) -> None:
    with pytest.raises(OutOfRange):
        yearly_saving(bands, 0.04)


@pytest.mark.parametrize("key", FUELS)
@pytest.mark.parametrize("o2", [1.0, 4.0, 8.0])
def test_a_fuel_fits_its_own_line(key: str, o2: float) -> None:
    fuel = FUELS[key]
    co2 = co2_from_o2(fuel, o2, 200.0)
    assert co2_departure(fuel, o2, co2, 200.0) == pytest.approx(0.0, abs=1e-9)
    fits = {fit.fuel.key: fit for fit in fuels_that_fit(o2, co2, 200.0)}
    assert fits[key].fits


def test_leaking_air_moves_a_sample_along_the_line_not_off_it() -> None:
    p = products_from_o2(GAS, 3.0)
    air = 0.8 * p.dry
    o2 = 100.0 * (p.o2 + 0.20939 * air) / (p.dry + air)
    co2 = 100.0 * (p.co2 + 0.0004 * air) / (p.dry + air)
    assert co2_departure(GAS, o2, co2) == pytest.approx(0.0, abs=1e-9)
    # Fo counts the CO2 of air as fuel: it stays to a per cent.
    before = fuel_factor(3.0, 100.0 * p.co2 / p.dry)
    assert fuel_factor(o2, co2) == pytest.approx(before, rel=0.01)


def test_propane_readings_do_not_fit_natural_gas_and_the_reverse() -> None:
    co2 = co2_from_o2(FUELS["propane"], 4.0)
    best = fuels_that_fit(4.0, co2)
    keys = {fit.fuel.key for fit in best if fit.fits}
    assert "propane" in keys
    assert "natural_gas" not in keys
    assert "no2_oil" not in keys


@pytest.mark.parametrize(
    ("key", "low", "high"),
    # Method 3B's ranges for Fo (memory).
    [("natural_gas", 1.60, 1.84), ("propane", 1.43, 1.59), ("no2_oil", 1.26, 1.42)],
)
def test_fuel_factor_lies_in_the_range_of_method_3b_memory(
    key: str, low: float, high: float
) -> None:
    assert low < fuel_factor(4.0, co2_from_o2(FUELS[key], 4.0)) < high


def test_acid_dew_point_rises_with_acid_and_water_and_needs_sulphur() -> None:
    assert acid_dew_point(10.0, 10.0) > acid_dew_point(5.0, 10.0)
    assert acid_dew_point(10.0, 12.0) > acid_dew_point(10.0, 10.0)
    # A widely quoted round figure: 10 ppm and 10 % give about 134 degC (memory).
    assert acid_dew_point(10.0, 10.0) == pytest.approx(134.0, abs=6.0)
    with pytest.raises(OutOfRange, match="without sulphur"):
        acid_dew_point_of_fuel(GAS, 4.0, 2.0)
    with pytest.raises(OutOfRange, match="share of SO3"):
        acid_dew_point_of_fuel(FUELS["no2_oil"], 4.0, 0.0)


def test_mass_bases_are_the_same_mass() -> None:
    # mg/m3 times the dry gas per heat is mg/kWh: two roads, one number.
    p = products_from_o2(GAS, 3.0)
    volume_per_kj = p.dry * MOLAR_VOLUME_0C * 1e-3 / GAS.gross
    by_volume = mg_per_m3("NO2", 50.0) * volume_per_kj * 3600.0
    assert mg_per_kwh(ng_per_j_gross(GAS, "NO2", 50.0, 3.0)) == pytest.approx(by_volume)
