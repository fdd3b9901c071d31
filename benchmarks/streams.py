"""Streams and plateaus: lines a second, the port's share of a core, latency, cutting long logs."""

from __future__ import annotations

import os
import random
import subprocess
import sys
import tempfile
import threading
import time
import tracemalloc
from pathlib import Path

import numpy as np
from serial import Serial

from ingest.capture import CaptureWriter
from ingest.listening import Listening, collector_rests
from ingest.port import CALM, PROMPT, PortSettings, PortSource
from parsers.plateaus import propose_cut
from parsers.segments import CutOptions
from parsers.streams import StreamReader, readings_of
from samples.instrument import demo_lines
from samples.plant import BoilerModel
from samples.plant_log import PlantLog, Step, log

Row = tuple[str, float, float | None, str]


def run() -> list[Row]:
    """Return the rows of this benchmark."""
    return [*_lines(), *_port(), *_cutting()]


def _lines() -> list[Row]:
    lines = [line for line, _ in demo_lines("rows", "crc32")]
    data = b"".join(lines * 15)
    began = time.process_time()
    floor = sum(len(line.split(b";")) for line in data.splitlines())
    split = time.process_time() - began
    del floor
    reader = StreamReader()
    began = time.process_time()
    count = sum(
        len(readings_of(reader.feed(data[at : at + 512]))) for at in range(0, len(data), 512)
    )
    took = time.process_time() - began
    return [
        (
            "readings a second of processor time, from memory, with checksums",
            count / took,
            None,
            "1/s",
        ),
        (
            "time against the 50 us a line that 20,000 lines a second allow",
            took / count / 50e-6,
            1.0,
            "",
        ),
        ("time against splitting the same lines", took / split, None, ""),
    ]


