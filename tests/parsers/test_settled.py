"""The mean of a settled stretch is known as well as it says."""

from __future__ import annotations

import numpy as np
import pytest

from parsers.settled import display_step, effective_count, settle, widening


@pytest.mark.parametrize("memory", [0.0, 0.5, 0.8])
def test_effective_count_of_first_order_noise(memory: float) -> None:
    # Identity: the mean of a first-order series has variance s2 / n * (1 + r) / (1 - r).
    rng = np.random.default_rng(1)
    counts = []
    for _ in range(40):
        x = np.empty(4000)
        x[0] = rng.standard_normal()
        fresh = rng.standard_normal(4000) * np.sqrt(1 - memory**2)
        for i in range(1, 4000):
            x[i] = memory * x[i - 1] + fresh[i]
        counts.append(effective_count(x - x.mean()))
    assert np.median(counts) == pytest.approx(4000 * (1 - memory) / (1 + memory), rel=0.12)


@pytest.mark.parametrize(("memory", "samples"), [(0.0, 100), (0.6, 120), (0.8, 240)])
def test_true_mean_lies_within_twice_the_stated_uncertainty(memory: float, samples: int) -> None:
    rng = np.random.default_rng(2)
    hits, trials = 0, 400
    times = np.arange(float(samples))
    for _ in range(trials):
        noise = np.empty(samples)
        noise[0] = rng.standard_normal()
        for i in range(1, samples):
            noise[i] = memory * noise[i - 1] + np.sqrt(1 - memory**2) * rng.standard_normal()
        values = 4.0 + 3.0 * np.exp(-times / 8.0) + 0.06 * noise
        got = settle("o2_dry", times, values, start=0.0, end=float(samples), lag=8.0)
        assert got is not None
        assert got.figure.u_mean is not None
        hits += abs(got.figure.mean - 4.0) <= 2 * got.figure.u_mean
    assert hits / trials > 0.91  # 0.95 aimed at; strongly correlated short stretches know it worst


@pytest.mark.published
@pytest.mark.parametrize(("degrees", "t"), [(5, 2.571), (10, 2.228), (30, 2.042)])
def test_widening_is_students_t(degrees: int, t: float) -> None:
    # Student's t at 97.5 %, any statistical table (memory), to 1 %.
    assert widening(degrees) * 1.95996 == pytest.approx(t, rel=0.01)


def test_a_rounded_display_is_recognised_and_its_step_enters_the_uncertainty() -> None:
    times = np.arange(100.0)
    stuck = np.full(100, 4.1)
    stuck[:3] = 4.2
    assert display_step(np.round(np.linspace(3, 5, 400), 1)) == pytest.approx(0.1)
    assert display_step(np.random.default_rng(1).normal(4, 0.1, 100)) == 0.0
    got = settle("o2_dry", times, stuck, start=0.0, end=100.0, lag=5.0)
    assert got is not None
    assert got.figure.settled


def test_spikes_are_left_out_and_counted() -> None:
    times = np.arange(120.0)
    values = 4.0 + 0.03 * np.random.default_rng(3).standard_normal(120)
    values[[40, 80]] = 12.0
    got = settle("o2_dry", times, values, start=0.0, end=120.0, lag=5.0)
    assert got is not None
    assert got.spikes == 2
    assert got.figure.mean == pytest.approx(4.0, abs=0.02)


def test_a_drifting_or_unfinished_stretch_is_unsettled() -> None:
    times = np.arange(120.0)
    rng = np.random.default_rng(4)
    drifting = 4.0 + times / 120.0 + 0.02 * rng.standard_normal(120)
    unfinished = 4.0 + 10.0 * np.exp(-times / 60.0) + 0.02 * rng.standard_normal(120)
    for values, lag in ((drifting, 5.0), (unfinished, 60.0)):
        got = settle("o2_dry", times, values, start=0.0, end=120.0, lag=lag)
        assert got is not None
        assert not got.figure.settled


@pytest.mark.parametrize(("least", "settled"), [(100.0, True), (101.0, False)])
def test_a_stay_shorter_than_the_least_has_a_figure_but_is_unsettled(
    least: float, settled: bool
) -> None:
    times = np.arange(101.0)
    values = 4.0 + 0.03 * np.random.default_rng(5).standard_normal(101)
    got = settle("o2_dry", times, values, start=0.0, end=100.0, lag=5.0, least=least)
    assert got is not None
    assert got.figure.settled is settled
    assert got.figure.mean == pytest.approx(4.0, abs=0.02)


def test_fewer_than_three_samples_give_no_figure() -> None:
    assert settle("o2_dry", np.arange(5.0), np.full(5, np.nan), start=0, end=5, lag=1) is None
