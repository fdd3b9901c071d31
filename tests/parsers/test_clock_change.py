"""A log of clock times on the night of a clock change: which instants they mean.

Central European time changes at 01:00 UTC on the last Sundays of March and October (Directive
2000/84/EC, articles 2 and 3; memory).
"""

from __future__ import annotations

from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from parsers import ReadOptions, read
from parsers.cut_points import log_of_readings
from parsers.table import TabledReadings

BERLIN = ZoneInfo("Europe/Berlin")


def log(start: str, rows: int, step: int) -> bytes:
    """Return a log with the wall clock of Berlin and nothing that tells its offset."""
    first = datetime.fromisoformat(start)
    lines = ["Time;O2 [%];CO [ppm];Stack temperature [degC]"]
    for n in range(rows):
        at = (first + timedelta(seconds=n * step)).astimezone(BERLIN)
        lines.append(f"{at:%Y-%m-%d %H:%M:%S};{4 + n % 9 / 10};{n % 40};{180 + n % 13 / 10}")
    return "\n".join([*lines, ""]).encode()


@pytest.mark.parametrize("quick", [False, True])
@pytest.mark.parametrize(
    ("start", "offset"),
    [
        pytest.param("2026-10-25T00:30:00+00:00", 2, id="autumn"),
        pytest.param("2026-10-25T01:10:00+00:00", 1, id="begun-in-the-second-hour"),
        pytest.param("2026-03-29T00:30:00+00:00", 1, id="spring"),
        pytest.param("2026-11-02T00:30:00+00:00", 1, id="no-change"),
    ],
)
def test_seconds_are_those_that_passed(
    monkeypatch: pytest.MonkeyPatch, start: str, offset: int, quick: bool
) -> None:
    if quick:
        monkeypatch.setattr("parsers.reader.BULK_BYTES", 1)
        monkeypatch.setattr("parsers.bulk._HEAD", 1 << 12)
    data = log(start, 400, 20)
    readings = read(data, "log.csv", options=ReadOptions(site_zone="Europe/Berlin")).readings
    assert isinstance(readings, TabledReadings) is quick
    begun, times, _, timed = log_of_readings(readings)
    assert begun is not None
    assert begun == datetime.fromisoformat(start)
    assert begun.utcoffset() == timedelta(hours=offset)
    np.testing.assert_array_equal(times, np.arange(400) * 20.0)
    assert [r.lines[0] for r in timed] == list(range(2, 402))
    assert timed[-1].time is not None
    assert timed[-1].time.timestamp() == begun.timestamp() + times[-1]


def test_rows_from_the_newest_to_the_oldest(monkeypatch: pytest.MonkeyPatch) -> None:
    head, *rows = log("2026-10-25T00:30:00+00:00", 400, 20).decode().splitlines()
    data = "\n".join([head, *rows[::-1], ""]).encode()
    readings = read(data, "log.csv", options=ReadOptions(site_zone="Europe/Berlin")).readings
    begun, times, _, _ = log_of_readings(readings)
    assert begun == datetime.fromisoformat("2026-10-25T00:30:00+00:00")
    np.testing.assert_array_equal(times, np.arange(400) * 20.0)
