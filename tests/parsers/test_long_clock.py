"""Logs whose times have other forms: by column, the same as with care."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta

import numpy as np
import pytest

from parsers import ReadOptions, bulk, read
from parsers.fixed import counts_of, durations_of
from parsers.long_clock import past_midnight
from tests.parsers.test_bulk import alike, careful, fast

__all__ = ["fast"]
HEAD = "O2 [%];CO [ppm];Stack temperature [degC]"
START = datetime.fromisoformat("2026-11-02T18:58:00")
Written = Callable[[datetime, int], str]


def half(t: datetime) -> str:
    return f"{t.hour % 12 or 12}:{t:%M:%S} {'AM' if t.hour < 12 else 'PM'}"


def log(heading: str, written: Written, start: datetime = START, rows: int = 700) -> bytes:
    """Return a log with a row every 20 s, so that it passes hours and a midnight."""
    times = [start + timedelta(seconds=20 * n) for n in range(rows)]
    body = [
        f"{written(t, n)};{4 + n % 7 / 10:.1f};{n % 90};{150 + n % 30 / 10:.1f}"
        for n, t in enumerate(times)
    ]
    return "\n".join([f"{heading};{HEAD}", *body, ""]).encode()


FORMS: dict[str, tuple[str, Written]] = {
    "no leading zero": ("Time", lambda t, n: f"{t:%Y-%m-%d} {t.hour}:{t:%M:%S}"),
    "two columns": ("Date;Time", lambda t, n: f"{t:%Y-%m-%d};{t.hour}:{t:%M:%S}"),
    "no leading zeros": ("Time", lambda t, n: f"{t.day}.{t.month}.{t.year} {t.hour}:{t:%M:%S}"),
    "year of two digits": ("Time", lambda t, n: f"{t:%d.%m.%y %H:%M:%S}"),
    "halves of the day": ("Time", lambda t, n: f"{t:%m/%d/%Y} {half(t)}"),
    "a named month": ("Time", lambda t, n: f"{t:%d-%b-%Y} {t:%H:%M:%S}"),
    "the clock first": ("Time", lambda t, n: f"{t:%H:%M:%S} {t.day}.{t.month}.{t.year}"),
    "packed": ("Time", lambda t, n: f"{t:%Y%m%d %H%M%S}"),
    "a fraction now and then": (
        "Time",
        lambda t, n: f"{t:%Y-%m-%d} {t.hour}:{t:%M:%S}{'.5' if n % 3 else ''}",
    ),
    "since 1970": ("Epoch", lambda t, n: f"{1795600000 + 20 * n}"),
    "milliseconds since 1970": ("Timestamp", lambda t, n: f"{1795600000250 + 20010 * n}"),
    "a sheet's days": ("Date", lambda t, n: f"{46328 + n / 4320:.8f}"),
    "elapsed": ("Elapsed time [s]", lambda t, n: f"{20.1 * n:.1f}"),
    "elapsed with a comma": ("Elapsed time [min]", lambda t, n: f"{n / 3:.2f}".replace(".", ",")),
    "elapsed by colons": ("Elapsed", lambda t, n: f"{n // 180}:{n // 3 % 60:02d}:{n % 3 * 20:02d}"),
    "the time counts": ("Time [s]", lambda t, n: f"{20 * n}"),
    "a clock alone": ("Time", lambda t, n: f"{t.hour}:{t:%M:%S}"),
}


@pytest.mark.parametrize("form", FORMS)
def test_by_column_as_with_care(fast: str, form: str, monkeypatch: pytest.MonkeyPatch) -> None:
    data = log(*FORMS[form], rows=1400)
    started = datetime.fromisoformat("2026-11-02T18:58:00")
    monkeypatch.setattr(bulk, "_careful", lambda *_: pytest.fail("read row by row"))
    result = alike(data, started=started, day_first=False)
    times = result.table.times
    assert times is not None
    steps = np.diff(times.astype(np.int64))
    assert 19.4e6 <= float(steps.min()) <= float(steps.max()) <= 20.6e6


ODD = ["13:00:00 PM", "0:10:00 AM", "24:00:00", "9:60:00", "Mean", "", "9:5:3", "-5", "1e3", "٣"]


@pytest.mark.parametrize(
    "form", ["no leading zero", "halves of the day", "elapsed", "a clock alone"]
)
def test_an_odd_time_is_what_the_careful_code_makes_of_it(fast: str, form: str) -> None:
    heading, written = FORMS[form]
    odd = {300 + 7 * n: text for n, text in enumerate(ODD)}
    data = log(heading, lambda t, n: odd[n] if n in odd else written(t, n), rows=400)
    stated = {"started": START, "day_first": False}
    quick = read(data, "log.csv", options=ReadOptions(**stated))  # type: ignore[arg-type]
    slow = careful(data, **stated)
    assert quick.lines == slow.lines
    assert list(quick.readings) == list(slow.readings)


def test_a_clock_alone_goes_on_over_every_midnight(fast: str) -> None:
    """Parts that are read with care know only the day that the file states."""
    written = FORMS["a clock alone"][1]

    def with_odd(t: datetime, n: int) -> str:
        return written(t, n) if n % 1900 else f"{t:%H:%M}"  # no seconds: another form

    data = b"Date: 2026-11-02\n" + log("Time", with_odd, rows=5700).replace(b";60;", b";>60;", 20)
    result = alike(data)
    days = result.table.times.astype("datetime64[D]")  # type: ignore[union-attr]
    assert [str(d) for d in np.unique(days)] == ["2026-11-02", "2026-11-03", "2026-11-04"]
    passed = [w for w in result.warnings if w.code == "midnight_passed"]
    assert len(passed) == 2


def test_without_a_day_no_reading_gets_a_time(fast: str) -> None:
    result = alike(log(*FORMS["a clock alone"]))
    assert all(r.time is None for r in result.readings)
    assert "time_without_date" in {w.code for w in result.warnings}


def test_days_are_added_where_the_clock_starts_again() -> None:
    given = np.array(["2026-11-02T23:59", "NaT", "2026-11-02T00:01", "2026-11-02T00:00"])
    assert past_midnight(given.astype("datetime64[us]")).tolist() == [0, 0, 1, 1]


def test_numbers_and_durations_are_exact() -> None:
    texts = [f"{n / 7:.{n % 9 + 1}f}" for n in range(500)] + ["0", "12345678901234"]
    assert counts_of(texts).tolist() == [float(t) for t in texts]  # type: ignore[union-attr]
    for odd in ("", "-1", "1e3", "1.2.3", "1234567890.1234567", "nan", " 1"):
        assert counts_of(["1.5", odd]) is None
    assert durations_of(["59:59", "1:00:00", "100:00:00.25"]).tolist() == [3599, 3600, 360000.25]  # type: ignore[union-attr]
    assert durations_of(["1:00", "1.00"]) is None
