"""A log at 10 Hz goes through the book by its columns: read once, the same as row by row."""

from __future__ import annotations

import json
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path
from textwrap import dedent
from uuid import UUID

import numpy as np
import pytest

from ingest.cut_logs import digest_by_row, forget_held_logs, log_and_readings
from ingest.cut_operations import CutOperation
from ingest.how_read import HowRead
from ingest.intake import Intake
from ingest.intake_cuts import LogCut
from ingest.log_points import FEWEST, MOST_OF_A_LOG, MOST_READINGS, points_of_log, thinned
from ingest.models import Boiler, Visit
from ingest.store import Book
from parsers import read, reader
from parsers.table import LogReadings, Placed
from samples.plant import BoilerModel
from samples.plant_log import Step, log
from tests.logs import STARTED, STAYS, as_csv

WHO = "T. One"
RATES = [25.0, 50.0, 75.0, 100.0]
_WAY = {25: 50, 50: 100, 100: 75, 75: 25}


def _hour() -> bytes:
    """An hour at 10 Hz as an instrument writes it."""
    program, rate = [*STAYS[:4]], 50
    while sum(s.seconds for s in program) < 3600:
        rate = _WAY[rate]
        program.append(Step("fire", 260, rate))
    return as_csv(log(BoilerModel(), program, np.random.default_rng(7), interval=0.1))


HOUR = _hour()


def _marred() -> bytes:
    """Twenty minutes of it with what a file may hold: marks, gaps, rows out of order, a blank."""
    lines = HOUR.splitlines()[:14_001]
    for n in (4000, 4001, 9000):
        cells = lines[n].split(b",")
        lines[n] = b",".join([*cells[:2], b">4000", *cells[3:]])
    for n in (5000, 5001):
        cells = lines[n].split(b",")
        lines[n] = b",".join([cells[0], b"", *cells[2:]])
    cells = lines[6000].split(b",")
    lines[6000] = b",".join([*cells[:3], b"-999.0", *cells[4:]])
    lines[8000:8010] = reversed(lines[8000:8010])
    lines[10_000] = b""
    return b"\n".join(lines) + b"\n"


MARRED = _marred()


@pytest.fixture
def intake(tmp_path: Path) -> Iterator[Intake]:
    forget_held_logs()
    with Book(tmp_path / "book.db", durable=False) as book:
        yield Intake(book)


def taken(intake: Intake, data: bytes) -> tuple[UUID, LogCut]:
    unit = intake.put_boiler(Boiler(name="Test boiler", rates=RATES), WHO).document
    visit = Visit(boiler_id=unit.id, started=datetime.fromisoformat("2026-11-02T08:00:00Z"))
    identity = intake.put_visit(visit, WHO).document.id
    assert identity is not None
    return identity, intake.add_log(identity, data, "log.csv", WHO, response_time=30.0)[0]


def named(cut: LogCut) -> list[CutOperation]:
    rates = [
        CutOperation("rate", (s.start + s.end) / 2, rate=s.firing_rate or 50.0)
        for s in cut.plateaus
    ]
    return [*rates, CutOperation("phase", phase="as_left")]


def test_from_the_upload_to_the_points_a_log_is_read_once(
    intake: Intake, monkeypatch: pytest.MonkeyPatch
) -> None:
    times_read, made = 0, 0
    one = LogReadings._made

    def counted_read(*args: object, **named_args: object) -> object:
        nonlocal times_read
        times_read += 1
        return read(*args, **named_args)  # type: ignore[arg-type]

    def counted(self: LogReadings, i: int) -> object:
        nonlocal made
        made += 1
        return one(self, i)

    monkeypatch.setattr("ingest.cut_logs.read", counted_read)
    monkeypatch.setattr(LogReadings, "_made", counted)
    visit, cut = taken(intake, HOUR)
    assert times_read == 1
    assert made < 10  # no object for a row, but for the first
    intake.correct_cut(visit, cut.attachment.id, named(cut), WHO)
    points, _, _ = intake.confirm_cut(visit, cut.attachment.id, WHO)
    again = intake.log_cut(visit, cut.attachment.id)
    assert again.confirmed
    assert len(points) > 8
    assert times_read == 1
    kept = len(intake.visit(visit).readings)
    assert kept <= made <= kept + 20
    assert intake.book.verify() == []
    # What is held may go: by the columns kept with the cut it is the same log.
    forget_held_logs()
    assert intake.log_cut(visit, cut.attachment.id).segments == again.segments
    assert times_read == 1


