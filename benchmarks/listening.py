"""The command ``listen`` on a line of 115,200 baud: its processor time and the wait for a value.

The instrument is a process of its own that sends in the pieces of a UART's buffer and notes when
each line's last byte was written; the wait ends where the line of JSON is read from the command's
output, by this process. Beside each stands a bare loop in the same run: it pauses as long, reads
and splits, makes nothing of it and writes an empty line for each. Other work on the machine counts
in both.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import tempfile
import threading
import time
from dataclasses import dataclass
from pathlib import Path

from samples.instrument import demo_lines

Row = tuple[str, float, float | None, str]
_SECONDS = 4.0

_FEED = """
import json, os, sys, time, tty
pace, seconds, rate = float(sys.argv[1]), float(sys.argv[2]), 11520.0
lines = sys.stdin.buffer.readline().decode().strip()
lines = [bytes.fromhex(one) for one in lines.split(",")]
master, slave = os.openpty()
tty.setraw(slave)
print(os.ttyname(slave), flush=True)
sys.stdin.buffer.readline()
began, written, due = time.perf_counter(), [], 0.0
for n in range(10**9):
    if due > seconds:
        break
    line = lines[n % len(lines)]
    for at in range(0, len(line), 16):
        time.sleep(max(0.0, began + due + at / rate - time.perf_counter()))
        os.write(master, line[at : at + 16])
    written.append((time.perf_counter(), ord("0") <= line[0] <= ord("9") or line[0] == 45))
    due += len(line) / rate if pace == 0 else 1 / pace
print(json.dumps(written), flush=True)
sys.stdin.buffer.readline()
"""

_BARE = """
import os, sys, time, tty
port, pause, rest = os.open(sys.argv[1], os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK), 0.0045, b""
tty.setraw(port)
while True:
    time.sleep(pause)
    try:
        *lines, rest = (rest + os.read(port, 16384)).split(b"\\n")
    except BlockingIOError:
        continue
    if lines:
        os.write(1, b"\\n" * len(lines))
"""


@dataclass(frozen=True, slots=True)
class _Measured:
    share: float
    waits: list[float]
    missed: int


def run() -> list[Row]:
    """Return the rows of this benchmark."""
    rows: list[Row] = []
    for pace, name in ((10, "10 lines a second"), (50, "50 lines a second"), (0, "no gap")):
        bare, ours = _measured(pace, command=False), _measured(pace, command=True)
        rows += [
            (f"{name}: share of a core, JSON written, raw kept", ours.share, None, "%"),
            (f"{name}: the same, a bare loop that pauses 4.5 ms", bare.share, None, "%"),
            (f"{name}: last byte to its line of JSON, median", _at(ours.waits, 0.5), None, "ms"),
            (f"{name}: the same, a bare loop", _at(bare.waits, 0.5), None, "ms"),
            (f"{name}: last byte to line of JSON, 95 of 100", _at(ours.waits, 0.95), None, "ms"),
            (f"{name}: the same, a bare loop", _at(bare.waits, 0.95), None, "ms"),
            (f"{name}: lines that did not come", float(ours.missed), 0.0, ""),
        ]
    return rows


def _at(waits: list[float], share: float) -> float:
    return 1e3 * sorted(waits)[int(share * len(waits))] if waits else float("nan")


def _processor(pid: int) -> float:
    """Return the processor time [s] of a process, all its threads, as the scheduler counts it."""
    tasks = Path(f"/proc/{pid}/task").iterdir()
    return sum(int((task / "schedstat").read_text().split()[0]) for task in tasks) / 1e9


def _measured(pace: float, *, command: bool) -> _Measured:
    lines = [line for line, _ in demo_lines("rows", "crc32")]
    with (
        tempfile.TemporaryDirectory() as folder,
        subprocess.Popen(
            [sys.executable, "-c", _FEED, str(pace), str(_SECONDS + 2)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
        ) as feed,
    ):
        assert feed.stdin is not None and feed.stdout is not None
        feed.stdin.write(",".join(line.hex() for line in lines).encode() + b"\n")
        feed.stdin.flush()
        port, kept = feed.stdout.readline().decode().strip(), Path(folder) / "a.capture"
        called = ["-c", "from api.command import main; main()", "listen", port, "--json"]
        called += ["--baud", "115200", "--save", str(kept)]
        listener = subprocess.Popen(
            [sys.executable, *(called if command else ["-c", _BARE, port])],
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
        )
        came: list[float] = []
        reader = threading.Thread(target=_read, args=(listener, came))
        reader.start()
        while command and not kept.exists():
            time.sleep(0.05)
        time.sleep(1.0)
        feed.stdin.write(b"\n")
        feed.stdin.flush()
        time.sleep(1.0)
        used, began = _processor(listener.pid), time.perf_counter()
        time.sleep(_SECONDS)
        used, took = _processor(listener.pid) - used, time.perf_counter() - began
        sent = json.loads(feed.stdout.readline())
        written = [t for t, carries in sent if carries or not command]
        time.sleep(0.3)
        listener.send_signal(signal.SIGINT)
        listener.wait()
        reader.join()
        feed.stdin.close()
    waits = [b - a for a, b in zip(written, came, strict=False)]
    return _Measured(100 * used / took, waits, abs(len(written) - len(came)))


def _read(listener: subprocess.Popen[bytes], came: list[float]) -> None:
    """Note when each line of JSON came."""
    assert listener.stdout is not None
    while data := os.read(listener.stdout.fileno(), 65536):
        now = time.perf_counter()
        came += [now] * data.count(b"\n")
