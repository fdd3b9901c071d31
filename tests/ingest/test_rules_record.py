"""The record itself: rates, times, copies, work without effect."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from parsers.points import FiringPoint, Settled
from tests.ingest.cases import boiler, flag, judged, not_judged, point, points, severity, visit

NOON = datetime(2026, 11, 25, 12, tzinfo=UTC)


def timed(at: list[FiringPoint], start: datetime) -> list[FiringPoint]:
    return [
        replace(
            p, started=start + timedelta(minutes=9 * k), ended=start + timedelta(minutes=9 * k + 2)
        )
        for k, p in enumerate(at)
    ]


def nudged(at: list[FiringPoint], by: float) -> list[FiringPoint]:
    """Return points whose every figure moved a little, as two measurements differ."""
    return [
        replace(p, values={k: Settled(v.mean * (1 + by)) for k, v in p.values.items()}) for p in at
    ]


@pytest.mark.parametrize(
    ("rates", "expected"),
    [((20.0, 60.0, 100.0), None), ((20.0, 100.0), "check"), ((20.0, 57.0, 98.0), None)],
)
def test_required_rates(rates: tuple[float, ...], expected: str | None) -> None:
    of = boiler(limits={"required_rates": [20, 60, 100]})
    assert severity(judged([point(r) for r in rates], of=of), "rates_missing") == expected


def test_rates_read_as_found_are_wanted_as_left() -> None:
    at = [*nudged(points("as_found"), 0.01), point(60), point(100)]
    found = flag(judged(at), "rates_missing")
    assert found is not None and "20 %" in found.message


def test_one_rate_alone_proves_no_range() -> None:
    assert severity(judged([point(100)]), "rates_missing") == "check"


def test_rates_swapped_by_input() -> None:
    at = [point(20, fuel_input=500.0), point(60, fuel_input=300.0), point(100, fuel_input=100.0)]
    assert severity(judged(at), "rates_swapped") == "check"
    right = [point(20, fuel_input=100.0), point(60, fuel_input=300.0), point(100, fuel_input=500.0)]
    assert severity(judged(right), "rates_swapped") is None


def test_rates_swapped_by_stack_temperature() -> None:
    at = [point(20, stack_temperature=190.0), point(100, stack_temperature=120.0)]
    assert severity(judged(at), "rates_swapped") == "check"
    near = [point(20, stack_temperature=130.0), point(100, stack_temperature=120.0)]
    assert severity(judged(near), "rates_swapped") is None


def test_one_rate_written_twice() -> None:
    of = boiler(limits={"required_rates": [20, 60, 100]})
    at = [point(60), point(100), point(100, pass_number=2, stack_temperature=120.0)]
    assert severity(judged(at, of=of), "rate_repeated") == "check"
    whole = [*points(), point(100, pass_number=2, stack_temperature=120.0)]
    assert severity(judged(whole, of=of), "rate_repeated") is None


def test_one_point_under_two_rates() -> None:
    twin = {"o2_dry": 4.4, "co2_dry": 9.4, "co_dry": 17.0, "stack_temperature": 155.0}
    assert severity(judged([point(20), point(60, **twin), point(100, **twin)]), "rate_repeated")
    other = {**twin, "stack_temperature": 156.0}
    result = judged([point(20), point(60, **twin), point(100, **other)])
    assert severity(result, "rate_repeated") is None


def test_two_rates_written_as_one_row_after_the_other() -> None:
    rows = [
        {"o2_dry": 3.6, "stack_temperature": 180.0},
        {"o2_dry": 5.0, "stack_temperature": 150.0},
    ]
    of = boiler(limits={"required_rates": [20, 60, 100]})
    result = judged([point(20), point(100, readings=rows)], of=of)
    assert severity(result, "rate_repeated") == "check"


def test_swapped_rates_of_a_condensing_boiler_show_in_its_curve() -> None:
    sloped = boiler(
        condensing=True,
        limits={
            "targets": [
                {"firing_rate": 20, "o2_dry": {"low": 4.5, "aim": 6.0, "high": 7.5}},
                {"firing_rate": 100, "o2_dry": {"low": 3.0, "aim": 4.5, "high": 6.0}},
            ]
        },
    )
    low = {"o2_dry": 4.6, "co2_dry": 9.25, "stack_temperature": 70.0}
    high = {"o2_dry": 5.9, "co2_dry": 8.5, "stack_temperature": 64.0}
    assert severity(judged([point(20, **low), point(100, **high)], of=sloped), "rates_swapped")
    right = judged([point(20, **high), point(100, **low)], of=sloped)
    assert severity(right, "rates_swapped") is None


def test_the_ends_of_the_target_curve_are_wanted_where_nobody_states_rates() -> None:
    assert severity(judged([point(60), point(100)]), "rates_missing") == "check"
    assert severity(judged([point(30), point(100)]), "rates_missing") is None


@pytest.mark.parametrize(("drift", "expected"), [(0.3, None), (0.48, None), (0.9, "check")])
def test_a_point_that_still_moves(drift: float, expected: str | None) -> None:
    series = [{"o2_dry": 4.5 + drift * (k / 5 - 0.5)} for k in range(6)]
    assert (
        severity(judged([point(20, readings=series), *points()[1:]]), "unsettled_point") == expected
    )


def test_as_left_before_as_found_cannot_be() -> None:
    found, left = nudged(points("as_found"), 0.02), points()
    wrong = [*timed(found, NOON), *timed(left, NOON - timedelta(hours=2))]
    right = [*timed(found, NOON), *timed(left, NOON + timedelta(hours=2))]
    assert severity(judged(wrong), "times_impossible") == "check"
    assert severity(judged(right), "times_impossible") is None


@pytest.mark.parametrize(
    ("hours", "expected"), [(-13, "check"), (-11, None), (3, None), (25, "check")]
)
def test_points_far_from_the_visit(hours: float, expected: str | None) -> None:
    at = timed(points(), NOON + timedelta(hours=hours))
    during = visit(started=NOON.isoformat())
    assert severity(judged(at, during=during), "times_impossible") == expected


@pytest.mark.parametrize(("minutes", "expected"), [(-30, None), (60, "fix")])
def test_as_left_older_than_the_last_change(minutes: float, expected: str | None) -> None:
    when = (NOON + timedelta(minutes=minutes)).isoformat()
    during = visit(adjustments=[{"what": "gas valve set", "time": when}])
    assert severity(judged(timed(points(), NOON), during=during), "stale_as_left") == expected


def test_an_adjustment_without_time_is_not_judged_as_stale() -> None:
    result = judged(timed(points(), NOON), during=visit(adjustments=[{"what": "damper"}]))
    assert "stale_as_left" in not_judged(result)


def test_as_left_copied_from_as_found() -> None:
    at = [*points("as_found"), *points()]
    assert severity(judged(at), "copied_as_found") == "check"
    honest = [*nudged(points("as_found"), 0.01), *points()]
    assert severity(judged(honest), "copied_as_found") is None


def test_one_equal_point_of_three_is_chance() -> None:
    few = dict.fromkeys(("return_water_temperature", "supply_water_temperature"))
    few |= dict.fromkeys(("flame_signal", "combustion_air_temperature"))
    found = [point(20, "as_found", **few), *nudged(points("as_found")[1:], 0.02)]
    left = [point(20, **few), *points()[1:]]
    assert severity(judged([*found, *left]), "copied_as_found") is None


def test_readings_of_an_earlier_visit_used_again() -> None:
    assert severity(judged(before=[points()]), "copied_earlier_visit") == "check"
    assert severity(judged(before=[nudged(points(), 0.01)]), "copied_earlier_visit") is None


def test_adjusted_and_nothing_changed() -> None:
    at = [*nudged(points("as_found"), 0.004), *points()]
    adjusted = visit(adjusted=True)
    assert severity(judged(at, during=adjusted), "no_change_after_adjustment") == "check"
    moved = [*points("as_found", o2_dry=5.2, co2_dry=8.9), *points()]
    assert severity(judged(moved, during=adjusted), "no_change_after_adjustment") is None
    assert severity(judged(at), "no_change_after_adjustment") is None


def test_a_fuel_nobody_can_name_is_said() -> None:
    at = [point(r, fuel="phlogiston") for r in (20, 60, 100)]
    assert severity(judged(at), "fuel_unclear") == "info"


def test_spellings_of_one_fuel_are_one_curve() -> None:
    at = [point(20, fuel="Natural gas"), point(60, fuel="natural_gas"), point(100, fuel="ng")]
    assert judged(at).worst is None
