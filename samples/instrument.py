"""A generic instrument to talk to: the demo boiler's readings on a pseudo-terminal.

It speaks as instruments do (rows under a heading, ``key=value`` lines, printed blocks), with a
checksum where wanted, can damage a share of its bytes, and its cable can be pulled and put back.
It belongs to the demo: nothing it says is about a real boiler.
"""

from __future__ import annotations

import contextlib
import os
import random
import select
import threading
import time
import tty
from collections.abc import Iterator, Sequence
from pathlib import Path
from types import TracebackType
from typing import Annotated, Literal

import numpy as np
import typer

from parsers.line_rules import Checksum
from parsers.stream_lines import with_checksum
from samples.plant import BoilerModel
from samples.plant_log import PlantLog, Step, log

Form = Literal["rows", "pairs", "blocks"]
SPOKEN = (
    ("o2_dry", "O2", "%", 1),
    ("co_dry", "CO", "ppm", 0),
    ("no_dry", "NO", "ppm", 0),
    ("stack_temperature", "Stack", "C", 1),
    ("combustion_air_temperature", "Air temp", "C", 1),
    ("stack_draft", "Draft", "Pa", 1),
)
VISIT = (
    Step("off", 40),
    Step("purge", 40),
    *(Step("fire", 180, rate) for rate in (20, 40, 60, 80, 100)),
    Step("air", 60, 100),
    *(Step("fire", 180, rate) for rate in (100, 60, 20)),
    Step("off", 60),
)
"""A technician's way through the range, about half an hour."""


def spoken(made: PlantLog, form: Form, checksum: Checksum | None) -> Iterator[tuple[bytes, bool]]:
    """Yield (line, whether it carries a reading) of a log, line ends included."""

    def sent(text: str, carries: bool) -> tuple[bytes, bool]:
        raw = text.encode()
        return (with_checksum(checksum, raw) if checksum else raw) + b"\r\n", carries

    for n in range(len(made.times)):
        cells = [
            (label, f"{made.columns[key][n]:.{digits}f}", unit)
            for key, label, unit, digits in SPOKEN
        ]
        if form == "rows":
            if n % 25 == 0:
                yield sent(";".join(f"{label} {unit}" for label, _, unit in cells), False)
            yield sent(";".join(value for _, value, _ in cells), True)
        elif form == "pairs":
            yield sent(";".join(f"{label}={value} {unit}" for label, value, unit in cells), True)
        else:
            for at, (label, value, unit) in enumerate(cells):
                yield f"{label:<12}{value:>10} {unit}\r\n".encode(), at == len(cells) - 1
            yield b"\r\n", False


