"""Carbon monoxide: both sides of each edge, and the uncertainty straddling it.

At O2 4.5 % CO air-free is CO * 20.9 / 16.4. The default accuracy is the maximum permissible error
in use of OIML R 144-1:2013 (read): 5 ppm or 10 %, rectangular, so u is 5.8 % of reading.
"""

from __future__ import annotations

import pytest

from ingest.models import AccuracySpec
from ingest.rules.point import AIR_O2
from parsers.model import Bound
from tests.ingest.cases import (
    RATES,
    boiler,
    flag,
    judged,
    not_judged,
    point,
    points,
    severity,
    visit,
)

GAIN = 20.9 / (20.9 - 4.5)
SURE = {"accuracies": {"co_dry": {"absolute": 1.0}, "o2_dry": {"absolute": 0.02}}}


def at(air_free: float) -> list:  # type: ignore[type-arg]
    return [point(20, co_dry=air_free / GAIN), *points()[1:]]


@pytest.mark.parametrize(
    ("air_free", "rule", "expected"),
    [
        (90, "co_elevated", None),
        (110, "co_elevated", "check"),
        (190, "co_elevated", "check"),
        (190, "co_above_limit", None),
        (210, "co_above_limit", "fix"),
        (390, "co_above_limit", "fix"),
        (400.5, "co_above_limit", "stop"),
        (5000, "co_above_limit", "stop"),
    ],
)
def test_co_on_both_sides_of_each_limit(air_free: float, rule: str, expected: str | None) -> None:
    result = judged(at(air_free), during=visit(instrument=SURE))
    assert severity(result, rule) == expected


def test_co_near_the_check_limit_is_too_close_to_tell_and_a_check() -> None:
    found = flag(judged(at(98.0)), "co_elevated")
    assert found is not None
    assert (found.answer, found.severity) == ("too_close", "check")
    assert found.probability_beyond is not None and 0.05 < found.probability_beyond < 0.5


def test_co_near_the_fix_limit_stays_a_check_until_it_is_sure() -> None:
    assert severity(judged(at(205.0)), "co_elevated") == "check"
    assert severity(judged(at(230.0)), "co_above_limit") == "fix"


def test_uncertainty_never_lowers_a_stop() -> None:
    wide = visit(instrument={"accuracies": {"co_dry": {"percent": 80.0}}})
    assert severity(judged(at(401.0), during=wide), "co_above_limit") == "stop"


def test_co_air_free_equals_co_when_o2_is_zero() -> None:
    found = flag(judged([point(20, co_dry=300.0, o2_dry=0.0), *points()[1:]]), "o2_below_band")
    assert found is not None and any("CO air-free is 300 ppm" in e for e in found.effects)


@pytest.mark.published
def test_co_air_free_of_the_field_form() -> None:
    # CO * 20.9 / (20.9 - O2): the field's standard form (status: memory).
    assert AIR_O2 == 20.9
    result = judged([point(20, co_dry=150.0, o2_dry=5.0)])
    found = flag(result, "co_elevated") or flag(result, "co_above_limit")
    assert found is not None and found.value == pytest.approx(150 * 20.9 / 15.9)


def test_a_sensor_at_its_range_end_is_a_stop_whatever_the_number() -> None:
    ranged = visit(instrument={"ranges": {"co_dry": {"high": 200.0}}})
    assert severity(judged(at(GAIN * 200.0), during=ranged), "co_sensor_range_end") == "stop"
    assert severity(judged(at(GAIN * 60.0), during=ranged), "co_sensor_range_end") is None


def test_a_range_mark_alone_is_a_stop() -> None:
    marked = point(20, co_dry=None, bounds={"co_dry": Bound(above=2000.0)})
    found = flag(judged([marked, *points()[1:]]), "co_sensor_range_end")
    assert found is not None and found.severity == "stop" and "2000 ppm" in found.message


@pytest.mark.parametrize(
    ("last", "expected"), [(22.0, None), (34.0, None), (60.0, "fix"), (150.0, "fix")]
)
def test_co_still_rising_at_the_end_of_a_point(last: float, expected: str | None) -> None:
    series = [{"co_dry": v} for v in (15, 16, 18, 20, last - 1, last)]
    rising = point(20, co_dry=30.0, readings=series)
    assert severity(judged([rising, *points()[1:]]), "co_still_rising") == expected


def test_co_that_came_to_rest_is_not_rising() -> None:
    series = [{"co_dry": v} for v in (90, 60, 30, 20, 15, 15)]
    assert severity(judged([point(20, readings=series)]), "co_still_rising") is None


@pytest.mark.parametrize(("end", "expected"), [(30.0, None), (56.0, "info"), (75.0, "check")])
def test_co_rising_towards_an_end(end: float, expected: str | None) -> None:
    shape = [end, 20.0, 12.0]
    rising = [
        point(p.key.firing_rate, co_dry=v / GAIN) for p, v in zip(points(), shape, strict=True)
    ]
    assert severity(judged(rising), "co_rising_towards_end") == expected


def test_one_odd_point_is_no_trend() -> None:
    odd = [point(r, co_dry=v / GAIN) for r, v in zip(RATES, (75.0, 8.0, 12.0), strict=True)]
    assert severity(judged(odd), "co_rising_towards_end") == "check"
    dented = [point(r, co_dry=v / GAIN) for r, v in zip(RATES, (75.0, 8.0, 22.0), strict=True)]
    assert severity(judged(dented), "co_rising_towards_end") is None


def test_co_without_o2_is_not_judged() -> None:
    result = judged(points(o2_dry=None, co2_dry=None))
    assert {"co_above_limit", "co_elevated"} <= not_judged(result)


def test_a_company_may_state_other_limits() -> None:
    strict = boiler(limits={"co_air_free_check": 50, "co_air_free_fix": 80, "source": "own list"})
    found = flag(judged(at(100.0), of=strict), "co_above_limit")
    assert found is not None and found.source is not None
    assert (found.source.text, found.source.level) == ("own list", "boiler")


def test_stated_accuracy_is_used() -> None:
    assert AccuracySpec(absolute=1.0).coverage == 2.0
    sure = judged(at(98.0), during=visit(instrument=SURE))
    assert severity(sure, "co_elevated") is None


@pytest.mark.parametrize(
    ("o2", "co", "rule", "expected"),
    [
        (15.0, 120.0, "co_above_limit", "stop"),  # 120 * 20.9 / 5.9 = 425 air-free
        (15.1, 120.0, "co_above_limit", None),
        (15.1, 120.0, "co_elevated", "check"),
        (16.0, 250.0, "co_above_limit", "fix"),
        (17.0, 450.0, "co_above_limit", "stop"),
        (17.0, 20.0, "co_elevated", None),
    ],
)
def test_above_15_percent_o2_the_reading_itself_is_the_least_that_is_judged(
    o2: float, co: float, rule: str, expected: str | None
) -> None:
    result = judged([point(20, o2_dry=o2, co_dry=co), *points()[1:]], during=visit(instrument=SURE))
    assert severity(result, rule) == expected


def test_only_diluted_samples_leave_co_not_judged() -> None:
    result = judged([point(rate, o2_dry=16.0, co_dry=20.0) for rate in RATES])
    assert "co_above_limit" in not_judged(result)
