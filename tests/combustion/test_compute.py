"""Columns in, columns out: equal to the float formulas, and no bad row spoils another."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from combustion.compute import INPUTS, OUTPUTS, compute
from combustion.emissions import (
    at_reference_o2,
    co_air_free,
    co_air_free_exact,
    lb_per_mmbtu,
    ng_per_j_gross,
)
from combustion.faults import REFUSED_BY, SENTENCES, Fault
from combustion.fuels import FUELS, hydrogen_blend
from combustion.kernel import ROWS
from combustion.losses import HeatBalance, heat_balance_from_o2
from combustion.quantities import QUANTITIES
from combustion.stoichiometry import co2_from_o2, excess_air_from_o2, lambda_from_o2
from combustion.uncertainty import Accuracy

GAS = FUELS["natural_gas"]
ONE = {
    "o2_dry": 5.0,
    "co_dry": 120.0,
    "no_dry": 40.0,
    "no2_dry": 3.0,
    "stack_temperature": 180.0,
    "combustion_air_temperature": 15.0,
    "relative_humidity": 60.0,
    "barometric_pressure": 95_000.0,
}


def table(rows: int, seed: int = 5) -> dict[str, np.ndarray]:
    random = np.random.default_rng(seed)
    air = random.uniform(-10.0, 45.0, rows)
    return {
        "o2_dry": random.uniform(0.0, 15.0, rows),
        "co_dry": random.uniform(0.0, 2000.0, rows),
        "no_dry": random.uniform(0.0, 100.0, rows),
        "no2_dry": random.uniform(0.0, 5.0, rows),
        "stack_temperature": np.maximum(random.uniform(20.0, 350.0, rows), air + 1.0),
        "combustion_air_temperature": air,
        "relative_humidity": random.uniform(0.0, 100.0, rows),
        "barometric_pressure": random.uniform(74_000.0, 103_000.0, rows),
    }


def one(**change: float | None) -> dict[str, np.ndarray]:
    row = {**ONE, **change}
    return {k: np.array([np.nan if v is None else v]) for k, v in row.items()}


def by_floats(fuel_key: str, row: dict[str, float]) -> dict[str, float]:
    fuel = FUELS[fuel_key]
    o2, co = row["o2_dry"], row["co_dry"]
    b: HeatBalance = heat_balance_from_o2(
        fuel,
        o2,
        row["stack_temperature"],
        row["combustion_air_temperature"],
        co,
        row["relative_humidity"],
        row["barometric_pressure"],
    )
    nox = row["no_dry"] + row["no2_dry"]
    rate = ng_per_j_gross(fuel, "NO2", nox, o2, co)
    return {
        "excess_air": excess_air_from_o2(fuel, o2, co),
        "lambda": lambda_from_o2(fuel, o2, co),
        "co2_dry": co2_from_o2(fuel, o2, co),
        "o2_dry": o2,
        "co2_ultimate": fuel.co2_ultimate,
        "co_air_free": co_air_free(co, o2),
        "co_air_free_exact": co_air_free_exact(fuel, co, o2),
        "co_at_3_o2": at_reference_o2(co, o2),
        "no_at_3_o2": at_reference_o2(row["no_dry"], o2),
        "nox_at_3_o2": at_reference_o2(nox, o2),
        "nox_lb_per_mmbtu": lb_per_mmbtu(rate),
        "nox_ng_per_j": rate,
        "net_stack_temperature": row["stack_temperature"] - row["combustion_air_temperature"],
        "water_dew_point": b.condensate.water_dew_point,
        "condensed_share_of_combustion_water": b.condensate.share,
        "condensate_kg_per_kwh_gross": b.condensate.kg_per_kwh_gross,
        "loss_sensible_gross": b.sensible_gross,
        "loss_latent_gross": b.latent_gross,
        "loss_co_gross": b.co_gross,
        **{k: getattr(b, k) for k in OUTPUTS if k.startswith("efficiency")},
    }


@pytest.mark.parametrize("key", FUELS)
def test_every_output_equals_the_float_formulas(key: str) -> None:
    columns = table(300)
    ours = compute(columns, FUELS[key]).values
    for i in range(300):
        expected = by_floats(key, {k: float(v[i]) for k, v in columns.items()})
        assert set(expected) == set(OUTPUTS)
        for name, value in expected.items():
            assert ours[name][i] == pytest.approx(value, rel=1e-10, abs=1e-10), name


def test_every_input_and_output_is_in_the_glossary() -> None:
    assert set(INPUTS) | set(OUTPUTS) <= set(QUANTITIES)


def test_rows_do_not_depend_on_their_block() -> None:
    columns = table(2 * ROWS + 37)
    whole = compute(columns, GAS).values
    part = compute({k: v[ROWS - 5 : ROWS + 5] for k, v in columns.items()}, GAS).values
    for key in OUTPUTS:
        np.testing.assert_allclose(whole[key][ROWS - 5 : ROWS + 5], part[key], rtol=1e-12)


def test_rows_of_several_fuels_equal_each_fuel_alone() -> None:
    columns = table(500)
    fuels = [FUELS["natural_gas"], FUELS["no2_oil"], hydrogen_blend(GAS, 20.0)]
    index = np.random.default_rng(1).integers(-1, 3, 500)
    mixed = compute(columns, fuels, index)
    for number, fuel in enumerate(fuels):
        rows = index == number
        alone = compute(columns, fuel)
        for key in OUTPUTS:
            np.testing.assert_allclose(mixed.values[key][rows], alone.values[key][rows], rtol=1e-12)
    unknown = int(np.flatnonzero(index == -1)[0])
    assert mixed.refused(unknown)["excess_air"] == SENTENCES[Fault.FUEL]
    without = {"co_air_free", "co_at_3_o2", "no_at_3_o2", "nox_at_3_o2", "net_stack_temperature"}
    for key in OUTPUTS:
        missing = np.isnan(mixed.values[key][index == -1])
        assert not missing.any() if key in without else missing.all(), key


def test_co2_in_place_of_o2_gives_the_same_columns() -> None:
    columns = table(300)
    by_o2 = compute(columns, GAS).values
    other = {k: v for k, v in columns.items() if k != "o2_dry"} | {"co2_dry": by_o2["co2_dry"]}
    by_co2 = compute(other, GAS).values
    for key in OUTPUTS:
        np.testing.assert_allclose(by_co2[key], by_o2[key], rtol=1e-8, atol=1e-8, err_msg=key)


def test_o2_and_co2_rows_may_stand_in_one_table() -> None:
    full = compute(one(), GAS).values
    co2 = float(full["co2_dry"][0])
    two = {k: np.array([v[0], v[0]]) for k, v in one().items()}
    two["o2_dry"][1] = np.nan
    two["co2_dry"] = np.array([np.nan, co2])
    done = compute(two, GAS)
    assert done.values["efficiency_gross"][1] == pytest.approx(done.values["efficiency_gross"][0])
    assert done.refused(0) == done.refused(1) == {}


def test_altitude_stands_in_for_a_missing_barometer() -> None:
    columns = {k: v for k, v in one().items() if k != "barometric_pressure"}
    high = compute(columns | {"altitude": np.array([2000.0])}, GAS).values
    barometer = compute(columns | {"barometric_pressure": np.array([79_495.0])}, GAS).values
    sea = compute(columns, GAS).values
    assert high["water_dew_point"][0] == pytest.approx(barometer["water_dew_point"][0], abs=0.01)
    assert high["water_dew_point"][0] < sea["water_dew_point"][0] - 4.0


BAD: list[tuple[str, float | None, Fault, str]] = [
    ("o2_dry", 20.9, Fault.O2, "efficiency_gross"),
    ("o2_dry", 25.0, Fault.O2, "excess_air"),
    ("o2_dry", -0.1, Fault.O2, "co_air_free"),
    ("o2_dry", None, Fault.O2_MISSING, "excess_air"),
    ("o2_dry", 15.01, Fault.O2_DILUTED, "co_air_free"),
    ("o2_dry", float("inf"), Fault.O2, "excess_air"),
    ("co_dry", -1.0, Fault.CO, "efficiency_gross"),
    ("co_dry", 200_000.0, Fault.CO, "excess_air"),
    ("co_dry", None, Fault.CO_MISSING, "co_air_free"),
    ("no_dry", -5.0, Fault.NO, "no_at_3_o2"),
    ("no_dry", None, Fault.NO_MISSING, "no_at_3_o2"),
    ("no2_dry", -5.0, Fault.NO, "nox_ng_per_j"),
    ("no2_dry", None, Fault.NOX_MISSING, "nox_at_3_o2"),
    ("stack_temperature", 14.0, Fault.COLDER, "efficiency_gross"),
    ("stack_temperature", 900.0, Fault.STACK, "loss_sensible_gross"),
    ("stack_temperature", None, Fault.STACK_MISSING, "net_stack_temperature"),
    ("combustion_air_temperature", 120.0, Fault.AIR, "efficiency_net"),
    ("combustion_air_temperature", None, Fault.AIR_MISSING, "efficiency_net"),
    ("relative_humidity", 130.0, Fault.HUMIDITY, "water_dew_point"),
    ("barometric_pressure", 950.0, Fault.PRESSURE, "water_dew_point"),
]


@pytest.mark.parametrize(("key", "value", "fault", "output"), BAD, ids=lambda v: str(v))
def test_an_impossible_input_is_missing_with_its_reason_and_spoils_no_other_row(
    key: str, value: float | None, fault: Fault, output: str
) -> None:
    three = {k: np.repeat(v, 3) for k, v in one().items()}
    three[key][1] = np.nan if value is None else value
    done = compute(three, GAS)
    assert SENTENCES[fault] in done.refused(1)[output]
    good = compute(one(), GAS).values
    for name in OUTPUTS:
        missing = bool(REFUSED_BY[name] & int(done.faults[1]))
        assert np.isnan(done.values[name][1]) == missing, name
        assert done.values[name][0] == done.values[name][2] == good[name][0]
    assert done.refused(0) == {}


def test_too_much_co2_for_the_fuel_is_refused() -> None:
    columns = {k: v for k, v in one().items() if k != "o2_dry"}
    done = compute(columns | {"co2_dry": np.array([13.0])}, GAS)
    assert done.refused(0)["excess_air"] == SENTENCES[Fault.CO2]
    assert "excess_air" not in compute(columns | {"co2_dry": np.array([9.0])}, GAS).refused(0)


def test_nox_from_no_alone_needs_a_stated_share() -> None:
    columns = {k: v for k, v in one().items() if k != "no2_dry"}
    assert compute(columns, GAS).refused(0)["nox_at_3_o2"] == SENTENCES[Fault.NOX_MISSING]
    stated = compute(columns, GAS, no2_share_percent=5.0).values
    assert stated["nox_at_3_o2"][0] == pytest.approx(stated["no_at_3_o2"][0] / 0.95)
    measured = compute(columns | {"nox_dry": np.array([50.0])}, GAS).values
    assert measured["nox_at_3_o2"][0] == pytest.approx(at_reference_o2(50.0, 5.0))


def test_columns_of_different_length_are_our_callers_mistake() -> None:
    with pytest.raises(ValueError, match="one length"):
        compute({"o2_dry": [5.0], "co_dry": [1.0, 2.0]}, GAS)
    with pytest.raises(ValueError, match="NO2"):
        compute({"o2_dry": [5.0]}, GAS, no2_share_percent=100.0)


def test_no_rows_give_no_rows() -> None:
    done = compute({"o2_dry": []}, GAS)
    assert all(column.shape == (0,) for column in done.values.values())


def test_o2_alone_gives_what_o2_can_give() -> None:
    done = compute({"o2_dry": [5.0]}, GAS)
    given = {key for key in OUTPUTS if not np.isnan(done.values[key][0])}
    assert {"excess_air", "lambda", "co2_dry", "water_dew_point"} <= given
    assert set(done.refused(0)) == set(OUTPUTS) - given


messy = st.one_of(st.floats(), st.sampled_from([0.0, 20.9, 15.0, 1e300, -1e300, 5.0, 180.0]))


@settings(max_examples=120)
@given(
    st.lists(st.fixed_dictionaries(dict.fromkeys(INPUTS, messy)), min_size=1, max_size=5),
    st.booleans(),
)
def test_any_input_gives_a_finite_number_or_a_reason(
    rows: list[dict[str, float]], with_u: bool
) -> None:
    columns = {k: np.array([row[k] for row in rows]) for k in INPUTS}
    accuracies = {k: Accuracy(absolute=0.1, percent=1.0) for k in INPUTS} if with_u else None
    done = compute(columns, GAS, accuracies=accuracies)
    for i in range(len(rows)):
        refused = done.refused(i)
        for key in OUTPUTS:
            value = done.values[key][i]
            assert np.isnan(value) == (key in refused), (key, value, refused.get(key))
            assert key in refused or np.isfinite(value), key
            if with_u:
                assert np.isnan(done.u[key][i]) == (key in refused), key
