"""A raw capture goes the way of a long log: columns from the port's bytes to firing points."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from ingest.capture import HEADER, records_of
from ingest.capture_log import readings_of_capture
from ingest.cut_logs import forget_held_logs, log_and_readings
from ingest.cut_operations import CutOperation
from ingest.how_read import HowRead
from ingest.intake import Intake
from ingest.models import Boiler, Visit
from ingest.port import Link
from ingest.store import Book
from parsers import read
from parsers.alike import by_column
from parsers.cut_points import log_of_readings
from parsers.maps import ColumnMap, MapField
from parsers.model import Reading
from parsers.recorded import RecordedReadings
from parsers.stream_events import StreamRules
from parsers.streams import StreamReader, readings_of
from parsers.table import Placed, TabledReadings
from tests import logs

WHO = "A. Merrow"
SINCE = datetime.fromisoformat("2026-11-02T09:00:00+00:00")


def capture(lines: list[bytes], *, step: float = 0.1, lost: tuple[int, ...] = ()) -> bytes:
    """Return a capture of lines that came one by one, the link lost before some of them."""
    out = [HEADER]
    for n, line in enumerate(lines):
        at = (SINCE + timedelta(seconds=n * step)).isoformat().encode()
        if n in lost:
            out.append(b"! %b lost\n! %b back\n" % (at, at))
        out.append(b"@ %b %d\n%b\n" % (at, len(line), line))
    return b"".join(out)


def one_by_one(data: bytes) -> list[Reading]:
    """Return the readings as the stream's reader makes each."""
    reader, events = StreamReader(StreamRules()), []
    for record in records_of(data, "c"):
        if not isinstance(record, Link):
            events += reader.feed(record.data, record.received)
        elif record.state == "lost":
            events += reader.interrupted()
    return [e.reading for e in readings_of([*events, *reader.close()])]


HEAD = b"O2 [%];CO [ppm];Stack temperature [degC]\r\n"
OTHER = b"Stack temperature [degC];O2 [%];Air temperature [degC]\r\n"


def rows(count: int) -> list[bytes]:
    return [b"%.1f;%d;%.1f\r\n" % (4 + n % 9 / 10, n % 40, 180 + n % 13 / 10) for n in range(count)]


def odd_lines() -> list[bytes]:
    """Return what a port may say: marks, gaps, half lines, another heading, noise."""
    out = [HEAD, *rows(400)]
    out[50] = b"4.1;> 4000;181.0\r\n"
    out[51] = b"4.1;---;181.0\r\n"
    out[52] = b"4.1;;181.0\r\n"
    out[53] = b"4.1;-999;181.0\r\n"
    out[54] = b"4.1;12\r\n"
    out[55] = b"\xff\x00;12;181\r\n"
    out[56] = b"4.1;1"  # the cable is pulled here
    out[400:] = [OTHER, OTHER, *(b"%.1f;4.4;21.5\r\n" % (180 + n % 7) for n in range(100))]
    return [*out, HEAD, HEAD, *rows(30), b"4.1;1"]


@pytest.mark.parametrize("lost", [(), (57, 300)])
def test_columns_hold_what_each_reading_says(lost: tuple[int, ...]) -> None:
    data = capture(odd_lines(), lost=lost)
    plain = one_by_one(data)
    taken, maps = readings_of_capture(data, "c", HowRead())
    assert isinstance(taken, RecordedReadings)
    assert maps == ()
    assert len(plain) > 500
    assert list(taken) == plain
    assert [list(r.values) for r in taken] == [list(r.values) for r in plain]
    assert [dict(r.at) for r in taken] == [dict(r.at) for r in plain]
    assert 0 < len(taken.odd) < 10  # but for marks and gaps none is held whole
    started, times, columns, timed = log_of_readings(taken)
    assert isinstance(timed, Placed)
    slow_started, slow_times, slow_columns, _ = log_of_readings(plain)
    assert started == slow_started
    np.testing.assert_array_equal(times, slow_times)
    assert list(columns) == list(slow_columns)
    for key, column in slow_columns.items():
        np.testing.assert_array_equal(columns[key], column)


