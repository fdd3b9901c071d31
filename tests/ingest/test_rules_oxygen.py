"""O2 against band, curve, season, passes and the boiler's own sensor."""

from __future__ import annotations

import pytest

from tests.ingest.cases import boiler, flag, judged, not_judged, point, points, severity, visit


def co2(o2: float) -> float:
    """CO2 of natural gas to the O2, so that only the rule under test speaks."""
    return 11.86 * (1 - o2 / 20.94)


def low_fire(o2: float) -> list:  # type: ignore[type-arg]
    return [point(20, o2_dry=o2, co2_dry=co2(o2)), *points()[1:]]


@pytest.mark.parametrize(
    ("o2", "rule", "expected"),
    [
        (3.71, "o2_below_band", None),
        (3.51, "o2_below_band", "info"),
        (3.45, "o2_below_band", "info"),
        (3.30, "o2_below_band", "fix"),
        (5.29, "o2_above_band", None),
        (5.45, "o2_above_band", "info"),
        (5.70, "o2_above_band", "fix"),
    ],
)
def test_o2_on_both_sides_of_each_edge(o2: float, rule: str, expected: str | None) -> None:
    # Accuracy 0.2 % at 95 %: u 0.1, so 0.165 beyond the edge is p 0.95.
    result = judged(low_fire(o2))
    assert severity(result, rule) == expected
    found = flag(result, rule)
    if expected is not None:
        assert found is not None
        assert found.answer == ("too_close" if expected == "info" else "beyond")


def test_the_band_is_interpolated_over_firing_rate() -> None:
    sloped = boiler(
        limits={
            "targets": [
                {"firing_rate": 20, "o2_dry": {"low": 6.0, "high": 8.0}},
                {"firing_rate": 100, "o2_dry": {"low": 2.0, "high": 4.0}},
            ]
        }
    )
    result = judged([point(60, o2_dry=3.0, co2_dry=co2(3.0))], of=sloped)
    found = flag(result, "o2_below_band")
    assert found is not None and (found.low, found.high) == (4.0, 6.0)


def test_a_co2_band_is_stored_as_printed_and_compared_as_o2() -> None:
    printed = boiler(
        limits={"targets": [{"firing_rate": 100, "co2_dry": {"low": 8.5, "high": 9.5}}]}
    )
    assert printed.limits.targets[0].co2_dry is not None
    found = flag(judged([point(100, o2_dry=2.0, co2_dry=co2(2.0))], of=printed), "o2_below_band")
    # 9.5 % CO2 of natural gas with 11.8 to 11.9 % ultimate stands at 4.1 to 4.2 % O2.
    assert found is not None and found.low == pytest.approx(4.15, abs=0.1)


def test_a_target_for_another_fuel_does_not_hold() -> None:
    other = boiler(
        limits={
            "targets": [
                {"firing_rate": 100, "fuel": "propane", "o2_dry": {"low": 6.0, "high": 8.0}},
                {"firing_rate": 100, "fuel": "natural gas", "o2_dry": {"low": 4.0, "high": 5.0}},
            ]
        }
    )
    assert severity(judged(points(), of=other), "o2_below_band") is None


def test_without_a_target_the_default_band_is_a_check() -> None:
    bare = boiler(limits={"targets": []})
    result = judged(points(o2_dry=1.2, co2_dry=co2(1.2)), of=bare)
    found = flag(result, "o2_below_band")
    assert found is not None and found.source is not None
    assert (found.severity, found.source.level) == ("check", "default")
    assert "o2_spread" in not_judged(result)


@pytest.mark.parametrize(("difference", "expected"), [(0.8, None), (1.02, "info"), (1.3, "fix")])
def test_o2_spread_with_each_end_inside_its_band(difference: float, expected: str | None) -> None:
    low, high = 4.5 + difference / 2, 4.5 - difference / 2
    at = [point(20, o2_dry=low, co2_dry=co2(low)), point(100, o2_dry=high, co2_dry=co2(high))]
    result = judged(at)
    assert severity(result, "o2_spread") == expected
    assert severity(result, "o2_below_band") is None


def test_shared_calibration_error_is_counted_once_in_the_spread() -> None:
    # 0.6 % at 95 % as a level, but a third of it is each reading's own: 1.4 % apart is still sure.
    poor = visit(instrument={"accuracies": {"o2_dry": {"absolute": 0.6}}})
    low, high = 5.2, 3.8
    at = [point(20, o2_dry=low, co2_dry=co2(low)), point(100, o2_dry=high, co2_dry=co2(high))]
    found = flag(judged(at, during=poor), "o2_spread")
    assert found is not None and found.answer == "beyond"
    assert found.uncertainty == pytest.approx(0.1 * 2**0.5)


def test_spread_follows_the_target_curves_own_difference() -> None:
    sloped = boiler(
        limits={
            "targets": [
                {"firing_rate": 20, "o2_dry": {"low": 6.0, "aim": 7.0, "high": 8.0}},
                {"firing_rate": 100, "o2_dry": {"low": 2.0, "aim": 3.0, "high": 4.0}},
            ]
        }
    )
    at = [point(20, o2_dry=7.0, co2_dry=co2(7.0)), point(100, o2_dry=3.0, co2_dry=co2(3.0))]
    assert judged(at, of=sloped).worst is None


@pytest.mark.parametrize(("difference", "expected"), [(0.5, None), (0.65, None), (0.9, "check")])
def test_hysteresis_between_two_passes(difference: float, expected: str | None) -> None:
    back = 4.5 + difference
    at = [*points(), point(60, pass_number=2, o2_dry=back, co2_dry=co2(back))]
    assert severity(judged(at), "linkage_hysteresis") == expected


def test_a_return_to_a_rate_is_correct_work() -> None:
    at = [*points(), point(60, pass_number=2, o2_dry=4.6, stack_temperature=151.0)]
    assert judged(at).worst is None


@pytest.mark.parametrize(("wet", "expected"), [(3.75, None), (3.9, None), (4.9, "check")])
def test_the_boilers_own_wet_sensor_is_brought_to_dry(wet: float, expected: str | None) -> None:
    # 4.5 % dry stands at about 3.75 % wet for natural gas: 15 to 17 % of the wet gas is water.
    result = judged(points(o2_wet=wet))
    assert severity(result, "boiler_oxygen_sensor_off") == expected


@pytest.mark.parametrize(
    ("control", "air", "expected"),
    [
        ("fixed_air", -10.0, "check"),
        ("fixed_air", 30.0, "info"),
        ("unknown", -10.0, "info"),
        ("unknown", 22.0, None),
        ("oxygen_trim", -10.0, None),
    ],
)
def test_projected_over_the_seasons(control: str, air: float, expected: str | None) -> None:
    result = judged(points(combustion_air_temperature=air), of=boiler(air_fuel_control=control))
    assert severity(result, "o2_leaves_band_with_seasons") == expected


def test_o2_not_read_is_not_judged() -> None:
    lacking = not_judged(judged(points(o2_dry=None)))
    assert {"o2_below_band", "o2_above_band", "o2_spread", "o2_co2_mismatch"} <= lacking
