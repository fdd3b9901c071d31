"""The few steps between two pauses of a listening: stamps, disk, output, collector."""

from __future__ import annotations

import gc
import io
import os
import sys
import threading
import time
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import pytest

from ingest import capture
from ingest.capture import CaptureWriter, records
from ingest.listen_lines import output
from ingest.listening import collector_rests
from ingest.port import Chunk
from ingest.stamp import Stamps

NOW = datetime(2026, 3, 4, 9, 30, 59, 250_000, tzinfo=UTC)


def test_a_stamp_is_what_the_standard_library_writes() -> None:
    stamp = Stamps()
    steps = [0, 0, 1, 749_999, 1, 3_000_000, -2_500_000, 86_400_000_000, 5, -5]
    moment = NOW
    for zone in (UTC, timezone(timedelta(hours=-5)), None):
        for step in steps:
            moment = (moment + timedelta(microseconds=step)).replace(tzinfo=zone)
            assert stamp(moment) == moment.isoformat()


def test_values_do_not_wait_for_a_slow_disk(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path, began = tmp_path / "a.capture", threading.Event()

    def slow(descriptor: int) -> None:
        began.set()
        time.sleep(0.5)

    monkeypatch.setattr(capture, "_SYNC", 0.01)
    monkeypatch.setattr("ingest.capture.os.fsync", slow)
    waits = []
    with CaptureWriter(path) as writer:
        writer.write(Chunk(NOW, b"0"))
        assert began.wait(5.0)
        for n in range(20):
            before = time.perf_counter()
            writer.write(Chunk(NOW, b"%d" % n))
            waits.append(time.perf_counter() - before)
    assert sorted(waits)[10] < 0.1
    assert sum(isinstance(r, Chunk) for r in records(path)) == 21


def test_a_disk_that_fails_is_said_at_the_next_record(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def failing(descriptor: int) -> None:
        raise OSError(5, "the disk is gone")

    monkeypatch.setattr(capture, "_SYNC", 0.01)
    with CaptureWriter(tmp_path / "a.capture") as writer:
        monkeypatch.setattr("ingest.capture.os.fsync", failing)
        with pytest.raises(OSError, match="the disk is gone"):
            for _ in range(500):
                writer.write(Chunk(NOW, b"x"))
                time.sleep(0.01)
        monkeypatch.undo()


def test_output_that_the_system_takes_in_pieces_comes_whole(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write, path = os.write, tmp_path / "out"
    with path.open("w") as stream:
        monkeypatch.setattr(sys, "stdout", stream)
        stream.write("before\n")
        monkeypatch.setattr("ingest.listen_lines.os.write", lambda fd, data: write(fd, data[:3]))
        output()("one line\nand another\n")
        monkeypatch.undo()
    assert path.read_text() == "before\none line\nand another\n"


def test_output_without_a_file_behind_it_goes_through_its_layers(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    stream = io.StringIO()
    monkeypatch.setattr(sys, "stdout", stream)
    output()("one line\n")
    monkeypatch.undo()
    assert stream.getvalue() == "one line\n"


def test_the_collector_rests_while_listening_and_is_as_before_afterwards() -> None:
    before = gc.get_threshold()
    with collector_rests():
        assert gc.isenabled()  # cycles are still found, seldom
        assert gc.get_threshold()[0] > 10 * before[0]
        assert gc.get_freeze_count() > 0
    assert gc.get_threshold() == before
    assert gc.get_freeze_count() == 0
