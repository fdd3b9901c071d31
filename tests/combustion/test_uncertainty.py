"""Standard uncertainties against Monte Carlo, and honest at the dew point."""

from __future__ import annotations

import math

import numpy as np
import pytest
import uncertainties

from combustion.compute import OUTPUTS, compute
from combustion.fuels import FUELS, Fuel
from combustion.propagation import normal_distribution
from combustion.stoichiometry import dry_gas_from_o2
from combustion.uncertainty import Accuracy, accuracy_from_text

ACCURACIES = {
    "o2_dry": Accuracy(absolute=0.2),
    "co2_dry": Accuracy(absolute=0.3),
    "co_dry": Accuracy(absolute=5.0, percent=10.0, coverage=2.0),
    "no_dry": Accuracy(absolute=5.0, percent=5.0),
    "no2_dry": Accuracy(absolute=2.0, percent=5.0),
    "stack_temperature": Accuracy(absolute=2.0, percent=1.0),
    "combustion_air_temperature": Accuracy(absolute=1.0),
    "relative_humidity": Accuracy(absolute=5.0),
    "barometric_pressure": Accuracy(absolute=300.0),
}
DRAWS = 100_000


def monte_carlo(fuel: Fuel, row: dict[str, float], seed: int) -> dict[str, np.ndarray]:
    random = np.random.default_rng(seed)
    columns = {}
    for key, value in row.items():
        spread = ACCURACIES[key].standard(value)
        columns[key] = value + spread * random.standard_normal(DRAWS)
        if key != "stack_temperature":
            columns[key] = np.maximum(columns[key], 0.0)
    return compute(columns, fuel).values


ROWS = {
    "warm and dry flue": {"stack_temperature": 180.0, "o2_dry": 5.0, "co_dry": 300.0},
    "diluted": {"stack_temperature": 120.0, "o2_dry": 12.0, "co_dry": 900.0},
    "condensing": {"stack_temperature": 40.0, "o2_dry": 4.0, "co_dry": 100.0},
    "little air": {"stack_temperature": 250.0, "o2_dry": 1.5, "co_dry": 1500.0},
}
REST = {
    "no_dry": 60.0,
    "no2_dry": 20.0,
    "combustion_air_temperature": 22.0,
    "relative_humidity": 55.0,
    "barometric_pressure": 98_000.0,
}


@pytest.mark.parametrize("fuel", ["natural_gas", "no2_oil"])
@pytest.mark.parametrize("name", ROWS)
def test_uncertainty_agrees_with_monte_carlo(name: str, fuel: str) -> None:
    row = {**ROWS[name], **REST}
    ours = compute({k: [v] for k, v in row.items()}, FUELS[fuel], accuracies=ACCURACIES)
    drawn = monte_carlo(FUELS[fuel], row, seed=11)
    for key in OUTPUTS:
        spread = float(np.nanstd(drawn[key]))
        # 100 000 draws know a spread to 0.3 %; curvature of the formulas adds up to 2 %.
        assert ours.u[key][0] == pytest.approx(spread, rel=0.025, abs=1e-9), key


def test_uncertainty_by_co2_agrees_with_monte_carlo() -> None:
    row = {**ROWS["warm and dry flue"], **REST}
    row["co2_dry"] = 9.0
    del row["o2_dry"]
    ours = compute({k: [v] for k, v in row.items()}, FUELS["propane"], accuracies=ACCURACIES)
    drawn = monte_carlo(FUELS["propane"], row, seed=12)
    for key in OUTPUTS:
        spread = float(np.nanstd(drawn[key]))
        assert ours.u[key][0] == pytest.approx(spread, rel=0.03, abs=1e-9), key


