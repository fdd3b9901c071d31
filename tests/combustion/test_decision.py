"""Within, beyond, too close: both sides of each edge."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from combustion.decision import conformance_probability, decide

EDGE = 1.6448536269514722
"""Quantile of 0.95 of the standard normal distribution (tables)."""


def test_answers_change_at_95_percent_on_both_sides_of_an_upper_limit() -> None:
    assert decide(100.0 + (EDGE + 1e-6) * 5.0, 5.0, high=100.0)[0] == "beyond"
    assert decide(100.0 + (EDGE - 1e-6) * 5.0, 5.0, high=100.0)[0] == "too_close"
    assert decide(100.0 - (EDGE - 1e-6) * 5.0, 5.0, high=100.0)[0] == "too_close"
    assert decide(100.0 - (EDGE + 1e-6) * 5.0, 5.0, high=100.0)[0] == "within"


def test_a_lower_limit_mirrors_an_upper_one() -> None:
    below = decide(2.0, 0.5, low=3.0)
    above = decide(4.0, 0.5, high=3.0)
    assert below[0] == above[0] == "beyond"
    assert below[1] == pytest.approx(above[1], rel=1e-12)


def test_an_exact_value_is_within_at_the_limit_and_beyond_past_it() -> None:
    assert decide(100.0, 0.0, high=100.0) == ("within", 0.0)
    assert decide(math.nextafter(100.0, 200.0), 0.0, high=100.0) == ("beyond", 1.0)


def test_a_band_narrower_than_the_uncertainty_is_never_surely_met() -> None:
    assert decide(5.0, 1.0, low=4.5, high=5.5)[0] == "too_close"


def test_tiny_probabilities_are_not_lost() -> None:
    assert 0.0 < decide(0.0, 1.0, high=10.0)[1] < 1e-20


@given(st.floats(-1e3, 1e3), st.floats(0.001, 1e3), st.floats(-1e3, 1e3), st.floats(0.0, 1e3))
def test_probability_of_a_band_lies_between_0_and_1_and_grows_with_the_band(
    value: float, u: float, low: float, width: float
) -> None:
    narrow = conformance_probability(value, u, low=low, high=low + width)
    wide = conformance_probability(value, u, low=low - 1.0, high=low + width + 1.0)
    assert -1e-15 <= narrow <= wide + 1e-15 <= 1.0 + 2e-15


def test_columns_give_what_scalars_give() -> None:
    values = np.array([90.0, 100.0, 110.0, np.nan, 100.0])
    u = np.array([5.0, 5.0, 5.0, 5.0, 0.0])
    found = conformance_probability(values, u, high=100.0)
    for i in (0, 1, 2, 4):
        alone = conformance_probability(float(values[i]), float(u[i]), high=100.0)
        assert found[i] == pytest.approx(alone, rel=1e-12)
    assert math.isnan(found[3])


def test_misuse_is_refused() -> None:
    with pytest.raises(ValueError, match="needs"):
        conformance_probability(1.0, 1.0)
    with pytest.raises(ValueError, match="above upper"):
        conformance_probability(1.0, 1.0, low=3.0, high=2.0)
    with pytest.raises(ValueError, match="negative"):
        decide(1.0, -1.0, high=2.0)
    with pytest.raises(ValueError, match="missing"):
        decide(math.nan, 1.0, high=2.0)
    with pytest.raises(ValueError, match="beyond_at"):
        decide(1.0, 1.0, high=2.0, beyond_at=0.4)