@pytest.mark.parametrize("data", [HOUR[: HOUR.rindex(b"\n", 0, 450_000) + 1], MARRED])
def test_columns_are_what_the_rows_say(data: bytes, monkeypatch: pytest.MonkeyPatch) -> None:
    fast, placed = log_and_readings(data, "log.csv", HowRead())
    assert isinstance(placed, Placed)
    monkeypatch.setattr(reader, "BULK_BYTES", 10**9)  # the careful code, an object for each row
    slow, rows = log_and_readings(data, "log.csv", HowRead())
    assert isinstance(rows, list)
    assert list(fast.columns) == list(slow.columns)
    np.testing.assert_array_equal(fast.times, slow.times)
    for key, column in slow.columns.items():
        np.testing.assert_array_equal(fast.columns[key], column)
    assert (fast.started, fast.count, fast.untimed) == (slow.started, slow.count, slow.untimed)
    assert fast.sha256 == slow.sha256
    some = [0, 1, 3998, 3999, 4998, 5998, 7997, 7999, 8005, 9000, len(rows) - 1]
    for n in some:
        assert placed[n].lines == rows[n].lines  # each number can be followed to its line
        assert placed[n].at == rows[n].at
        assert placed[n].values == rows[n].values
        assert placed[n].bounds == rows[n].bounds
    assert digest_by_row(placed[:200]) == digest_by_row(rows[:200])


def test_points_are_the_same_of_columns_and_of_rows(intake: Intake) -> None:
    visit, cut = taken(intake, MARRED)
    intake.correct_cut(visit, cut.attachment.id, named(cut), WHO)
    cut = intake.log_cut(visit, cut.attachment.id)
    log_read, placed = log_and_readings(MARRED, "log.csv", HowRead())
    made = [
        points_of_log(
            cut.segments,
            cut.phases,
            readings,
            times=log_read.times,
            columns=log_read.columns,
            started=log_read.started,
            fuel="natural_gas",
            burner="1",
        )
        for readings in (placed, list(placed))
    ]
    assert made[0] == made[1]
    assert len(made[0]) >= 3
    first = made[0][0]
    since = max(cut.plateaus[0].settled_from.values())
    inside = (log_read.times >= since) & (log_read.times <= cut.plateaus[0].end)
    assert MOST_READINGS - 10 <= len(first.readings) <= MOST_READINGS < inside.sum()
    for key, column in log_read.columns.items():
        kept = [r.values[key] for r in first.readings if key in r.values]
        assert min(kept) == np.nanmin(column[inside])
        assert max(kept) == np.nanmax(column[inside])
    # The figures rest on every sample of the settled part, not on those kept.
    assert first.values["o2_dry"].count > 3 * MOST_READINGS


def test_many_points_keep_few_readings_each() -> None:
    rows = np.arange(1000, 5000)
    column = np.zeros(6000)
    column[[1234, 4321]] = -1.0, 9.0
    few = thinned(rows, {"o2_dry": column}, np.array([10, 2001, 2002]), FEWEST)
    assert len(few) <= FEWEST
    assert {1000, 1234, 2001, 4321, 4999} <= set(few.tolist())
    assert np.all(np.diff(few) > 0)
    none = np.zeros(0, np.int64)
    assert thinned(rows[:FEWEST], {"o2_dry": column}, none, FEWEST).tolist() == [*rows[:FEWEST]]
    assert MOST_OF_A_LOG >= FEWEST * 300


def test_a_cut_of_an_older_version_still_knows_its_log(intake: Intake) -> None:
    visit, cut = taken(intake, HOUR[: HOUR.rindex(b"\n", 0, 450_000) + 1])
    _, timed = log_and_readings(intake.evidence(cut.attachment.sha256), "log.csv", HowRead())
    old = digest_by_row(timed)
    for sha256, fits in ((old, True), ("0" * 64, False)):
        with sqlite3.connect(intake.book.path) as other:
            other.execute("UPDATE cut SET readings_sha256 = ?", [sha256])
        other.close()
        if fits:
            assert intake.log_cut(visit, cut.attachment.id).segments == cut.segments
        else:
            with pytest.raises(Exception, match="read otherwise"):
                intake.log_cut(visit, cut.attachment.id)