@pytest.mark.parametrize("above", [-6.0, -2.0, -1.0, -0.3, 0.0, 0.3, 1.0, 2.0, 8.0])
def test_spread_at_the_dew_point_is_that_of_monte_carlo_about_the_reported_value(
    above: float,
) -> None:
    base = {**ROWS["condensing"], **REST}
    fuel = FUELS["natural_gas"]
    dew = compute({k: [v] for k, v in base.items()}, fuel).values["water_dew_point"][0]
    row = {**base, "stack_temperature": float(dew) + above}
    ours = compute({k: [v] for k, v in row.items()}, fuel, accuracies=ACCURACIES)
    drawn = monte_carlo(fuel, row, seed=13)
    for key in (
        "condensed_share_of_combustion_water",
        "condensate_kg_per_kwh_gross",
        "efficiency_gross_condensing",
        "efficiency_net_condensing_with_co",
    ):
        reported = ours.values[key][0]
        square = float(np.sqrt(np.mean((drawn[key] - reported) ** 2)))
        assert ours.u[key][0] == pytest.approx(square, rel=0.06, abs=2e-5), key


def test_spread_of_the_condensed_share_is_not_zero_just_above_the_dew_point() -> None:
    base = {**ROWS["condensing"], **REST}
    dew = compute({k: [v] for k, v in base.items()}, FUELS["natural_gas"]).values["water_dew_point"]
    row = {**base, "stack_temperature": float(dew[0]) + 0.1}
    done = compute({k: [v] for k, v in row.items()}, FUELS["natural_gas"], accuracies=ACCURACIES)
    assert done.values["condensed_share_of_combustion_water"][0] == 0.0
    assert done.u["condensed_share_of_combustion_water"][0] > 0.005


def test_dry_gas_derivatives_agree_with_the_uncertainties_package() -> None:
    o2, co = uncertainties.ufloat(5.0, 0.1), uncertainties.ufloat(800.0, 40.0)
    fuel = FUELS["natural_gas"]
    dry = dry_gas_from_o2(fuel, o2, co)
    air = dry - fuel.dry_products_at_no_air - 0.5e-6 * dry * co
    theirs = 100.0 * (air / fuel.air_required - 1.0)
    ours = compute(
        {"o2_dry": [5.0], "co_dry": [800.0]},
        fuel,
        accuracies={
            "o2_dry": Accuracy(absolute=0.2),
            "co_dry": Accuracy(percent=10.0),
        },
    )
    assert ours.u["excess_air"][0] == pytest.approx(theirs.std_dev, rel=1e-10)


def test_the_larger_of_both_holds_and_coverage_0_is_rectangular() -> None:
    both = Accuracy(absolute=5.0, percent=10.0, coverage=2.0)
    assert both.standard(20.0) == 2.5
    assert both.standard(200.0) == 10.0
    assert Accuracy(absolute=5.0, coverage=0.0).standard(1.0) == pytest.approx(5.0 / math.sqrt(3))
    np.testing.assert_allclose(both.standard(np.array([20.0, 200.0])), [2.5, 10.0])
    with pytest.raises(ValueError, match="finite"):
        Accuracy(absolute=-1.0)


@pytest.mark.parametrize(
    ("text", "parts"),
    [
        ("0.2", (0.2, "", 0.0, 2.0)),
        ("0.2 % k=1", (0.2, "%", 0.0, 1.0)),
        ("+/-5 ppm or 10 % of reading", (5.0, "ppm", 10.0, 2.0)),
        ("2 %rdg, k=0", (0.0, "", 2.0, 0.0)),
        ("±1 degC", (1.0, "degC", 0.0, 2.0)),
    ],
)
def test_accuracies_are_read_as_people_write_them(text: str, parts: tuple[object, ...]) -> None:
    assert accuracy_from_text(text) == parts


@pytest.mark.parametrize("text", ["", "about", "1 ppm or 2 degC", "k=2"])
def test_an_accuracy_that_cannot_be_understood_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="accuracy"):
        accuracy_from_text(text)


def test_normal_distribution_agrees_with_the_error_function() -> None:
    for z in np.linspace(-6.0, 6.0, 101):
        exact = 0.5 * math.erfc(-float(z) / math.sqrt(2.0))
        assert normal_distribution(np.array([z]))[0] == pytest.approx(exact, abs=1e-7)


def test_without_accuracies_nothing_is_said() -> None:
    assert compute({"o2_dry": [5.0]}, FUELS["methane"]).u == {}
