"""Running it: readiness, figures, lines without secrets, slow bodies, an orderly stop."""

from __future__ import annotations

import http.client
import json
import re
import signal
import sqlite3
import subprocess
import sys
from pathlib import Path
from urllib.parse import urlsplit

import pytest
from prometheus_client.parser import text_string_to_metric_families
from starlette.testclient import TestClient

from api.guards import Guards
from api.settings import settings_from_environment
from api.settings_page import entries, settings_page
from ingest.intake import Intake
from ingest.store import verify_file
from tests.api.conftest import BOILER
from tests.serving import head, killed, linked, started, stops_listening

TOP = Path(__file__).parents[2]


def test_ready_says_when_the_book_cannot_be_written(
    client: TestClient, intake: Intake, tmp_path: Path
) -> None:
    assert client.get("/readyz").json() == {"status": "ready"}
    intake.book._writer.execute("PRAGMA busy_timeout = 50")
    other = sqlite3.connect(tmp_path / "book.db", isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    assert client.get("/readyz").status_code == 503
    other.execute("ROLLBACK")
    other.close()
    assert client.get("/readyz").status_code == 200


def test_figures_can_be_read_by_the_reference_parser(client: TestClient, visit: str) -> None:
    client.get(f"/v1/visits/{visit}")
    client.get("/no/such/address")
    text = client.get("/metrics").text
    samples = {
        (s.name, *sorted(s.labels.items())): s.value
        for family in text_string_to_metric_families(text)
        for s in family.samples
    }
    seen = ("fluebook_requests_total", ("method", "GET"), ("route", "/v1/visits/{visit_id}"))
    assert samples[*seen, ("status", "200")] == 1
    assert samples["fluebook_visits", ("state", "open")] == 1
    assert "/no/such/address" not in text
    assert visit not in text


def test_a_request_has_an_id_and_keeps_a_sensible_one(client: TestClient) -> None:
    assert re.fullmatch("[0-9a-f]{16}", client.get("/healthz").headers["x-request-id"])
    given = {"X-Request-Id": "tablet-42-retry-1"}
    assert client.get("/healthz", headers=given).headers["x-request-id"] == "tablet-42-retry-1"
    evil = {"X-Request-Id": 'x" injected'}
    assert "injected" not in client.get("/healthz", headers=evil).headers["x-request-id"]


def test_lines_are_json_and_hold_no_secret(tmp_path: Path) -> None:
    program, address = started(tmp_path / "book.db")
    try:
        assert program.stdout is not None and program.stderr is not None
        program.stdout.readline()
        token = program.stdout.readline().strip().rpartition("/")[2]
        connection = http.client.HTTPConnection(urlsplit(address).netloc, timeout=20)
        secret = "flk_" + "s3cret" * 6
        for path in (f"/first/{token}", "/v1/me?password=hunter2hunter2"):
            connection.request("GET", path, headers={"Authorization": f"Bearer {secret}"})
            connection.getresponse().read()
        connection.close()
        program.send_signal(signal.SIGTERM)
        program.wait(20)
        written = program.stderr.read()
    finally:
        killed(program)
    lines = [json.loads(line) for line in written.splitlines()]
    asked = [line for line in lines if line["event"] == "request"]
    assert [line["route"] for line in asked] == ["/healthz", "/first/{token}", "/v1/me"]
    assert all(re.fullmatch("[0-9a-f]{16}", line["request"]) for line in asked)
    for hidden in (token, secret, "hunter2"):
        assert hidden not in written


def test_a_stop_lets_the_request_under_way_finish(tmp_path: Path) -> None:
    book = tmp_path / "book.db"
    program, address = started(book, "--alone")
    try:
        body = json.dumps(BOILER).encode()
        with linked(address) as half:
            headers = ("Content-Type: application/json", f"Content-Length: {len(body)}")
            half.sendall(head(address, "POST /v1/boilers", *headers, "Expect: 100-continue"))
            # RFC 9110, 10.1.1 (memory): the request has been taken, and its body is waited for.
            assert half.recv(65536) == b"HTTP/1.1 100 Continue\r\n\r\n"
            half.sendall(body[:40])
            program.send_signal(signal.SIGTERM)
            stops_listening(address)
            half.sendall(body[40:])
            answer = half.recv(65536)
        assert b" 201 " in answer.split(b"\r\n")[0]
        assert program.wait(20) in (0, -signal.SIGTERM)
    finally:
        killed(program)
    assert verify_file(book) == []
    kept = sqlite3.connect(book)
    assert kept.execute("SELECT COUNT(*) FROM boiler").fetchone() == (1,)
    kept.close()


def test_a_body_that_stops_coming_is_refused() -> None:
    import asyncio

    from starlette.responses import Response
    from starlette.types import Message, Receive, Scope, Send

    async def reads(scope: Scope, receive: Receive, send: Send) -> None:
        more = True
        while more:
            more = (await receive()).get("more_body", False)
        await Response("read")(scope, receive, send)

    sent: list[Message] = []

    async def send(message: Message) -> None:
        sent.append(message)

    async def never() -> Message:
        await asyncio.sleep(30)
        raise AssertionError

    scope = {"type": "http", "method": "POST", "path": "/v1/boilers", "headers": []}
    asyncio.run(Guards(reads, max_body=100, pause=0.05)(scope, never, send))
    assert sent[0]["status"] == 408


def test_the_table_of_settings_is_the_one_that_holds() -> None:
    page = TOP / "docs" / "settings.md"
    assert page.read_text() == settings_page(), "python -m api.settings_page > docs/settings.md"
    named = set(re.findall(r"FLUEBOOK_[A-Z_]+", (TOP / "api" / "settings.py").read_text()))
    assert {name for name, _, _ in entries()} == named


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("FLUEBOOK_REQUESTS_A_MINUTE", "many"),
        ("FLUEBOOK_SECURE_COOKIES", "perhaps"),
        ("FLUEBOOK_LOG_LEVEL", "loud"),
        ("FLUEBOOK_MAX_UPLOAD_MB", "0"),
    ],
)
def test_a_setting_that_cannot_be_is_named(name: str, value: str) -> None:
    with pytest.raises(ValueError, match=name):
        settings_from_environment({name: value})


def test_alone_is_for_this_machine_only(tmp_path: Path) -> None:
    command = [
        str(Path(sys.executable).with_name("fluebook")),
        "serve",
        "--book",
        str(tmp_path / "b.db"),
    ]
    done = subprocess.run(
        [*command, "--alone", "--host", "0.0.0.0"], capture_output=True, text=True, cwd=TOP
    )
    assert done.returncode == 1
    assert "--alone" in done.stderr
    assert not (tmp_path / "b.db").exists()
