"""A server killed during an upload leaves the whole change or nothing of it."""

from __future__ import annotations

import http.client
import re
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import IO, Any
from urllib.parse import urlsplit

import pytest

from ingest.identifiers import new_id
from ingest.intake import Intake
from ingest.models import Boiler, Visit
from ingest.store import Book

LINES = 1500
HEADING = "O2 %,CO ppm,Stack temperature degF,Air temperature degF,Firing rate %\n"


def body() -> bytes:
    rows = (
        f"{3 + n % 7 / 10:.1f},{n % 40},402.8,63,{25 * (1 + n * 4 // LINES)}" for n in range(LINES)
    )
    return (HEADING + "\n".join(rows) + "\n").encode()


def serving(book: Path) -> tuple[subprocess.Popen[str], str]:
    command = [
        "-c",
        "from api.command import main; main()",
        "serve",
        "--port",
        "0",
        "--book",
        str(book),
    ]
    server = subprocess.Popen([sys.executable, *command], stdout=subprocess.PIPE, text=True)
    out: IO[str] | None = server.stdout
    assert out is not None
    found = re.search(r"http://\S+", out.readline())
    assert found is not None
    return server, found.group(0)


def send(address: str, visit: str, data: bytes, answers: list[Any], begun: threading.Event) -> None:
    where = urlsplit(address)
    connection = http.client.HTTPConnection(str(where.hostname), where.port, timeout=30)
    try:
        connection.putrequest("POST", f"/v1/visits/{visit}/files?phase=as_left&name=log.csv")
        connection.putheader("Content-Type", "text/csv")
        connection.putheader("Content-Length", str(len(data)))
        connection.endheaders()
        connection.send(data[: len(data) // 2])
        begun.set()
        connection.send(data[len(data) // 2 :])
        answers.append(connection.getresponse().status)
    except OSError:
        answers.append(None)
    finally:
        connection.close()


# From before the body is whole to well after the answer on an idle machine.
@pytest.mark.parametrize("wait", [0.0, 0.03, 0.1, 0.25, 2.0])
def test_killed_upload_is_whole_or_absent(tmp_path: Path, wait: float) -> None:
    path = tmp_path / "book.db"
    boiler, visit = new_id(), new_id()
    with Book(path) as book:
        Intake(book).put_boiler(Boiler(id=boiler, name="B"), "test")
        Intake(book).put_visit(Visit(id=visit, boiler_id=boiler), "test")
    server, address = serving(path)
    answers: list[Any] = []
    begun = threading.Event()
    sender = threading.Thread(target=send, args=(address, str(visit), body(), answers, begun))
    try:
        sender.start()
        assert begun.wait(30)
        time.sleep(wait)
    finally:
        server.send_signal(signal.SIGKILL)
        server.wait(20)
        sender.join(30)
        if server.stdout is not None:
            server.stdout.close()
    with Book(path) as book:
        view = Intake(book).visit(visit)
        assert len(view.readings) in (0, LINES)
        assert len(view.attachments) == (1 if view.readings else 0)
        assert bool(view.points) == bool(view.readings)
        if answers == [201]:
            assert len(view.readings) == LINES  # what was answered is kept
        assert book.verify() == []
