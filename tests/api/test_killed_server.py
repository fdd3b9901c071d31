"""A server killed during an upload leaves the whole change or nothing of it."""

from __future__ import annotations

import http.client
import threading
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest

from ingest.identifiers import new_id
from ingest.intake import Intake
from ingest.models import Boiler, Visit
from ingest.store import Book
from tests.serving import killed, started

LINES = 1500
HEADING = "O2 %,CO ppm,Stack temperature degF,Air temperature degF,Firing rate %\n"


def body() -> bytes:
    rows = (
        f"{3 + n % 7 / 10:.1f},{n % 40},402.8,63,{25 * (1 + n * 4 // LINES)}" for n in range(LINES)
    )
    return (HEADING + "\n".join(rows) + "\n").encode()


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
    except (OSError, http.client.HTTPException):
        answers.append(None)
    finally:
        connection.close()


# From before the body is whole to after the answer.
@pytest.mark.parametrize("wait", [0.0, 0.03, 0.1, 0.25, None])
def test_killed_upload_is_whole_or_absent(tmp_path: Path, wait: float | None) -> None:
    path = tmp_path / "book.db"
    boiler, visit = new_id(), new_id()
    with Book(path) as book:
        Intake(book).put_boiler(Boiler(id=boiler, name="B"), "test")
        Intake(book).put_visit(Visit(id=visit, boiler_id=boiler), "test")
    server, address = started(path, "--alone")
    answers: list[Any] = []
    begun = threading.Event()
    sender = threading.Thread(target=send, args=(address, str(visit), body(), answers, begun))
    try:
        sender.start()
        assert begun.wait(30)
        sender.join(30 if wait is None else wait)
    finally:
        killed(server)
        sender.join(30)
    assert wait is not None or answers == [201]
    with Book(path) as book:
        view = Intake(book).visit(visit)
        assert len(view.readings) in (0, LINES)
        assert len(view.attachments) == (1 if view.readings else 0)
        assert bool(view.points) == bool(view.readings)
        if answers == [201]:
            assert len(view.readings) == LINES  # what was answered is kept
        assert book.verify() == []
