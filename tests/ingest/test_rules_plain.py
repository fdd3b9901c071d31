"""Room, intake, flame, pressures, smoke, NOx, gas balance and the instrument."""

from __future__ import annotations

import pytest

from tests.ingest.cases import boiler, flag, judged, not_judged, point, points, severity, visit


@pytest.mark.parametrize(
    ("ppm", "expected"),
    [
        (5.0, None),
        (9.0, "check"),
        (14.0, "check"),
        (35.0, "check"),
        (36.0, "stop"),
        (250.0, "stop"),
    ],
)
def test_room_co(ppm: float, expected: str | None) -> None:
    result = judged(during=visit(room_co=[{"value": 1}, {"value": ppm}]))
    assert severity(result, "room_co") == expected


def test_room_co_says_leave_and_ventilate_first_and_when_not_to_go_back() -> None:
    at_36 = flag(judged(during=visit(room_co=[{"value": 36}])), "room_co")
    at_250 = flag(judged(during=visit(room_co=[{"value": 250}])), "room_co")
    assert at_36 is not None and at_36.message.startswith("Leave the room and ventilate it first")
    assert "do not go back in" not in at_36.message
    assert at_250 is not None and "do not go back in" in at_250.message


def test_room_co_from_a_reading() -> None:
    assert severity(judged(points(room_co=40.0)), "room_co") == "stop"


@pytest.mark.parametrize(
    ("o2", "co2", "expected"),
    [(20.9, 0.05, None), (20.6, 0.05, "info"), (20.4, 0.05, "fix"), (20.8, 0.35, "fix")],
)
def test_flue_gas_in_the_intake(o2: float, co2: float, expected: str | None) -> None:
    assert severity(judged(points(intake_o2=o2, intake_co2=co2)), "flue_gas_in_intake") == expected


@pytest.mark.parametrize(("ua", "expected"), [(1.3, None), (1.03, "info"), (0.7, "check")])
def test_flame_signal(ua: float, expected: str | None) -> None:
    assert severity(judged(points(flame_signal=ua)), "flame_signal_weak") == expected


def test_a_stated_flame_signal_minimum_is_a_fix() -> None:
    of = boiler(limits={"flame_signal_min": 3.0})
    assert severity(judged(points(flame_signal=2.0), of=of), "flame_signal_weak") == "fix"


@pytest.mark.parametrize(
    ("pa", "expected"),
    [(1250.0, None), (1005.0, "info"), (900.0, "fix"), (1495.0, "info"), (1700.0, "fix")],
)
@pytest.mark.parametrize("key", ["gas_inlet_pressure", "manifold_pressure", "overfire_draft"])
def test_pressures(key: str, pa: float, expected: str | None) -> None:
    of = boiler(limits={key: {"low": 1000, "high": 1500}})
    assert severity(judged(points(**{key: pa}), of=of), f"{key}_off") == expected


def test_draft_of_a_stated_range() -> None:
    of = boiler(limits={"stack_draft": {"low": -25, "high": -5}})
    assert severity(judged(points(stack_draft=3.0), of=of), "stack_draft_off") == "fix"
    assert severity(judged(points(stack_draft=-15.0), of=of), "stack_draft_off") is None


@pytest.mark.parametrize(("number", "expected"), [(1.0, None), (2.0, "fix")])
def test_smoke(number: float, expected: str | None) -> None:
    assert severity(judged(points(smoke_number=number)), "smoke_number_high") == expected


@pytest.mark.parametrize(("at_3", "expected"), [(40.0, None), (59.0, "info"), (75.0, "fix")])
def test_nox_at_three_percent(at_3: float, expected: str | None) -> None:
    of = boiler(limits={"nox_at_3_o2_max": 60.0})
    read = at_3 * (20.9 - 4.5) / (20.9 - 3.0)
    assert severity(judged(points(nox_dry=read), of=of), "nox_above_limit") == expected
    from_no = judged(points(no_dry=read * 0.95), of=of)
    assert severity(from_no, "nox_above_limit") == expected


@pytest.mark.parametrize(
    ("co2", "expected"), [(9.3, None), (9.6, None), (10.8, "check"), (8.0, "check")]
)
def test_o2_and_co2_that_do_not_belong_to_the_fuel(co2: float, expected: str | None) -> None:
    assert severity(judged(points(co2_dry=co2)), "o2_co2_mismatch") == expected


