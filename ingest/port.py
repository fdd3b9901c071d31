"""The serial port: opened, read as bytes come, reopened when a cable was pulled and put back.

The port gives chunks of bytes with the time they were received, and says when the link was lost,
came back or stayed silent. What is read is read in few calls: while bytes flow, a pause of some
milliseconds lets more of them arrive, and all are taken in one piece.
"""

from __future__ import annotations

import errno
import os
import re
import select
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Any, Literal, NamedTuple

import serial
from serial.tools import list_ports

from ingest.port_beat import Beat

PROMPT = 0.0045
"""Pause [s] while bytes flow, where each value is waited for: 5 ms are allowed to it."""
CALM = 0.05
"""Pause where a screen is drawn once a second: waking up is most of what listening costs."""
_DENSE = 500.0
"""Bytes a second from which on they flow so densely that the longer pause is kept."""
_PIECE = 16384
_WAKE = 0.2
_RETRY = 0.2


@dataclass(frozen=True, slots=True)
class PortSettings:
    """How the instrument speaks: its instructions say it."""

    baud: int = 9600
    bits: Literal[5, 6, 7, 8] = 8
    parity: Literal["none", "even", "odd", "mark", "space"] = "none"
    stop: float = 1
    flow: Literal["none", "rtscts", "xonxoff", "dsrdtr"] = "none"

    @property
    def byte_time(self) -> float:
        """Return how long one byte takes on the line [s], start and stop bits included."""
        return (1 + self.bits + (self.parity != "none") + self.stop) / self.baud


class PortError(Exception):
    """A port that cannot be used: ``kind`` is absent, busy, denied or settings."""

    def __init__(self, kind: str, message: str, next_step: str) -> None:
        super().__init__(f"{message}. {next_step}")
        self.kind = kind
        self.next_step = next_step


class Chunk(NamedTuple):
    """Bytes as received."""

    received: datetime
    data: bytes


_chunk = tuple.__new__
"""A chunk as a tuple is made, without the call that a named one's constructor costs."""


@dataclass(frozen=True, slots=True)
class Link:
    """A change of the link: ``lost``, ``back``, or ``silent`` after a while without a byte."""

    received: datetime
    state: Literal["lost", "back", "silent"]
    note: str = ""


def ports() -> list[tuple[str, str]]:
    """Return (name, description) of the serial ports of this machine."""
    return sorted((p.device, p.description or "") for p in list_ports.comports())


def open_port(name: str, settings: PortSettings | None = None) -> Any:
    """Return an open pyserial port; ``socket://host:port`` and ``loop://`` are ports too.

    Raises
    ------
    PortError
        Saying whether the port is absent, busy or denied, and what to try.
    """
    s = settings or PortSettings()
    shown = ", ".join(device for device, _ in ports()) or "none"
    if s.baud < 1:  # zero would hang up the line
        raise _refused(name, ValueError(f"{s.baud} bits a second is no speed"))
    try:
        port = serial.serial_for_url(
            name,
            do_not_open=True,
            baudrate=s.baud,
            bytesize=s.bits,
            parity=s.parity[0].upper(),
            stopbits=int(s.stop) if float(s.stop).is_integer() else s.stop,
            rtscts=s.flow == "rtscts",
            xonxoff=s.flow == "xonxoff",
            dsrdtr=s.flow == "dsrdtr",
            timeout=_WAKE,
        )
        if "://" not in name:
            port.exclusive = True
        port.open()
    except ValueError as error:
        raise _refused(name, error) from error
    except (serial.SerialException, OSError) as error:
        raise _named(name, error, shown) from error
    return port


_ADDRESSES = ("loop://", "socket://")


def _refused(name: str, error: Exception) -> PortError:
    if "://" in name and not name.startswith(_ADDRESSES):
        return PortError(
            "settings",
            f"{name} is no address of a port",
            "Name the port, such as /dev/ttyUSB0 or COM3, or socket://host:port.",
        )
    return PortError(
        "settings", f"{name}: {error}", "Look at --baud, --bits, --parity, --stop and --flow."
    )


def _named(name: str, error: Exception, shown: str) -> PortError:
    code = getattr(error, "errno", None)
    text = str(error).casefold()
    if code in (errno.ENOTTY, errno.EISDIR) or "could not configure" in text:
        return PortError(
            "absent",
            f"{name} is there, but is no serial port",
            f"Look at the name; ports here: {shown}. A kept capture is read with --replay.",
        )
    if name.startswith("socket://") and not re.fullmatch(r"socket://.+:\d+(/.*)?", name):
        return PortError(
            "settings", f"{name} lacks its port number", "Write socket://host:port, with a number."
        )
    if code in (errno.EBUSY, errno.EAGAIN, errno.EWOULDBLOCK) or "lock" in text or "busy" in text:
        return PortError(
            "busy", f"{name} is in use", "Close the other program that reads this port."
        )
    if code in (errno.EACCES, errno.EPERM):
        return PortError(
            "denied",
            f"{name} may not be opened by you",
            "Ask for the right to use serial ports (often the group dialout).",
        )
    if name.startswith("socket://"):
        return PortError(
            "absent", f"nothing answers at {name}", "Look at the address, the port and the network."
        )
    return PortError(
        "absent",
        f"there is no port {name}",
        f"Plug the cable in and look at the name; ports here: {shown}.",
    )