def _port() -> list[Row]:
    """A pseudo-terminal fed at the pace of 115,200 baud: processor time, latency."""
    lines = [line for line, _ in demo_lines("rows", "crc32")]
    StreamReader().feed(lines[0])  # the vocabulary and the units are loaded once, not each second
    heard = Listening()
    with (
        collector_rests(),
        tempfile.TemporaryDirectory() as folder,
        CaptureWriter(Path(folder) / "a.capture") as kept,
    ):
        bare, alone = _listened(lines, None)
        used, wall = _listened(lines, heard)
        keeping, kept_wall = _listened(lines, Listening(keep=kept.write))
        calm, calm_wall = _listened(lines, Listening(keep=kept.write), CALM)
    ours, theirs = used / max(len(heard.readings), 1), _readline_cost(lines)
    waits = _latency()
    return [
        ("readings a second heard at 115,200 baud", len(heard.readings) / wall, None, "1/s"),
        ("share of a core while listening at 115,200 baud, aim 2", 100 * used / wall, None, "%"),
        (
            "of that, waking up and reading the port, nothing made of it",
            100 * bare / alone,
            None,
            "%",
        ),
        (
            "share of a core while listening and keeping the raw bytes",
            100 * keeping / kept_wall,
            None,
            "%",
        ),
        (
            "share of a core, raw bytes kept, at the pause of a screen drawn once a second",
            100 * calm / calm_wall,
            2.0,
            "%",
        ),
        ("processor time a line, ours", ours * 1e6, None, "us"),
        ("processor time a line, the port's own readline, not parsed", theirs * 1e6, None, "us"),
        ("ours against that readline", ours / theirs, 0.8, ""),
        ("from a line's last byte to its value, median", waits[len(waits) // 2] * 1e3, 5.0, "ms"),
        (
            "from a line's last byte to its value, 95 of 100",
            waits[int(0.95 * len(waits))] * 1e3,
            None,
            "ms",
        ),
    ]


def _listened(
    lines: list[bytes], heard: Listening | None, gather: float = PROMPT
) -> tuple[float, float]:
    """Return processor time and time [s] of listening; None reads and makes nothing of it."""
    master, slave = os.openpty()
    source = PortSource(os.ttyname(slave), PortSettings(baud=115200), gather=gather)
    # A process of its own, or its time would count as ours; and not a fork, after which each page
    # that we touch would be copied on our time.
    child = subprocess.Popen(
        [sys.executable, "-c", _FEED, str(master), "11520", "5.0"],
        stdin=subprocess.PIPE,
        pass_fds=[master],
    )
    assert child.stdin is not None
    child.stdin.write(b"".join(lines))
    child.stdin.close()
    began, wall = time.process_time(), time.perf_counter()
    for record in source:
        if heard is not None:
            heard.take(record)
        if time.perf_counter() - wall > 4.5:
            source.stop()
    used, wall = time.process_time() - began, time.perf_counter() - wall
    child.wait()
    source.close()
    os.close(master)
    os.close(slave)
    return used, wall


_FEED = """
import os, sys, time
master, rate, seconds = int(sys.argv[1]), float(sys.argv[2]), float(sys.argv[3])
data, piece, at = sys.stdin.buffer.read(), 16, 0
began = time.perf_counter()
while time.perf_counter() - began < seconds and at < len(data):
    os.write(master, data[at : at + piece])
    at += piece
    time.sleep(max(0.0, began + at / rate - time.perf_counter()))
"""
"""Writes at a rate in bytes a second, in the pieces of a UART's buffer."""


def _readline_cost(lines: list[bytes]) -> float:
    master, slave = os.openpty()
    with Serial(os.ttyname(slave), timeout=1) as port:
        took, count = 0.0, 200
        for line in lines[:count]:
            os.write(master, line)
            began = time.process_time()
            port.readline()
            took += time.process_time() - began
    os.close(master)
    os.close(slave)
    return took / count


def _latency() -> list[float]:
    """Return the waits from a line's last byte to its value [s], the shortest first."""
    master, slave = os.openpty()
    source = PortSource(os.ttyname(slave), PortSettings(baud=115200))
    heard = Listening()
    waits: list[float] = []
    sent: list[float] = []

    def speak() -> None:
        os.write(master, b"O2 %;CO ppm\r\n")
        time.sleep(0.1)
        pauses = random.Random(1)
        for _ in range(400):  # close enough for bytes to keep flowing, at no steady beat
            time.sleep(pauses.uniform(0.002, 0.008))
            sent.append(time.perf_counter())
            os.write(master, b"5.1;12\r\n")
        time.sleep(0.1)
        source.stop()

    thread = threading.Thread(target=speak)
    thread.start()
    for record in source:
        for _ in readings_of(heard.take(record)):
            waits.append(time.perf_counter() - sent[len(waits)])
    thread.join()
    source.close()
    os.close(master)
    os.close(slave)
    return sorted(waits)


def _long_log(seconds: float, interval: float) -> PlantLog:
    rng = np.random.default_rng(1)
    program, total, rate = [Step("purge", 60)], 60.0, 20.0
    while total < seconds:
        stay = float(rng.uniform(120, 600))
        rate = float(rng.choice([r for r in (20.0, 40.0, 60.0, 80.0, 100.0) if r != rate]))
        program.append(Step("fire", stay, rate))
        total += stay
    return log(BoilerModel(), program, rng, interval=interval)


def _cut(one: PlantLog) -> float:
    columns = {k: one.columns[k] for k in ("o2_dry", "co_dry", "stack_temperature")}
    began = time.process_time()
    propose_cut(one.times, columns, options=CutOptions(response_time=30.0))
    return time.process_time() - began


def _cutting() -> list[Row]:
    hour, quarter, day = _long_log(3600, 1.0), _long_log(21600, 1.0), _long_log(86400, 0.1)
    took = [_cut(one) for one in (hour, quarter, day)]
    columns = {k: day.columns[k] for k in ("o2_dry", "co_dry", "stack_temperature")}
    size = sum(c.nbytes for c in columns.values()) + day.times.nbytes
    tracemalloc.start()
    propose_cut(day.times, columns, options=CutOptions(response_time=30.0))
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    growth = (took[1] / len(quarter.times)) / (took[0] / len(hour.times))
    return [
        ("cutting an hour at 1 Hz, processor time", took[0], None, "s"),
        ("cutting six hours at 1 Hz, processor time", took[1], None, "s"),
        ("cutting a day at 10 Hz, processor time", took[2], None, "s"),
        ("time a sample, six hours against one", growth, 2.0, ""),
        ("peak memory of cutting a day at 10 Hz against the log itself", peak / size, 4.0, ""),
    ]