class Instrument:
    """A simulated instrument; ``name`` is the port to open.

    Parameters
    ----------
    link : Path
        Where the port appears, as a link to the pseudo-terminal of the moment.
    lines : sequence of (bytes, bool)
        What it says; the flag marks lines that carry a reading. ``sent`` keeps what went out: the
        line as meant, the bytes as sent, the flag.
    pace : float
        Lines a second.
    damage : float
        Share of bytes replaced by others.
    """

    def __init__(
        self,
        link: Path,
        lines: Sequence[tuple[bytes, bool]],
        *,
        pace: float = 10.0,
        damage: float = 0.0,
        seed: int = 1,
    ) -> None:
        self.name = str(link)
        self._link, self._lines, self._pace, self._damage = link, lines, pace, damage
        self._random = random.Random(seed)
        self._lock = threading.Lock()
        self._stop = threading.Event()
        self._master: int | None = None
        self._poll: select.poll | None = None
        self._heard = False
        self.intact: list[bytes] = []
        self.damaged: list[tuple[bytes, bytes]] = []
        self.sent: list[tuple[bytes, bytes, bool]] = []
        self._break = threading.Event()
        self._broken = threading.Event()
        self.done = threading.Event()
        self._thread = threading.Thread(target=self._speak, daemon=True)

    def plug(self) -> None:
        """Put the cable in: the port appears."""
        with self._lock:
            if self._master is not None:
                return
            self._master, slave = os.openpty()
            tty.setraw(slave)
            os.set_blocking(self._master, False)
            self._poll = select.poll()
            self._poll.register(self._master, select.POLLHUP)
            self._heard = False
            with contextlib.suppress(FileNotFoundError):
                self._link.unlink()
            self._link.symlink_to(os.ttyname(slave))
            os.close(slave)  # from here on the far end hangs up unless somebody listens

    def pull(self, settle: float = 0.1, *, in_a_line: bool = False) -> None:
        """Pull the cable: the port goes; ``settle`` [s] lets the reader take what was sent.

        ``in_a_line`` waits for the next line and pulls when half of it is out.
        """
        if in_a_line and not self.done.is_set():
            self._broken.clear()
            self._break.set()
            self._broken.wait(10.0)
        with self._lock:
            if self._master is None:
                return
            time.sleep(settle)
            self._link.unlink(missing_ok=True)
            os.close(self._master)
            self._master = None

    def _awaited(self) -> bool:
        """Return once somebody listens, as an instrument does that minds its handshake lines.

        A program that opens a port throws away what waits in it: hence the pause after it did.
        """
        while not self._stop.is_set():
            with self._lock:
                if self._master is None or self._poll is None:
                    return False
                hung_up = bool(self._poll.poll(0))
            if not hung_up:
                if not self._heard:
                    self._heard = True
                    time.sleep(0.2)
                return True
            self._heard = False
            time.sleep(0.01)
        return False

    def _speak(self) -> None:
        while not self._stop.is_set() and not self._awaited():
            time.sleep(0.01)
        due = time.monotonic()  # its pace counts from when somebody listens
        for line, carries in self._lines:
            due += 1.0 / self._pace
            while not self._stop.is_set() and not self._sent(line, carries):
                time.sleep(0.01)
            if self._stop.wait(max(0.0, due - time.monotonic())):
                return
        self.done.set()

    def _sent(self, line: bytes, carries: bool) -> bool:
        """Send a line where the cable is in; a line is sent whole or not at all."""
        if not self._awaited():
            return False
        hit = self._hit(line)
        breaks = self._break.is_set() and len(hit) > 2
        if breaks:
            self._break.clear()
            hit = hit[: len(hit) // 2]
        with self._lock:
            if self._master is None:
                return False
            at = 0
            while at < len(hit) and not self._stop.is_set():
                try:
                    at += os.write(self._master, hit[at:])
                except BlockingIOError:
                    time.sleep(0.002)  # nobody reads: the line's buffer is full
                except OSError:
                    return False
        self.sent.append((line, hit, carries))
        if breaks:
            self._broken.set()
            time.sleep(0.05)  # whoever pulls takes the port away now
        if carries:
            if hit == line:
                self.intact.append(line)
            else:
                self.damaged.append((line, hit))
        return True

    def _hit(self, line: bytes) -> bytes:
        if not self._damage:
            return line
        return bytes(
            self._random.randrange(256) if self._random.random() < self._damage else b for b in line
        )

    def __enter__(self) -> Instrument:
        self.plug()
        self._thread.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._stop.set()
        self._thread.join(timeout=5)
        self.pull(settle=0.0)


def demo_lines(
    form: Form = "rows", checksum: Checksum | None = "crc32", seed: int = 7, every: float = 1.0
) -> list[tuple[bytes, bool]]:
    """Return what the demo's instrument says over one visit, a reading each ``every`` seconds."""
    made = log(BoilerModel(), VISIT, np.random.default_rng(seed), interval=every)
    return list(spoken(made, form, checksum))


def instrument(
    link: Annotated[Path, typer.Argument(help="Where the port shall appear.")],
    form: Annotated[str, typer.Option(help="rows, pairs or blocks")] = "rows",
    checksum: Annotated[str, typer.Option(help="none, xor8, sum8, crc16 or crc32")] = "crc32",
    pace: Annotated[float, typer.Option(help="Lines a second.")] = 10.0,
    damage: Annotated[float, typer.Option(help="Share of bytes damaged, 0 to 1.")] = 0.0,
    pull_every: Annotated[float, typer.Option(help="Pull the cable this often, seconds.")] = 0.0,
) -> None:
    """Simulate an instrument on a pseudo-terminal until its visit is over."""
    if form not in ("rows", "pairs", "blocks") or checksum not in (
        "none", "xor8", "sum8", "crc16", "crc32",
    ):  # fmt: skip
        typer.echo("--form is rows, pairs or blocks; --checksum none, xor8, sum8, crc16 or crc32")
        raise typer.Exit(64)
    kind: Checksum | None = None if checksum == "none" else checksum  # type: ignore[assignment]
    lines = demo_lines(form, kind, every=1.0 / pace)  # type: ignore[arg-type]
    with Instrument(link, lines, pace=pace, damage=damage) as one:
        typer.echo(f"A simulated instrument speaks at {link}; in another window:")
        typer.echo(f"  fluebook listen {link}")
        with contextlib.suppress(KeyboardInterrupt):
            while not one.done.wait(pull_every or 3600.0):
                if pull_every:
                    one.pull()
                    time.sleep(1.0)
                    one.plug()
