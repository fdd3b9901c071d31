"""The columns kept beside a cut: the same log without reading it, and nothing but a copy."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from uuid import UUID
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from ingest.cut_logs import forget_held_logs, log_and_readings
from ingest.cut_operations import CutOperation
from ingest.how_read import HowRead
from ingest.intake import Intake
from ingest.models import Visit
from ingest.store import Book
from ingest.store.log_columns import LogColumns, packed, unpacked
from ingest.store.safekeeping import backup, verify_file
from tests import logs

WHO = "A. Merrow"
LOG = logs.as_csv(logs.made(), over_range=40.0)


@pytest.fixture
def intake(tmp_path: Path) -> Iterator[Intake]:
    forget_held_logs()
    with Book(tmp_path / "book.db", durable=False) as book:
        yield Intake(book)


@pytest.fixture
def log(intake: Intake) -> tuple[UUID, UUID]:
    visit = intake.put_visit(Visit(started=datetime(2026, 11, 2, 8, 0)), WHO).document.id  # noqa: DTZ001
    assert visit is not None
    return visit, intake.add_log(visit, LOG, "log.csv", WHO, response_time=30.0)[0].attachment.id


@pytest.fixture
def reads(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Return the names of the logs read, one for each time."""
    found: list[str] = []

    def counted(data: bytes, name: str, how: HowRead) -> object:
        found.append(name)
        return log_and_readings(data, name, how)

    monkeypatch.setattr("ingest.cut_logs.log_and_readings", counted)
    return found


def changed(path: Path, statement: str, *given: object) -> None:
    with sqlite3.connect(path) as other:
        assert other.execute(statement, given).rowcount > 0
    other.close()


def same(one: LogColumns, other: LogColumns) -> None:
    assert one.started == other.started
    assert one.started.tzinfo == other.started.tzinfo
    assert one.started.fold == other.started.fold
    np.testing.assert_array_equal(one.times, other.times)
    np.testing.assert_array_equal(one.lines, other.lines)
    assert list(one.columns) == list(other.columns)
    for key, column in one.columns.items():
        np.testing.assert_array_equal(column, other.columns[key])
    assert (list(one.marked), one.untimed) == (list(other.marked), other.untimed)
    assert one.sha256 == other.sha256


@pytest.mark.parametrize("count", [2, 300, 70_000])
@pytest.mark.parametrize("zone", [None, "Europe/Vienna"])
def test_columns_come_back_to_the_last_bit(count: int, zone: str | None) -> None:
    rng = np.random.default_rng(count)
    some = rng.normal(80.0, 30.0, count)  # more distinct numbers than codes where there are many
    some[::7] = np.nan
    log = LogColumns(
        # Written twice in that zone's night: the second time.
        datetime(2026, 10, 25, 2, 30, tzinfo=None if zone is None else ZoneInfo(zone), fold=1),
        np.cumsum(rng.integers(0, 10**6, count)) / 1e6,
        {"o2_dry": np.round(some, 1), "co_dry": some, "stack_temperature": np.full(count, np.nan)},
        np.arange(2, count + 2),
        ["{}", '{"a": "Ü"}'] if count > 2 else [],
        3,
    )
    about, data = packed(log)
    same(unpacked(about, data), log)
    for broken in (data[:-3], data[:10], b""):
        with pytest.raises(ValueError, match="kept of a log"):
            unpacked(about, broken)


def test_after_a_restart_looking_and_correcting_read_nothing(
    intake: Intake, log: tuple[UUID, UUID], reads: list[str]
) -> None:
    first = intake.log_cut(*log)
    moved = [CutOperation("move", first.segments[2].end, to=first.segments[2].end + 8.0)]
    forget_held_logs()
    assert intake.log_cut(*log).segments == first.segments
    kept = intake.correct_cut(*log, moved, WHO)
    assert reads == []
    same(intake.log_cut(*log).log.whole, log_and_readings(LOG, "log.csv", HowRead())[0].whole)
    # The figures are those that the evidence gives.
    changed(intake.book.path, "DELETE FROM cut_columns")
    forget_held_logs()
    assert intake.log_cut(*log).segments == kept.segments
    assert reads == ["log.csv"]
    # Having been read it is kept again: so it is with logs of a book from before.
    forget_held_logs()
    assert intake.log_cut(*log).segments == kept.segments
    assert reads == ["log.csv"]
    assert intake.book.verify() == []


def test_what_is_judged_is_read_from_the_evidence(
    intake: Intake, log: tuple[UUID, UUID], reads: list[str]
) -> None:
    cut = intake.log_cut(*log)
    named = [CutOperation("rate", (s.start + s.end) / 2, rate=50.0) for s in cut.plateaus]
    forget_held_logs()
    intake.correct_cut(*log, [*named, CutOperation("phase", phase="as_left")], WHO)
    assert reads == []
    points, _, _ = intake.confirm_cut(*log, WHO)
    assert reads == ["log.csv"]
    assert points
    assert all(r.lines and r.at for p in points for r in p.readings)


def test_a_copy_that_was_changed_is_named_and_not_used(
    intake: Intake, log: tuple[UUID, UUID], reads: list[str]
) -> None:
    path, cut = intake.book.path, intake.log_cut(*log)
    other = LogColumns(
        cut.log.started,
        cut.log.times,
        {k: v + 1.0 for k, v in cut.log.columns.items()},
        cut.log.whole.lines,
        cut.log.whole.marked,
        0,
    )
    for sha256 in (cut.log.sha256, other.sha256):
        about, data = packed(other)
        changed(path, "UPDATE cut_columns SET about = ?, data = ?, log_sha256 = ?",
                about, data, sha256)  # fmt: skip
        told = [f"{f.where} {f.what}" for f in verify_file(path)]
        assert told == [f"columns of log {log[1]} are not those of the log that was cut"]
        forget_held_logs()
        assert intake.log_cut(*log).segments == cut.segments
        assert reads.pop() == "log.csv"
    # Whoever changes what tells the log, too, is told by the trail.
    changed(path, "UPDATE cut_columns SET readings_sha256 = ?", other.sha256)
    changed(path, "UPDATE cut SET readings_sha256 = ?", other.sha256)
    assert [f.what for f in verify_file(path)] == ["is not the one that was cut"]


def test_a_backup_brings_the_columns_along(
    intake: Intake, log: tuple[UUID, UUID], reads: list[str], tmp_path: Path
) -> None:
    segments = intake.log_cut(*log).segments
    backup(intake.book.path, tmp_path / "copy.db")
    assert verify_file(tmp_path / "copy.db") == []
    forget_held_logs()
    with Book(tmp_path / "copy.db", durable=False) as book:
        assert Intake(book).log_cut(*log).segments == segments
    assert reads == []