_now: Callable[[], datetime] = partial(datetime.now, UTC)


class PortSource:
    """Chunks and link changes of one port, until told to stop.

    Parameters
    ----------
    name, settings
        As for :func:`open_port`; the first opening fails at once, later ones are tried again.
    silent_after : float
        Seconds without a byte after which ``silent`` is said, once for each silence.
    gather : float
        Pause [s] while bytes flow, for more of them to arrive: ``PROMPT`` or ``CALM``.
    clock : callable
        Gives the time of a chunk.
    """

    def __init__(
        self,
        name: str,
        settings: PortSettings | None = None,
        *,
        silent_after: float = 10.0,
        gather: float = PROMPT,
        clock: Callable[[], datetime] = _now,
    ) -> None:
        self.name, self.settings, self.clock = name, settings or PortSettings(), clock
        self.silent_after, self._gather = silent_after, gather
        self.stopped = False
        self._port: Any = open_port(name, self.settings)
        self._socket = name.startswith("socket://")
        late = min(PROMPT, gather)
        self._beat = Beat(self.settings.byte_time, late) if late == gather else None
        self._flowing = False

    def stop(self) -> None:
        """End the iteration soon; safe to call from a signal handler or another thread."""
        self.stopped = True

    def close(self) -> None:
        """Give the port back."""
        if self._port is not None:
            self._port.close()
            self._port = None

    def __iter__(self) -> Iterator[Chunk | Link]:
        heard, told = time.monotonic(), False
        while not self.stopped:
            try:
                yield from self._flow()
                data = b"" if self.stopped else self._read()
            except (serial.SerialException, OSError, TypeError) as error:
                # pyserial lets a TypeError through where a port is closed under it.
                self.close()
                yield Link(self.clock(), "lost", str(error))
                if not self._reopened():
                    return
                yield Link(self.clock(), "back")
                heard, told = time.monotonic(), False
                continue
            if data:
                heard, told = time.monotonic(), False
                yield Chunk(self.clock(), data)
            elif not told and time.monotonic() - heard > self.silent_after:
                told = True
                yield Link(
                    self.clock(),
                    "silent",
                    f"no byte came for {self.silent_after:g} s from {self.name} at "
                    f"{self.settings.baud} baud: is the instrument on, its output started, the "
                    "baud rate right, the cable crossed as it should be?",
                )

        waiting = self._waiting()
        if waiting:
            yield Chunk(self.clock(), waiting)

    def _waiting(self) -> bytes:
        """Return what had come before the stop and was not read yet."""
        if self._port is None:
            return b""
        try:
            if self._socket:
                self._port.timeout = 0.05
                pieces, until = b"", time.monotonic() + 1.0
                while time.monotonic() < until and (piece := self._port.read(65536)):
                    pieces += piece
                return pieces
            count = self._port.in_waiting
            return bytes(self._port.read(count)) if count else b""
        except (serial.SerialException, OSError, TypeError):
            return b""

    def _read(self) -> bytes:
        port = self._port
        descriptor = getattr(port, "fd", None)
        if descriptor is not None:
            return self._from_descriptor(descriptor)
        first: bytes = port.read(1)
        if not first:
            return b""
        if self._socket:  # a socket does not say how much waits: take what comes in the pause
            port.timeout = self._gather
            rest: bytes = port.read(65536)
            port.timeout = _WAKE
            return first + rest
        time.sleep(self._gather)
        waiting = port.in_waiting
        return first + port.read(waiting) if waiting else first

    def _from_descriptor(self, descriptor: int) -> bytes:
        """Do what pyserial's read does on this system, without its work for each byte."""
        if not select.select([descriptor], [], [], _WAKE)[0]:
            return b""
        if self._beat is not None:
            time.sleep(self._beat.first())
        data = os.read(descriptor, _PIECE)
        if not data:
            raise serial.SerialException("the port is ready but gives nothing: it was pulled")
        self._flowing = True
        if self._beat is not None:
            self._beat.pause(data, 0.0)
            # Behind a whole line the next byte wakes us: it may be long in coming.
            self._flowing = not data.endswith((b"\n", b"\r"))
        return data

    def _flow(self) -> Iterator[Chunk]:
        """Yield chunks while bytes flow: a pause, and one read takes all that came in it.

        Only after a pause without any is the system asked to wake us. Woken two hundred times a
        second, a program pays for every step it takes, so there are few between two pauses.
        """
        if not self._flowing or (descriptor := getattr(self._port, "fd", None)) is None:
            return
        sleep, read, clock = time.sleep, os.read, self.clock
        pause = prompt = min(PROMPT, self._gather)
        calm, dense = self._gather, _DENSE * prompt
        beat = self._beat
        monotonic = time.monotonic
        before = monotonic()
        self._flowing = False
        while not self.stopped:
            sleep(pause)
            try:
                data = read(descriptor, _PIECE)
            except BlockingIOError:
                return
            if not data:
                return
            yield _chunk(Chunk, (clock(), data))
            if beat is not None:
                now = monotonic()
                pause, before = beat.pause(data, now - before), now
            elif len(data) > dense:
                pause = calm  # a line now and then is still taken at once

    def _reopened(self) -> bool:
        while not self.stopped:
            if "://" in self.name or Path(self.name).exists():
                try:
                    self._port = open_port(self.name, self.settings)
                    return True
                except PortError:
                    pass
            time.sleep(_RETRY)
        return False
