"""Readings to firing points, and what the uploader may state about them."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from parsers import LineRange, PointsUnclear, Reading, assign, firing_points

NOON = datetime(2026, 9, 14, 12, tzinfo=UTC)


def reading(o2: float, line: int, rate: float | None = None, minute: int | None = None) -> Reading:
    values = {"o2_dry": o2} | ({} if rate is None else {"firing_rate": rate})
    time = None if minute is None else NOON + timedelta(minutes=minute)
    return Reading(values, time, firing_rate=rate, lines=(line,), phase="as_left", fuel="gas")


SNAPSHOTS = [reading(o2, line) for line, o2 in enumerate((3.0, 3.5, 4.5, 6.0), 5)]


def test_rates_are_put_to_readings_in_the_order_of_the_file() -> None:
    done = assign(SNAPSHOTS, rates=[100, 75, 50, 25])
    assert [r.firing_rate for r in done] == [100.0, 75.0, 50.0, 25.0]


@pytest.mark.parametrize("rates", [[100, 75, 50], [100, 75, 50, 25, 10], [100]])
def test_a_count_of_rates_that_does_not_match_is_refused(rates: list[float]) -> None:
    with pytest.raises(PointsUnclear) as caught:
        assign(SNAPSHOTS, rates=rates)
    assert f"{len(rates)} firing rates are stated for 4 readings" in str(caught.value)


def test_a_statement_against_the_file_is_refused() -> None:
    with pytest.raises(PointsUnclear):
        assign([reading(3.0, 5, rate=100.0)], rates=[50])
    with pytest.raises(PointsUnclear):
        assign(SNAPSHOTS, rates=[100, 75, 50, 400])


def test_line_ranges_state_rate_phase_and_fuel() -> None:
    bare = [replace(r, phase=None, fuel=None) for r in SNAPSHOTS]
    done = assign(
        bare,
        line_ranges=[
            LineRange(5, 6, firing_rate=100, phase="as_found"),
            LineRange(7, 8, firing_rate=50, fuel="oil"),
        ],
        phase="as_left",
        fuel="gas",
    )
    assert [(r.firing_rate, r.phase, r.fuel) for r in done] == [
        (100.0, "as_found", "gas"),
        (100.0, "as_found", "gas"),
        (50.0, "as_left", "oil"),
        (50.0, "as_left", "oil"),
    ]


def test_ranges_that_overlap_or_hold_nothing_are_refused_together() -> None:
    with pytest.raises(PointsUnclear) as caught:
        assign(SNAPSHOTS, line_ranges=[LineRange(5, 7), LineRange(7, 8), LineRange(50, 60)])
    assert {p.code for p in caught.value.problems} == {"ranges_overlap", "range_without_reading"}


def test_several_samples_at_one_rate_are_one_point() -> None:
    points = firing_points([reading(3.0, 5, 100, 0), reading(3.2, 6, 100, 1)])
    assert len(points) == 1
    o2 = points[0].values["o2_dry"]
    assert (o2.mean, o2.count) == (pytest.approx(3.1), 2)
    assert o2.spread == pytest.approx(0.1414, abs=1e-4)  # sample standard deviation
    assert points[0].seconds == 60.0
    assert points[0].rate_basis == "file"


def test_a_return_to_a_rate_is_a_new_pass() -> None:
    points = firing_points([reading(3, 1, 100), reading(5, 2, 50), reading(3, 3, 100)])
    assert [(p.key.firing_rate, p.key.pass_number) for p in points] == [
        (100.0, 1), (50.0, 1), (100.0, 2),
    ]  # fmt: skip


def test_a_file_written_newest_first_gives_the_same_points() -> None:
    rows = [reading(3, 1, 100, 0), reading(5, 2, 50, 5), reading(6, 3, 25, 9)]
    forward = [p.key for p in firing_points(rows)]
    assert [p.key for p in firing_points(rows[::-1])] == forward


def test_readings_without_rate_phase_or_fuel_are_named() -> None:
    with pytest.raises(PointsUnclear) as caught:
        firing_points([Reading({"o2_dry": 3.0}, lines=(7,))])
    problem = caught.value.problems[0]
    assert problem.line == 7
    assert "no firing rate and no phase and no fuel" in problem.message
    with pytest.raises(PointsUnclear):
        firing_points([])
