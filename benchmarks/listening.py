"""The command ``listen`` on a line of 115,200 baud: its processor time and the wait for a value.

The instrument is a process of its own that sends in the pieces of a UART's buffer and notes when
each line's last byte was written; the wait ends where the line of JSON is read from the command's
output, by this process. A bare loop pauses as long, reads and splits, makes nothing of it and
writes an empty line for each. The two take turns of some seconds, so that other work on the machine
falls on both; the load beside the figures says how much there was. Shares are medians of the turns.
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
from contextlib import ExitStack
from pathlib import Path
from statistics import median

from samples.instrument import demo_lines

Row = tuple[str, float, float | None, str]
_SECONDS = 3.0
_TURNS = 5

_FEED = """
import json, os, sys, time, tty
pace, seconds, rate = float(sys.argv[1]), float(sys.argv[2]), 11520.0
lines = sys.stdin.buffer.readline().decode().strip()
lines = [bytes.fromhex(one) for one in lines.split(",")]
master, slave = os.openpty()
tty.setraw(slave)
print(os.ttyname(slave), flush=True)
n = 0
while sys.stdin.buffer.readline():
    began, written, due = time.perf_counter(), [], 0.0
    while due < seconds:
        line = lines[n % len(lines)]
        n += 1
        for at in range(0, len(line), 16):
            time.sleep(max(0.0, began + due + at / rate - time.perf_counter()))
            os.write(master, line[at : at + 16])
        written.append((time.perf_counter(), ord("0") <= line[0] <= ord("9") or line[0] == 45))
        due += len(line) / rate if pace == 0 else 1 / pace
    print(json.dumps(written), flush=True)
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


class _Listener:
    """A listener with an instrument of its own, and what its turns gave."""

    def __init__(self, pace: float, folder: Path, *, command: bool) -> None:
        self._command = command
        self._feed = subprocess.Popen(
            [sys.executable, "-c", _FEED, str(pace), str(_SECONDS)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
        )
        lines = [line for line, _ in demo_lines("rows", "crc32")]
        port = self._asked(",".join(line.hex() for line in lines)).decode().strip()
        self._kept = folder / "a.capture"
        called = ["-c", "from api.command import main; main()", "listen", port, "--json"]
        called += ["--baud", "115200", "--save", str(self._kept)]
        self._listener = subprocess.Popen(
            [sys.executable, *(called if command else ["-c", _BARE, port])],
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
        )
        self._came: list[float] = []
        self._reader = threading.Thread(target=self._read)
        self._reader.start()
        self.shares: list[float] = []
        self.waits: list[float] = []
        self.missed = 0
        while command and not self._kept.exists():
            time.sleep(0.05)
        time.sleep(1.0)

    def _asked(self, words: str) -> bytes:
        assert self._feed.stdin is not None and self._feed.stdout is not None
        self._feed.stdin.write(words.encode() + b"\n")
        self._feed.stdin.flush()
        return self._feed.stdout.readline()

    def turn(self, *, counted: bool) -> None:
        """Let the instrument speak for some seconds."""
        self._came.clear()
        used = _processor(self._listener.pid)
        sent = json.loads(self._asked("speak"))
        time.sleep(0.3)
        used = _processor(self._listener.pid) - used
        if not counted:
            return
        written = [t for t, carries in sent if carries or not self._command]
        self.shares.append(100 * used / _SECONDS)
        self.waits += [b - a for a, b in zip(written, self._came, strict=False)]
        self.missed += abs(len(written) - len(self._came))

    def close(self) -> None:
        """End both processes."""
        self._listener.send_signal(signal.SIGINT)
        self._listener.wait()
        self._reader.join()
        self._feed.communicate()

    def _read(self) -> None:
        """Note when each line came."""
        assert self._listener.stdout is not None
        while data := os.read(self._listener.stdout.fileno(), 65536):
            now = time.perf_counter()
            self._came += [now] * data.count(b"\n")


def run() -> list[Row]:
    """Return the rows of this benchmark."""
    rows: list[Row] = []
    for pace, name in ((10, "10 lines a second"), (50, "50 lines a second"), (0, "no gap")):
        bare, ours = _took_turns(pace)
        rows += [
            (f"{name}: share of a core, JSON written, raw kept", median(ours.shares), None, "%"),
            (f"{name}: the same, a bare loop that pauses 4.5 ms", median(bare.shares), None, "%"),
            (f"{name}: last byte to its line of JSON, median", _at(ours.waits, 0.5), None, "ms"),
            (f"{name}: the same, a bare loop", _at(bare.waits, 0.5), None, "ms"),
            (f"{name}: last byte to line of JSON, 95 of 100", _at(ours.waits, 0.95), None, "ms"),
            (f"{name}: the same, a bare loop", _at(bare.waits, 0.95), None, "ms"),
            (f"{name}: lines that did not come", float(ours.missed), 0.0, ""),
            (f"{name}: load of the machine, cores {os.cpu_count()}", os.getloadavg()[0], None, ""),
        ]
    return rows


def _took_turns(pace: float) -> tuple[_Listener, _Listener]:
    """Return the bare loop and the command after their turns."""
    with tempfile.TemporaryDirectory() as folder, ExitStack() as stack:
        both = []
        for command in (False, True):
            both.append(_Listener(pace, Path(folder), command=command))
            stack.callback(both[-1].close)
        for turn in range(1 + _TURNS):  # the first one warms up
            for one in both:
                one.turn(counted=turn > 0)
    return both[0], both[1]


def _at(waits: list[float], share: float) -> float:
    return 1e3 * sorted(waits)[int(share * len(waits))] if waits else float("nan")


def _processor(pid: int) -> float:
    """Return the processor time [s] of a process, all its threads, as the scheduler counts it."""
    tasks = Path(f"/proc/{pid}/task").iterdir()
    return sum(int((task / "schedstat").read_text().split()[0]) for task in tasks) / 1e9