def test_a_clock_that_was_set_keeps_the_order_of_time() -> None:
    """Local time, an hour back: readings with another offset are held whole, and sorted by it."""
    data = capture([HEAD, *rows(300)])
    first, second = data[: len(data) // 2], data[len(data) // 2 :]
    mixed = first + second.replace(b"T09:00", b"T10:00").replace(b"+00:00 ", b"+01:00 ")
    plain = one_by_one(mixed)
    assert len({r.time.tzinfo for r in plain if r.time is not None}) == 2
    taken, _ = readings_of_capture(mixed, "c", HowRead())
    assert list(taken) == plain
    assert log_of_readings(taken)[1].tolist() == log_of_readings(plain)[1].tolist()


def test_the_map_that_reads_most_is_taken() -> None:
    quantities = (("A", "o2_dry", "%"), ("B", "co_dry", "ppm"), ("C", "stack_temperature", "degC"))
    taught = ColumnMap("port", tuple(MapField(*one) for one in quantities))
    data = capture([b"A;B;C\r\n", *rows(200)])
    taken, maps = readings_of_capture(data, "c", HowRead(maps=(taught,)))
    assert maps == (taught,)
    assert set(taken[5].values) == {"o2_dry", "co_dry", "stack_temperature"}


@pytest.fixture
def intake(tmp_path: Path) -> Iterator[Intake]:
    forget_held_logs()
    with Book(tmp_path / "book.db", durable=False) as book:
        yield Intake(book)


def test_a_long_capture_is_read_once_from_the_port_to_the_points(
    intake: Intake, monkeypatch: pytest.MonkeyPatch
) -> None:
    times_read = 0

    def counted(data: bytes, name: str, how: HowRead) -> object:
        nonlocal times_read
        times_read += 1
        return log_and_readings(data, name, how)

    monkeypatch.setattr("ingest.cut_logs.log_and_readings", counted)
    csv = logs.as_csv(logs.made()).splitlines()
    # Each second of it 45 times, so that it is longer than what is held as readings.
    said = [b",".join(line.split(b",")[1:4]) + b"\r\n" for line in csv[1:]]
    heading = b"O2 [%],CO [ppm],Stack temperature [degC]\r\n"
    data = capture([heading, *(line for line in said for _ in range(45))], step=1 / 45)
    boiler = intake.put_boiler(Boiler(name="Test boiler", rates=[25, 50, 75, 100]), WHO).document
    visit = intake.put_visit(Visit(boiler_id=boiler.id, started=SINCE), WHO).document.id
    assert visit is not None
    cut, _ = intake.add_log(visit, data, "port.capture", WHO, response_time=30.0)
    assert cut.log.count > 50_000
    named = [
        CutOperation("rate", (s.start + s.end) / 2, rate=s.firing_rate or 50.0)
        for s in cut.plateaus
    ]
    where = visit, cut.attachment.id
    intake.correct_cut(*where, [*named, CutOperation("phase", phase="as_left")], WHO)
    points, _, _ = intake.confirm_cut(*where, WHO)
    assert len(points) >= 3
    assert times_read == 1
    by_line = {r.lines: r for r in one_by_one(data)}
    for point in points:
        assert point.readings
        for one in point.readings:
            assert one.values == by_line[one.lines].values
            assert one.at == by_line[one.lines].at
    forget_held_logs()
    assert intake.log_cut(*where).confirmed
    assert times_read == 1
    assert intake.book.verify() == []


def blocks(count: int) -> list[bytes]:
    """Return what a printer port says: labels and values, one block after the other."""
    out = []
    for n in range(count):
        out += [
            b"O2 %.1f %%\r\n" % (4 + n % 9 / 10),
            b"CO %d ppm\r\n" % (n % 40),
            b"Stack temperature %.1f degC\r\n" % (180 + n % 13 / 10),
            b"\r\n",
        ]
    out[121] = b"CO > 4000 ppm\r\n"
    out[125] = b"\xff\x00\r\n"
    return out


def test_blocks_are_columns_too() -> None:
    data = capture(blocks(400), step=0.25, lost=(41, 603))
    plain = one_by_one(data)
    taken = readings_of_capture(data, "c", HowRead())[0]
    assert isinstance(taken, RecordedReadings)
    assert len(taken) == len(plain) > 390
    assert len(taken.odd) < 5
    assert list(taken) == plain
    slow, quick = log_of_readings(plain), log_of_readings(taken)
    assert slow[0] == quick[0]
    np.testing.assert_array_equal(slow[1], quick[1])
    for key, column in slow[2].items():
        np.testing.assert_array_equal(column, quick[2][key])


def test_readings_made_one_by_one_come_back_of_their_columns() -> None:
    """Rows with a mark, a note, another unit of time and a missing value among them."""
    lines = ["Time;O2 [%];CO [ppm];Stack temperature [degC];Firing rate [%];Remark;Time zone"]
    for n in range(200):
        co = "> 4000" if n == 7 else "---" if n % 50 == 9 else str(n % 40)
        note = f"looked at {n}" if n % 60 == 3 else ""
        zone = "+02:00" if n > 150 else "+01:00"
        time = f"2026-11-02 9:{n // 60:02d}:{n % 60:02d}"
        lines.append(f"{time};{4 + n % 9 / 10};{co};180.5;50;{note};{zone}")
    made = list(read("\n".join(lines).encode(), "log.csv").readings)
    kept = by_column(made)
    assert isinstance(kept, TabledReadings)
    assert list(kept) == made
    assert len(made) == 200
    assert 0 < len(kept.odd) < 60  # the mark, and the rows of another zone


def test_a_long_file_read_row_by_row_is_not_read_again(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("ingest.cut_logs._WHOLE", 100)
    data = logs.as_csv(logs.made())  # short: the careful code reads it
    placed = log_and_readings(data, "log.csv", HowRead())[1]
    assert isinstance(placed, Placed)
    assert placed.whole == 0
    monkeypatch.undo()
    assert list(placed) == list(log_and_readings(data, "log.csv", HowRead())[1])
