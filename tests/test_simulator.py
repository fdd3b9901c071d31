"""The validator against simulated visits: a short round of ``python -m tests.simulator``."""

from __future__ import annotations

from tests.simulated_faults import AIMS, FALSE_ALARMS, FAULTS, score
from tests.simulator import draw_gas


def test_recall_by_size_and_false_alarms() -> None:
    result = score(visits=3 * len(FAULTS), seed=4242)
    for size, (hit, total) in result.recall.items():
        assert hit / total >= AIMS[size] - 0.03, (size, result.missed)  # 48 visits: two points each
    assert 100 * result.false_alarms / result.healthy_visits <= FALSE_ALARMS, result.wolves


def test_the_simulators_own_flue_gas() -> None:
    # Stoichiometric propane, by hand: CO2 3, water 4, N2 5 * 79.05 / 20.95.
    import random

    propane = draw_gas(random.Random(1), "propane")
    co2, water = propane.dry(0.0)
    nitrogen = 5 * 79.05 / 20.95
    assert abs(co2 - 100 * 3 / (3 + nitrogen)) < 1e-9
    assert abs(water - 4 / (3 + nitrogen)) < 1e-9
