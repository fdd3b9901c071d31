"""One server in a process of its own: ``python -m benchmarks._serving KIND FD BOOK VISIT``.

``own`` is the program as it serves whoever sits at it, ``office`` the one where everybody signs in,
``bare`` an endpoint that only writes and reads.
"""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

import uvicorn
from starlette.datastructures import MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

HZ = os.sysconf("SC_CLK_TCK")


@dataclass(frozen=True, slots=True)
class Server:
    """A server that runs: its port and its process."""

    port: int
    pid: int

    def processor_seconds(self) -> float | None:
        """Return what its process took of the processor so far, None where it is not told."""
        with suppress(OSError):
            fields = Path(f"/proc/{self.pid}/stat").read_text().rpartition(")")[2].split()
            return (int(fields[11]) + int(fields[12])) / HZ
        return None


@contextmanager
def serving(kind: str, book: Path, visit: str) -> Iterator[Server]:
    """Run a server over a book until the block ends."""
    with socket.socket() as listening:
        listening.bind(("127.0.0.1", 0))
        listening.listen(128)
        port = listening.getsockname()[1]
        number = listening.fileno()
        command = [sys.executable, "-m", "benchmarks._serving", kind, str(number), str(book), visit]
        process = subprocess.Popen(command, pass_fds=(number,), stdout=subprocess.DEVNULL)
        try:
            for _ in range(200):
                with suppress(OSError):
                    asked = "healthz" if kind == "office" else f"v1/visits/{visit}"
                    path = f"http://127.0.0.1:{port}/{asked}"
                    with urllib.request.urlopen(path, timeout=20) as answer:
                        answer.read()
                        break
                time.sleep(0.1)
            yield Server(port, process.pid)
        finally:
            process.terminate()
            process.wait(30)


def told(app: ASGIApp) -> ASGIApp:
    """Return an application whose answers say how long it took (Server-Timing, W3C; memory)."""

    async def timed(scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await app(scope, receive, send)
            return
        messages: list[Message] = []

        async def kept(message: Message) -> None:
            messages.append(message)

        started = time.perf_counter()
        await app(scope, receive, kept)
        took = f"app;dur={1000 * (time.perf_counter() - started):.3f}"
        MutableHeaders(scope=messages[0])["server-timing"] = took
        for message in messages:
            await send(message)

    return timed


def main(kind: str, descriptor: str, book: str, visit: str) -> None:
    """Serve until told to stop."""
    listening = socket.socket(fileno=int(descriptor))
    if kind == "bare":
        from benchmarks._bare import bare_app

        bare = uvicorn.Config(bare_app(Path(book), visit), log_level="warning", access_log=False)
        uvicorn.Server(bare).run(sockets=[listening])
        return
    from api.app import create_app
    from api.serve import server_over, settle_memory
    from api.settings import Settings
    from ingest.intake import Intake
    from ingest.store import Book

    with Book(Path(book)) as opened:
        app = create_app(Intake(opened), Settings(alone=kind == "own", requests_a_minute=0))
        settle_memory()
        server_over(told(app) if kind == "own" else app).run(sockets=[listening])


if __name__ == "__main__":
    main(*sys.argv[1:])