def test_the_fuel_that_would_fit_is_named() -> None:
    # Propane: 13.7 to 13.8 % CO2 ultimate.
    found = flag(judged(points(co2_dry=13.77 * (1 - 4.5 / 20.94))), "o2_co2_mismatch")
    assert found is not None and "propane" in found.message


def test_an_instrument_that_leans_one_way_at_all_rates() -> None:
    before = [points() for _ in range(3)]
    wide = boiler(limits={"targets": [{"firing_rate": 100, "o2_dry": {"low": 2.0, "high": 8.0}}]})
    off = points(o2_dry=5.9, co2_dry=11.86 * (1 - 5.9 / 20.94))
    near = points(o2_dry=5.0, co2_dry=11.86 * (1 - 5.0 / 20.94))
    assert severity(judged(off, of=wide, before=before), "instrument_drift") == "check"
    assert severity(judged(near, of=wide, before=before), "instrument_drift") is None
    uneven = [point(20, o2_dry=6.5, co2_dry=8.2), *points()[1:]]
    assert severity(judged(uneven, of=wide, before=before), "instrument_drift") is None


@pytest.mark.parametrize(
    ("calibrated", "expected"),
    [("2026-01-10", None), ("2025-11-25", None), ("2025-11-24", "check"), ("2027-01-01", "check")],
)
def test_calibration(calibrated: str, expected: str | None) -> None:
    during = visit(started="2026-11-25T08:00:00Z", instrument={"calibrated": calibrated})
    assert severity(judged(during=during), "calibration_expired") == expected


def test_another_calibration_interval() -> None:
    during = visit(started="2026-11-25T08:00:00Z", instrument={"calibrated": "2026-05-01"})
    of = boiler(limits={"calibration_interval_days": 180})
    assert severity(judged(of=of, during=during), "calibration_expired") == "check"


@pytest.mark.parametrize(
    ("instrument", "expected"),
    [
        ({"leak_check": True, "fresh_air_zero": True}, None),
        ({"leak_check": False, "fresh_air_zero": True}, "check"),
        ({"leak_check": True, "fresh_air_zero": False}, "check"),
        ({"fresh_air_after": {"o2_dry": 20.7}}, None),
        ({"fresh_air_after": {"o2_dry": 20.5}}, "check"),
        ({"fresh_air_after": {"co_dry": 15}}, "check"),
    ],
)
def test_instrument_checks(instrument: dict[str, object], expected: str | None) -> None:
    during = visit(instrument=instrument)
    assert severity(judged(during=during), "instrument_check_failed") == expected


def test_a_check_that_is_not_recorded_is_info() -> None:
    during = visit(instrument={"name": "analyzer 3"})
    assert severity(judged(during=during), "instrument_check_missing") == "info"


def test_a_reading_outside_the_instruments_range() -> None:
    during = visit(instrument={"ranges": {"stack_temperature": {"high": 140}}})
    assert severity(judged(during=during), "instrument_range") == "check"


@pytest.mark.parametrize(
    ("key", "value", "expected"),
    [
        # 28.2 % on the fuel's own balance and 31.4 % on O2 / (20.9 - O2) are both usual at 5 %.
        ("stated_excess_air", 25.0, None),
        ("stated_excess_air", 27.4, None),
        ("stated_excess_air", 45.0, "check"),
        ("stated_lambda", 1.26, None),
        ("stated_lambda", 1.5, "check"),
        ("stated_co_air_free", 19.0, None),
        ("stated_co_air_free", 60.0, "check"),
        ("stated_efficiency_gross", 84.0, None),
        ("stated_efficiency_gross", 78.0, "check"),
        ("stated_efficiency", 93.3, None),
    ],
)
def test_the_analyzers_own_figures(key: str, value: float, expected: str | None) -> None:
    assert severity(judged(points(**{key: value})), "analyzer_disagrees") == expected


def test_what_was_not_read_is_not_judged() -> None:
    lacking = not_judged(judged())
    assert {
        "room_co", "flue_gas_in_intake", "nox_above_limit", "gas_inlet_pressure_off",
        "manifold_pressure_off", "stack_draft_off", "overfire_draft_off", "smoke_number_high",
        "calibration_expired", "instrument_check_failed", "instrument_range",
        "analyzer_disagrees", "stack_temperature_high", "vent_overheated",
    } <= lacking  # fmt: skip
