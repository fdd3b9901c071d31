"""Ids that anyone can make alone, and that sort by the time of their making."""

from __future__ import annotations

import threading
import time
from uuid import UUID

import pytest

from ingest import identifiers
from ingest.identifiers import new_id


@pytest.mark.published
def test_the_layout_is_that_of_the_published_example() -> None:
    # RFC 9562 (2024), appendix A.6 [memory]: 2022-02-22T19:22:22 UTC is 0x017F22E279B0.
    example = UUID("017F22E2-79B0-7CC3-98C4-DC0C0C07398F")
    assert example.int >> 80 == 1645557742000
    before = time.time_ns() // 1_000_000
    made = new_id()
    after = time.time_ns() // 1_000_000
    for one in (example, made):
        assert one.int >> 76 & 0xF == 7
        assert one.int >> 62 & 0b11 == 0b10
    assert before <= made.int >> 80 <= after + 1


def test_ids_of_one_program_are_all_different_and_grow_in_each_thread() -> None:
    made: list[list[UUID]] = [[] for _ in range(4)]

    def work(into: list[UUID]) -> None:
        into.extend(new_id() for _ in range(5000))

    threads = [threading.Thread(target=work, args=(one,)) for one in made]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len({i for one in made for i in one}) == 20_000
    assert all(one == sorted(one) for one in made)
    assert all(str(a) < str(b) for a, b in zip(made[0], made[0][1:], strict=False))


def test_ids_grow_while_the_clock_goes_back(monkeypatch: pytest.MonkeyPatch) -> None:
    first = new_id()
    hour_ago = time.time_ns() - 3_600_000_000_000
    monkeypatch.setattr(identifiers.time, "time_ns", lambda: hour_ago)
    later = [new_id() for _ in range(10_000)]
    assert [first, *later] == sorted([first, *later])
