"""Safety devices as data, and whether a trip came in time."""

from __future__ import annotations

import pytest

from ingest.service.models import SafetyTest
from ingest.service.safety import DEVICES, JURISDICTION_NOTE, Device, deciding_tests, timing


@pytest.mark.parametrize("device", DEVICES.values(), ids=DEVICES)
def test_every_way_to_provoke_a_device_carries_its_caution(device: Device) -> None:
    assert device.methods
    for method in device.methods.values():
        assert len(method.caution) > 20


def test_the_cautions_that_cost_lives_are_there() -> None:
    # Common practice: a lifted relief valve may not reseat; low-water tests only where allowed.
    relief = DEVICES["relief_valve"].methods["lift_lever"].caution
    assert "may not reseat" in relief
    for method in ("slow_drain", "evaporation"):
        assert "where" in DEVICES["low_water_cutoff"].methods[method].caution
    assert "Never add water to a dry" in DEVICES["low_water_cutoff"].methods["slow_drain"].caution


def test_no_frequency_and_no_licence_is_claimed() -> None:
    said = JURISDICTION_NOTE + " ".join(
        m.caution for d in DEVICES.values() for m in d.methods.values()
    )
    for word in ("monthly", "every year", "annually", "must be tested", "by law", "required"):
        assert word not in said.casefold()


def trip(value: float, unit: str, **more: object) -> SafetyTest:
    return SafetyTest.model_validate(
        {
            "device": "high_limit",
            "result": "tripped",
            "set_point": {"value": 200, "unit": "degF"},
            "trip": {"value": value, "unit": unit},
        }
        | more
    )


@pytest.mark.parametrize("tolerance", [{"value": 9, "unit": "degF"}, {"value": 5, "unit": "degC"}])
def test_a_tolerance_is_a_difference_in_every_unit(tolerance: dict[str, object]) -> None:
    assert timing(trip(209, "degF", tolerance=tolerance)) == "in_time"
    assert timing(trip(209.1, "degF", tolerance=tolerance)) == "late"
    assert timing(trip(191, "degF", tolerance=tolerance)) == "in_time"
    assert timing(trip(190.9, "degF", tolerance=tolerance)) == "early"


def test_the_edge_is_the_set_point_without_a_tolerance() -> None:
    assert timing(trip(200, "degF")) == "in_time"
    assert timing(trip(93.34, "degC")) == "late"
    assert timing(trip(150, "degF")) == "in_time"


def test_direction_follows_the_device_and_may_be_stated() -> None:
    assert timing(trip(190, "degF", direction="falling")) == "late"
    assert timing(trip(210, "degF", direction="falling")) == "in_time"


def test_units_that_do_not_convert_are_not_comparable() -> None:
    assert timing(trip(1000, "Pa")) == "not_comparable"
    assert timing(SafetyTest(device="high_limit", result="tripped")) == "not_comparable"
    assert timing(trip(1, "degF", device="of_our_own")) == "not_comparable"


def test_not_tested_does_not_take_the_place_of_a_test() -> None:
    tests = [trip(199, "degF"), trip(199, "degF", result="not_tested")]
    assert deciding_tests(tests)["high_limit"].result == "tripped"
    named = [trip(199, "degF", name="upper"), trip(199, "degF", name="lower")]
    assert list(deciding_tests(named)) == ["high_limit upper", "high_limit lower"]
