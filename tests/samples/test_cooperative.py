"""The invented cooperative: three sites, eight boilers, three years, and each story is found."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from ingest.earlier import EarlierVisit
from ingest.judgement import Case, Judgement
from ingest.validator import judge
from parsers import ReadOptions, assign, firing_points, read
from samples.cooperative import LAST_DAY, MadeVisit, Unit, fleet, identity, sites, visits


def judged() -> Iterator[tuple[Unit, MadeVisit, Judgement]]:
    history: dict[str, list[EarlierVisit]] = {}
    for unit, made in visits():
        points = []
        for file in made.files:
            result = read(file.data, file.name, options=ReadOptions(site_zone="UTC"))
            assert not result.not_read
            stated = assign(result.readings, rates=file.rates, phase=file.phase)
            points += firing_points(stated, fuel=unit.boiler.fuel, burner="1")
        earlier = history.setdefault(unit.boiler.name, [])
        yield unit, made, judge(Case(unit.boiler, made.visit, points, tuple(earlier)))
        earlier.append(EarlierVisit(made.visit, points))


@pytest.fixture(scope="module")
def all_judged() -> list[tuple[Unit, MadeVisit, Judgement]]:
    return list(judged())


def test_three_sites_eight_boilers_three_years() -> None:
    assert len(sites()) == 3
    assert len(fleet()) == 8
    days = [made.visit.started.date() for _, made in visits() if made.visit.started]
    assert days == sorted(days)
    assert (LAST_DAY - days[0]).days > 3 * 365 - 10


def test_every_story_is_found_by_its_rule(
    all_judged: list[tuple[Unit, MadeVisit, Judgement]],
) -> None:
    told = [(made.story, result) for _, made, result in all_judged if made.story is not None]
    assert len(told) == 6
    for story, result in told:
        if story.rule:
            assert story.rule in {f.rule for f in result.flags if f.severity != "info"}, story.what


def test_boilers_without_a_story_are_not_flagged(
    all_judged: list[tuple[Unit, MadeVisit, Judgement]],
) -> None:
    loud = [
        (unit.boiler.name, result.flags)
        for unit, made, result in all_judged
        if made.story is None and result.worst not in (None, "info")
    ]
    assert loud == []


def test_making_it_again_gives_the_same_bytes_and_ids() -> None:
    first = [(m.visit.id, [f.data for f in m.files]) for _, m in visits()]
    again = [(m.visit.id, [f.data for f in m.files]) for _, m in visits()]
    assert first == again
    assert len({i for i, _ in first}) == len(first)


def test_ids_are_version_7() -> None:
    made = next(visits())[1]
    assert made.visit.started is not None
    assert identity(1, 1, made.visit.started).version == 7
