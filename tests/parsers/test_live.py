"""The live state of a quantity: trend, and settled only when a whole window says so."""

from __future__ import annotations

import numpy as np

from parsers.live import LiveQuantity, Now


def state(values: np.ndarray, window: float = 30.0) -> Now:
    live = LiveQuantity("o2_dry", window)
    for t, v in enumerate(values):
        live.push(float(t), float(v))
    now = live.now()
    assert now is not None
    return now


def test_nothing_before_the_first_sample() -> None:
    assert LiveQuantity("o2_dry").now() is None


def test_a_short_stretch_is_never_settled() -> None:
    assert state(np.full(4, 5.0)).trend == "unknown"
    assert not state(np.full(15, 5.0)).settled


def test_a_step_is_moving_then_settles() -> None:
    rng = np.random.default_rng(1)
    t = np.arange(200.0)
    reading = 4.0 + 6.0 * np.exp(-t / 15.0) + 0.03 * rng.standard_normal(200)
    early, late = state(reading[:30]), state(reading)
    assert (early.trend, early.settled) == ("falling", False)
    assert (late.trend, late.settled) == ("steady", True)


def test_a_slow_climb_is_seen() -> None:
    now = state(4.0 + np.arange(60.0) / 60.0)
    assert (now.trend, now.settled) == ("rising", False)


def test_noise_alone_is_steady_most_of_the_time() -> None:
    rng = np.random.default_rng(2)
    states = [state(5.0 + 0.05 * rng.standard_normal(40)) for _ in range(200)]
    assert sum(s.settled for s in states) >= 180
    assert sum(s.trend == "steady" for s in states) >= 190
