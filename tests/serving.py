"""A real server over an application, in a thread or a program of its own, and bare lines to it."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import threading
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from api.serve import LOOPBACK, address_of, open_socket, server_over


@contextmanager
def serving(app: Any, port: int = 0) -> Iterator[str]:
    """Yield the address of a server, without a slash at its end; port 0 takes a free one.

    At the end connections that are kept open are not waited for.
    """
    with open_socket(LOOPBACK, port) as listening:
        server = server_over(app)
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]})
        thread.start()
        try:
            while not server.started:
                assert thread.is_alive(), "the server did not start"
                thread.join(0.01)
            yield address_of(listening).rstrip("/")
        finally:
            server.should_exit = server.force_exit = True
            thread.join(20)


Program = subprocess.Popen[str]
SERVE = [sys.executable, "-c", "from api.command import main; main()", "serve"]


def started(book: Path, *options: str, **settings: str) -> tuple[Program, str]:
    """Start ``fluebook serve`` as a program of its own; return it and its address once it answers.

    It says its address as soon as it holds it; whoever connects then waits until it is up.
    """
    program = subprocess.Popen(
        [*SERVE, "--book", str(book), "--port", "0", *options],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, **settings},
    )
    assert program.stdout is not None and program.stderr is not None
    said = program.stdout.readline().strip()
    assert said.startswith("http://"), program.stderr.read()
    with urllib.request.urlopen(f"{said}healthz", timeout=60) as answer:
        assert answer.status == 200
    return program, said.rstrip("/")


def killed(program: Program) -> None:
    """Kill a server in the middle of whatever it does; nothing where it has ended already."""
    program.send_signal(signal.SIGKILL)
    program.wait(20)
    for pipe in (program.stdout, program.stderr):
        if pipe is not None:
            pipe.close()


def stops_listening(address: str) -> None:
    """Wait until nobody can connect any more: an orderly stop has begun."""
    until = time.monotonic() + 20
    with suppress(ConnectionError):
        while time.monotonic() < until:
            linked(address).close()
            time.sleep(0.02)
        raise AssertionError("the server still takes connections")


def linked(address: str) -> socket.socket:
    """Return an open connection to a server, over which nothing was said yet."""
    parts = urlsplit(address)
    assert parts.hostname is not None and parts.port is not None
    return socket.create_connection((parts.hostname, parts.port), timeout=20)


def head(address: str, line: str, *headers: str) -> bytes:
    """Return the head of a request: its line without the version, its host, and more headers."""
    lines = [line + " HTTP/1.1", f"Host: {urlsplit(address).netloc}", *headers]
    return ("\r\n".join(lines) + "\r\n\r\n").encode()
