"""The command ``listen`` on the simulated instrument: pulled cables, damaged bytes, all accounted.

The account is kept on the instrument's side, byte by byte, and compared with what the command said
and what its raw capture holds.
"""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import threading
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from ingest.capture import records
from ingest.port import Chunk, Link
from parsers.stream_events import StreamDamage
from parsers.streams import StreamReader
from samples.instrument import SPOKEN, Instrument, demo_lines

COMMAND = (sys.executable, "-c", "from api.command import main; main()", "listen")
_ENDS = re.compile(rb"[\r\n]+")
_KEYS = tuple(key for key, *_ in SPOKEN)


@dataclass
class Heard:
    """What the command wrote, and what it took of the processor."""

    said: list[dict[str, Any]]
    status: int
    processor: float
    wall: float


def listened(instrument: Instrument, kept: Path, pulls: int, seconds: float) -> Heard:
    """Run the command on the instrument until it has said everything, then press Ctrl-C."""
    out = kept.with_suffix(".jsonl")
    began = time.monotonic()
    with out.open("wb") as written, instrument:
        process = subprocess.Popen(
            [*COMMAND, instrument.name, "--json", "--save", str(kept), "--silent-after", "60"],
            stdout=written,
            cwd=Path(__file__).parents[2],
        )

        def pull() -> None:
            while not instrument.sent and not instrument.done.wait(0.05):
                pass  # a program takes a moment to start listening
            for n in range(pulls):
                if instrument.done.wait(seconds / (pulls + 1)):
                    return
                instrument.pull(in_a_line=n % 2 == 1)
                time.sleep(min(3.0, seconds / 100))
                instrument.plug()

        puller = threading.Thread(target=pull)
        puller.start()
        finished = instrument.done.wait(seconds * 1.5 + 60)
        puller.join()
        time.sleep(0.5)
        os.kill(process.pid, signal.SIGINT)
        _, status, used = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
    assert finished, "the instrument could not say everything: nobody listened"
    said = [json.loads(line) for line in out.read_text().splitlines()]
    wall = time.monotonic() - began
    return Heard(said, process.returncode, used.ru_utime + used.ru_stime, wall)


def numbers(line: bytes) -> tuple[float, ...]:
    """Return what a line of the instrument says, taken apart without any of the readers."""
    return tuple(float(cell) for cell in line.split(b"*")[0].split(b";"))


def account(instrument: Instrument, heard: Heard, kept: Path) -> dict[str, int]:
    """Compare, and return the counts; asserts that nothing was lost, invented or left uncounted."""
    stream = b"".join(hit for _, hit, _ in instrument.sent)
    taken = list(records(kept))
    assert b"".join(r.data for r in taken if isinstance(r, Chunk)) == stream  # kept raw, all of it

    readings = [tuple(one["values"][key] for key in _KEYS) for one in heard.said if "values" in one]
    damage = [one["raw"].encode("latin-1") for one in heard.said if "damage" in one]

    # None invented, none lost: in order, each intact line is a reading; a line may be one where
    # its end alone was hit; no other is.
    at, only_ends = 0, 0
    for line, hit, carries in instrument.sent:
        if not carries:
            continue
        whole = hit == line
        body_whole = hit[: len(line) - 2] == line[:-2]
        if at < len(readings) and readings[at] == numbers(line) and (whole or body_whole):
            at += 1
            only_ends += not whole
        else:
            assert not whole, line
    assert at == len(readings)

    # Every line whose bytes were hit overlaps a piece that was counted and is kept raw.
    spans, reader, damaged = [], StreamReader(), []
    position = 0
    for record in taken:
        if isinstance(record, Link):
            events = reader.interrupted() if record.state == "lost" else []
        else:
            events = reader.feed(record.data, record.received)
        for event in events:
            # Rows that waited for their heading, and a heading found out later, stand further back.
            near = stream.find(event.raw, position, position + 400)
            if isinstance(event, StreamDamage):
                start = near if near >= 0 else stream.index(event.raw)
                spans.append((start, start + len(event.raw)))
                damaged.append(event.raw)
            if near >= 0:
                position = near + len(event.raw)
    last = [e.raw for e in reader.close() if isinstance(e, StreamDamage)]
    assert damage == damaged + last
    begin, hit_lines, uncounted = 0, 0, []
    for line, hit, _ in instrument.sent:
        end = begin + len(hit)
        if hit[: len(line) - 2] != line[:-2]:
            hit_lines += 1
            pieces = [p for p in _ENDS.split(hit) if p]
            if not any(a < end and b > begin for a, b in spans) and not any(
                p in raw for p in pieces for raw in last
            ):
                uncounted.append(hit)
        begin = end
    assert uncounted == []
    return {
        "lines sent": len(instrument.sent),
        "lines that carry a reading": sum(c for _, _, c in instrument.sent),
        "intact lines that carry a reading": len(instrument.intact),
        "readings": len(readings),
        "of those, lines whose end alone was hit": only_ends,
        "lines hit": hit_lines,
        "pieces counted as damage": len(damage),
        "links lost": sum(one.get("link") == "lost" for one in heard.said),
        "links back": sum(one.get("link") == "back" for one in heard.said),
        "bytes": len(stream),
    }


@pytest.mark.parametrize(
    ("lines", "pace"),
    [
        pytest.param(1200, 200.0, id="quick"),
        pytest.param(6000, 10.0, id="ten minutes", marks=pytest.mark.soak),
    ],
)
def test_every_intact_line_is_a_reading_and_every_damaged_one_is_counted(
    tmp_path: Path, lines: int, pace: float
) -> None:
    said = demo_lines(every=0.1)[:lines]
    instrument = Instrument(tmp_path / "port", said, pace=pace, damage=0.01, seed=11)
    kept = tmp_path / "heard.capture"
    heard = listened(instrument, kept, pulls=5, seconds=lines / pace)
    assert heard.status == 0
    counts = account(instrument, heard, kept)
    for name, count in counts.items():
        print(f"{count:8d}  {name}")
    print(f"{heard.wall:8.1f}  seconds, {heard.processor:.2f} s of processor time")
    assert counts["links lost"] == counts["links back"] == 5
    assert counts["lines sent"] == lines
    assert counts["intact lines that carry a reading"] > 0.4 * lines