def test_another_value_line_or_mark_is_another_log() -> None:
    log_read, _ = log_and_readings(MARRED, "log.csv", HowRead())
    lines = MARRED.splitlines()
    digests = {log_read.sha256}
    for n, change in (
        (3000, (1, b"9.9")),
        (4000, (2, b">2000")),
    ):
        changed, cells = [*lines], lines[n].split(b",")
        cells[change[0]] = change[1]
        changed[n] = b",".join(cells)
        digests.add(log_and_readings(b"\n".join(changed) + b"\n", "l", HowRead())[0].sha256)
    moved = [*lines[:1], b"", *lines[1:]]
    digests.add(log_and_readings(b"\n".join(moved) + b"\n", "l", HowRead())[0].sha256)
    assert len(digests) == 4


def day_at_10_hz(path: Path, *, fractions: bool = True) -> None:
    """Write a day's log of 864,000 rows; without ``fractions`` whole seconds have none."""
    lines = HOUR.splitlines()
    body = [line.partition(b",")[2] for line in lines[1:36_001]]
    with path.open("wb") as file:
        file.write(lines[0] + b"\n")
        for n in range(864_000):
            at = STARTED + timedelta(seconds=n / 10)
            stamp = at.isoformat(" ", timespec="milliseconds" if fractions else "seconds")
            if not fractions and n % 10:
                stamp += f".{n % 10}"
            file.write(stamp.encode() + b"," + body[n % len(body)] + b"\n")


_DAY = """
    import json, sys, time
    from datetime import datetime
    from pathlib import Path
    from ingest.cut_logs import forget_held_logs
    from ingest.cut_operations import CutOperation
    from ingest.intake import Intake
    from ingest.models import Boiler, Visit
    from ingest.store import Book

    data = Path(sys.argv[1]).read_bytes()
    with Book(Path(sys.argv[2])) as book:
        intake = Intake(book)
        unit = intake.put_boiler(Boiler(name="T", rates=[25, 50, 75, 100]), "a").document
        started = datetime.fromisoformat("2026-11-02T08:00:00Z")
        visit = intake.put_visit(Visit(boiler_id=unit.id, started=started), "a").document.id
        at = [time.process_time()]
        cut, _ = intake.add_log(visit, data, "day.csv", "a", response_time=30.0)
        at.append(time.process_time())
        named = [
            CutOperation("rate", (s.start + s.end) / 2, rate=s.firing_rate or 50.0)
            for s in cut.plateaus
        ]
        named.append(CutOperation("phase", phase="as_left"))
        intake.correct_cut(visit, cut.attachment.id, named, "a")
        at.append(time.process_time())
        points, _, _ = intake.confirm_cut(visit, cut.attachment.id, "a")
        at.append(time.process_time())
        forget_held_logs()  # as after a restart
        cut = intake.log_cut(visit, cut.attachment.id)
        at.append(time.process_time())
        moved = CutOperation("move", cut.segments[5].end, to=cut.segments[5].end + 2.0)
        intake.correct_cut(visit, cut.attachment.id, [moved], "a")
        at.append(time.process_time())
        # The system's own figure for a process starts at what its parent held.
        status = Path("/proc/self/status").read_text()
        peak = 1024 * int(status.partition("VmHWM:")[2].split()[0])
        took = [b - a for a, b in zip(at, at[1:])]
        print(json.dumps([cut.log.count, len(points), *took, peak]))
"""


@pytest.mark.soak
@pytest.mark.parametrize("fractions", [True, False])
def test_a_day_at_10_hz_goes_through_in_seconds(tmp_path: Path, fractions: bool) -> None:
    """Processor times and memory of a process of its own; measured in docs/decisions/logs.md."""
    day_at_10_hz(tmp_path / "day.csv", fractions=fractions)
    command = [sys.executable, "-c", dedent(_DAY), "day.csv", "book.db"]
    done = subprocess.run(
        command, cwd=tmp_path, capture_output=True, text=True, check=True, timeout=300
    )
    count, points, taking, correcting, confirming, opening, moving, peak = json.loads(done.stdout)
    assert count == 864_000
    assert points > 200
    assert taking < 20.0
    assert correcting < 5.0
    assert confirming < 5.0
    assert opening < 2.0
    assert moving < 2.0
    assert peak < 600e6
