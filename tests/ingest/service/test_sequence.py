"""Tightening order: every nut once, opposite pairs, and the patterns fitters know."""

from __future__ import annotations

from itertools import pairwise

import pytest

from ingest.service.igniter import turn_wanted
from ingest.service.sequence import criss_cross


# Star patterns of bolted-flange practice (the legacy pattern of ASME PCC-1), memory: they agree
# with common practice for these counts.
@pytest.mark.published
@pytest.mark.parametrize(
    ("count", "order"),
    [
        (4, [1, 3, 2, 4]),
        (8, [1, 5, 3, 7, 2, 6, 4, 8]),
        (16, [1, 9, 5, 13, 3, 11, 7, 15, 2, 10, 6, 14, 4, 12, 8, 16]),
    ],
)
def test_the_star_pattern_of_bolted_flanges(count: int, order: list[int]) -> None:
    assert criss_cross(count) == order


@pytest.mark.parametrize("count", range(3, 65))
def test_every_nut_comes_once(count: int) -> None:
    assert sorted(criss_cross(count)) == list(range(1, count + 1))


@pytest.mark.parametrize("count", range(4, 65, 2))
def test_each_second_nut_is_opposite_the_one_before(count: int) -> None:
    order = criss_cross(count)
    for first, second in zip(order[::2], order[1::2], strict=True):
        assert (second - first) % count == count // 2


@pytest.mark.parametrize("count", range(5, 65))
def test_no_nut_follows_its_neighbour(count: int) -> None:
    order = criss_cross(count)
    for first, second in pairwise(order):
        assert (second - first) % count not in (1, count - 1)


@pytest.mark.parametrize("count", [-1, 0, 2, 65])
def test_no_circle_no_sequence(count: int) -> None:
    with pytest.raises(ValueError, match="3 to 64"):
        criss_cross(count)


def test_the_turn_is_the_short_way_round_and_none_inside_the_tolerance() -> None:
    assert turn_wanted(350, 10, 0.0015).degrees == 20
    assert turn_wanted(10, 350, 0.0015).degrees == -20
    assert turn_wanted(10, 350, 0.0015, tolerance=25).degrees == 0
    # One thread pitch less is one whole turn: common practice, geometry.
    assert turn_wanted(0, 90, 0.002).spacer_change == pytest.approx(-0.0005)
