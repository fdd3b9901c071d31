"""Months and running hours, held against dateutil."""

from __future__ import annotations

import random
from datetime import date, timedelta

import pytest
from dateutil.relativedelta import relativedelta

from ingest.service.intervals import (
    CounterReading,
    add_months,
    count_between,
    day_of_count,
    end_of_month,
)


def test_months_agree_with_dateutil_on_every_day_of_a_leap_cycle() -> None:
    day = date(2023, 1, 1)
    while day < date(2029, 1, 1):
        for months in (-25, -12, -1, 0, 1, 2, 6, 12, 13, 24, 48, 1200):
            assert add_months(day, months) == day + relativedelta(months=months)
        day += timedelta(days=1)


@pytest.mark.parametrize(
    ("day", "months", "wanted"),
    [
        (date(2026, 1, 31), 1, date(2026, 2, 28)),
        (date(2028, 1, 31), 1, date(2028, 2, 29)),
        (date(2024, 2, 29), 12, date(2025, 2, 28)),
        (date(2024, 2, 29), 48, date(2028, 2, 29)),
        (date(2026, 8, 31), 6, date(2027, 2, 28)),
        (date(2026, 12, 31), 2, date(2027, 2, 28)),
    ],
)
def test_a_day_that_the_month_lacks_becomes_its_last(day: date, months: int, wanted: date) -> None:
    assert add_months(day, months) == wanted


def test_until_takes_a_month_a_day_or_a_year() -> None:
    assert end_of_month("2027-03") == date(2027, 3, 31)
    assert end_of_month("2027-03-15") == date(2027, 3, 15)
    assert end_of_month("2028") == date(2028, 12, 31)


@pytest.mark.parametrize("text", ["", "March 2027", "2027-13", "27", "2027-02-30"])
def test_until_refuses_what_is_no_date(text: str) -> None:
    with pytest.raises(ValueError, match="no date"):
        end_of_month(text)


def counter(*pairs: tuple[int, float]) -> list[CounterReading]:
    start = date(2026, 1, 1)
    return [CounterReading(start + timedelta(days=d), v) for d, v in pairs]


def test_running_hours_are_interpolated_between_readings() -> None:
    log = counter((0, 100), (10, 200), (20, 220))
    assert day_of_count(log, date(2026, 1, 1), 100) == date(2026, 1, 11)
    assert day_of_count(log, date(2026, 1, 6), 50) == date(2026, 1, 11)
    assert day_of_count(log, date(2026, 1, 11), 10) == date(2026, 1, 16)


def test_beyond_the_last_reading_the_mean_rate_goes_on() -> None:
    log = counter((0, 0), (10, 100))
    assert day_of_count(log, date(2026, 1, 11), 45) == date(2026, 1, 16)


def test_a_replaced_counter_does_not_lose_hours() -> None:
    log = counter((0, 9000), (10, 9100), (20, 50))
    assert count_between(log, date(2026, 1, 1), date(2026, 1, 21)) == 150


@pytest.mark.parametrize(
    "log", [[], counter((0, 5)), counter((0, 5), (0, 9)), counter((0, 5), (9, 5))]
)
def test_no_day_can_be_told_without_a_rate(log: list[CounterReading]) -> None:
    assert day_of_count(log, date(2026, 1, 1), 10) is None


def test_counter_days_agree_with_a_day_by_day_walk_over_random_logs() -> None:
    rng = random.Random(7)
    for _ in range(300):
        days = sorted(rng.sample(range(1, 700), rng.randint(2, 8)))
        total, log = 0.0, []
        for d in days:
            total += rng.randint(0, 400)
            log.append((d, total))
        if log[0][1] == log[-1][1]:
            continue
        readings = counter(*log)
        rng.shuffle(readings)
        start, amount = date(2026, 1, 1) + timedelta(days=rng.choice(days)), rng.randint(1, 3000)
        told = day_of_count(readings, start, amount)
        assert told is not None
        # The walk knows nothing of the solver: it only asks how much was gained until each day.
        gained = count_between(readings, start, told)
        before = count_between(readings, start, told - timedelta(days=1))
        assert gained is not None
        assert before is not None
        assert gained >= amount - 1e-6
        assert before < amount
