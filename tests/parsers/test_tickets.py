"""Printers' lines: whose time is whose, and dashes that keep their unit."""

from __future__ import annotations

from datetime import datetime

from parsers import read

ABOVE = b"""COMBUSTION TEST
2026-03-02 10:01:11
O2        5.1 %
CO        23 ppm
T stack   154.4 C

COMBUSTION TEST
2026-03-02 10:12:11
O2        4.4 %
CO        >2000 ppm
T stack   ---- C
"""
BELOW = b"""O2 5.1 %
CO 23 ppm

2026-03-02 10:01:11

O2 4.1 %
CO 20 ppm

2026-03-02 10:12:11
"""
FIRST = datetime.fromisoformat("2026-03-02 10:01:11")
SECOND = datetime.fromisoformat("2026-03-02 10:12:11")


def test_a_time_over_its_ticket_belongs_to_that_ticket() -> None:
    assert [r.time for r in read(ABOVE, "ticket.txt").readings] == [FIRST, SECOND]


def test_a_time_under_its_ticket_belongs_to_that_ticket() -> None:
    assert [r.time for r in read(BELOW, "ticket.txt").readings] == [FIRST, SECOND]


def test_dashes_before_a_unit_are_no_reading_and_need_no_unit_elsewhere() -> None:
    second = read(ABOVE, "ticket.txt").readings[1]
    assert "stack_temperature" not in second.values
    assert second.missing["stack_temperature"].startswith("no reading")
    assert second.bounds["co_dry"].above == 2000


def test_a_column_without_one_number_needs_no_unit() -> None:
    result = read(b"O2 %,CO ppm,Stack\n5.0,30,---\n4.0,31,---\n", "dashes.csv")
    assert [r.missing["stack_temperature"] for r in result.readings] == ["no reading: ---"] * 2


def test_no_line_of_a_ticket_is_lost() -> None:
    for text in (ABOVE, BELOW):
        assert not read(text, "ticket.txt").not_read
