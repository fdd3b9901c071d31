"""Logs whose whole seconds lack the fraction: read by column, the same as with care."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta

import numpy as np
import pytest

from parsers import bulk, read
from parsers.fixed import times_of
from tests.parsers.test_bulk import alike, careful, fast

__all__ = ["fast"]
Written = Callable[[datetime], str]


def short(form: str, mark: str = ".") -> Written:
    """Return how a time is written with as many digits of its fraction as it has."""

    def written(at: datetime) -> str:
        fraction = f"{at.microsecond:06}".rstrip("0")
        return at.strftime(form) + (mark + fraction if fraction else "")

    return written


def mixed(
    start: str, written: Written, *, rows: int = 1300, step: float = 0.1, tail: str = ""
) -> list[str]:
    first = datetime.fromisoformat(start)
    times = [first + timedelta(microseconds=round(n * step * 1e6)) for n in range(rows)]
    return [
        f"{written(t)}{tail};{4 + n % 7 / 10:.1f};{n % 90};{150 + n % 30 / 10:.1f}"
        for n, t in enumerate(times)
    ]


def data_of(rows: list[str], head: str = "Time;O2 [%];CO [ppm];Stack temperature [degC]") -> bytes:
    return ("\n".join([head, *rows]) + "\n").encode()


ISO = "%Y-%m-%d %H:%M:%S"


@pytest.mark.parametrize(
    ("start", "written", "tail", "step"),
    [
        pytest.param("2026-11-02 12:00:00", short(ISO), "", 0.1, id="plain"),
        pytest.param("2026-11-02 12:00:00.3", short(ISO), "", 0.1, id="head-begins-in-a-second"),
        pytest.param("2026-11-02 12:00:00", short(ISO, ","), "", 0.25, id="comma-and-two-digits"),
        pytest.param("2026-11-02 12:00:00", short(ISO), "", 0.015625, id="one-to-six-digits"),
        pytest.param("2026-11-02 23:59:00", short(ISO), "", 0.1, id="over-midnight"),
        pytest.param("2026-12-31 23:59:00", short(ISO), "", 0.1, id="over-the-year"),
        pytest.param("2028-02-28 23:59:00", short(ISO), "", 0.1, id="into-a-leap-day"),
        pytest.param("2026-02-28 23:59:00", short(ISO), "", 0.1, id="past-no-leap-day"),
        pytest.param("2026-11-02 12:00:00", short("%Y-%m-%dT%H:%M:%S"), "Z", 0.1, id="utc"),
        pytest.param("2026-11-02 12:00:00", short(ISO), " +01:00", 0.1, id="offset"),
        pytest.param("2026-11-25 12:00:00", short("%d.%m.%Y %H:%M:%S"), "", 0.1, id="dotted"),
        pytest.param("2026-11-25 12:00:00", short("%m/%d/%Y %H:%M:%S"), "", 0.1, id="month-first"),
    ],
)
def test_whole_seconds_without_a_fraction(
    fast: str, start: str, written: Written, tail: str, step: float
) -> None:
    result = alike(data_of(mixed(start, written, step=step, tail=tail)))
    times = result.table.times
    assert times is not None
    steps = np.unique(np.diff(times.astype(np.int64)))
    assert steps.tolist() == [round(step * 1e6)]


def test_minutes_without_seconds(fast: str) -> None:
    def written(at: datetime) -> str:
        return at.strftime("%Y-%m-%d %H:%M" if at.second == 0 else ISO)

    alike(data_of(mixed("2026-11-02 23:50:00", written, step=1.0)))


def test_date_and_clock_in_two_columns(fast: str) -> None:
    rows = mixed("2026-11-02 23:59:00", short("%Y-%m-%d;%H:%M:%S"))
    alike(data_of(rows, "Date;Time;O2 [%];CO [ppm];Stack temperature [degC]"))


@pytest.mark.parametrize("zone", ["Europe/Berlin", "America/New_York"])
@pytest.mark.parametrize("start", ["2026-10-25 01:59:30", "2026-11-01 01:59:30"])
def test_the_hour_that_comes_twice(fast: str, zone: str, start: str) -> None:
    """The wall clock goes back by an hour amid the log; it says nothing of it."""
    rows = mixed(start, short(ISO), rows=600)
    rows += mixed(start[:11] + "01:00:00", short(ISO), rows=700)
    alike(data_of(rows), site_zone=zone)


@pytest.mark.parametrize(
    ("before", "after"), [("+02:00", "+01:00"), ("CEST", "CET"), ("Z", ""), ("", "Z")]
)
def test_a_mark_of_summer_time_that_changes(fast: str, before: str, after: str) -> None:
    """Another zone amid the log is never read as the first one: the careful code decides."""
    rows = mixed("2026-10-25 02:58:00", short(ISO), rows=650, tail=before)
    rows += mixed("2026-10-25 02:00:00", short(ISO), rows=650, tail=after)
    data = data_of(rows)
    quick, slow = read(data, "l"), careful(data)
    assert list(quick.readings) == list(slow.readings)
    assert quick.lines == slow.lines


@pytest.mark.parametrize(
    "odd",
    [
        "2026-11-02 12:02:60",
        "2026-11-02 24:00:00",
        "2026-11-02 12:60:00.1",
        "2026-11-31 12:02:30",
        "2026-02-29 12:02:30.5",
        "2026-11-02 12:02:30.",
        "2026-11-02 12:02:30.1234567",
        "2026-11-02 12:02:3",
        "2026-11-2 12:02:30",
        "2026-11-02T12:02:30.5",
        "2026-11-02 12:02:30 PM",
        "2026-11-02 1O:02:30",
        "2026-11-02 12:02:30.5 ",
        " 2026-11-02 12:02:30.5",
        "2026/11/02 12:02:30.5",
        "02.11.2026 12:02:30",
        "2026-11-02 12:02",
        "2026-11-02 12:02:30,5",
        "12:02:30.5",
        "",
        "---",
        "²026-11-02 12:02:30",
    ],
)
@pytest.mark.parametrize("place", [0, 300, 599])
def test_an_odd_time_is_what_the_careful_code_makes_of_it(fast: str, odd: str, place: int) -> None:
    rows = mixed("2026-11-02 12:00:00", short(ISO), rows=600)
    rows[place] = odd + rows[place][rows[place].index(";") :]
    data = data_of(rows)
    quick, slow = read(data, "l"), careful(data)
    assert quick.lines == slow.lines
    assert list(quick.readings) == list(slow.readings)
    assert [(n.line, n.code) for n in quick.not_read] == [(n.line, n.code) for n in slow.not_read]


def test_nothing_of_it_goes_the_careful_way(monkeypatch: pytest.MonkeyPatch) -> None:
    """Speed as a fact: after the head no row is read but by column."""
    monkeypatch.setattr(bulk, "_careful", lambda *_: pytest.fail("read row by row"))
    data = data_of(mixed("2026-11-02 12:00:00", short(ISO), rows=30_000))
    assert len(read(data, "log.csv").readings) == 30_000


@pytest.mark.parametrize("arrow", [False, True])
def test_cells_of_many_widths_are_left_to_the_careful_code(arrow: bool) -> None:
    if arrow and bulk.pyarrow is None:
        pytest.skip("needs pyarrow")
    same = "2026-11-02 12:00:00"

    def times(cells: list[str]) -> object:
        given = (
            bulk.pyarrow.array([c.encode() for c in cells], bulk.pyarrow.binary())
            if arrow
            else cells
        )
        return times_of([given], same, None)

    found = times([same, same + ".5", same + ".25"])
    assert [str(t) for t in found] == [  # type: ignore[attr-defined]
        "2026-11-02T12:00:00.000000", "2026-11-02T12:00:00.500000", "2026-11-02T12:00:00.250000",
    ]  # fmt: skip
    for odd in ("", same + "Z", same[:-1], same + ".5x", "é" * 10):
        assert times([same, odd]) is None
    assert times(["x" * n for n in range(30)]) is None
