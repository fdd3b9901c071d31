"""How much a body may hold follows from where it goes; what is beyond is refused, and let go."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from starlette.responses import Response
from starlette.types import Message, Receive, Scope, Send

from api.app import create_app
from api.body_sizes import AT_ONCE, DOCUMENT_BODY, MOST_PARTS, TAKE_FILES, TAKE_READINGS
from api.connection import LEFT_MOST
from api.guards import Guards
from api.permissions import PERMISSIONS
from api.settings import Settings
from ingest.intake import Intake
from ingest.store import Book
from tests.serving import head, linked, serving

JSON = {"Content-Type": "application/json"}


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    folder: Path = tmp_path_factory.mktemp("sizes")
    with Book(folder / "book.db", durable=False) as book:
        app = create_app(Intake(book), Settings(alone=True))
        with serving(app) as running:
            yield running


def test_every_address_with_more_room_is_one_that_there_is() -> None:
    there = {p.path for p in PERMISSIONS if p.method in ("POST", "PUT")}
    assert there >= TAKE_FILES | TAKE_READINGS
    assert not TAKE_FILES & TAKE_READINGS


def test_a_document_has_the_room_of_a_document(address: str) -> None:
    """Half a million rates are 3 MB, and would be made into a list before they are refused."""
    body = json.dumps({"name": "B", "rates": [12.5] * 500_000}).encode()
    assert len(body) > DOCUMENT_BODY
    with httpx.Client(base_url=address, timeout=20) as asked:
        for content in (body, iter([body[:9], body[9:]])):
            sent = asked.post("/v1/boilers", content=content, headers=JSON)
            assert (sent.status_code, sent.json()["type"]) == (413, "/problems/too-large")
        assert asked.get("/v1/boilers").json()["boilers"] == []


def test_empty_lists_by_the_million_are_counted_before_they_are_made(address: str) -> None:
    body = b"[" + b"[]," * (MOST_PARTS // 2) + b"[]]"
    with httpx.Client(base_url=address, timeout=20) as asked:
        sent = asked.post("/v1/judge", content=body, headers=JSON)
    assert sent.status_code == 413
    assert str(MOST_PARTS) in sent.json()["detail"]


def test_what_comes_after_a_refusal_is_not_taken_for_ever(address: str) -> None:
    piece = b"10000\r\n" + b"x" * 0x10000 + b"\r\n"
    sent = 0
    with linked(address) as link:
        link.sendall(head(address, "POST /sign-in", "Transfer-Encoding: chunked"))
        with pytest.raises(ConnectionError):
            while sent < 40 * LEFT_MOST:  # the buffers of both sides hold some megabytes more
                link.sendall(piece)
                sent += len(piece)
    assert sent < 20 * LEFT_MOST


class _Waits:
    """An application that reads a body and holds on to it until it is told to let go."""

    def __init__(self) -> None:
        self.go_on = asyncio.Event()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        while (await receive()).get("more_body", False):
            pass
        await self.go_on.wait()
        await Response("read")(scope, receive, send)


# Of IPv6 one sender has a whole network of 64 bits: common practice.
@pytest.mark.parametrize(
    ("one", "same", "another"),
    [
        ("192.0.2.1", "192.0.2.1", "192.0.2.2"),
        ("2001:db8:0:1::1", "2001:db8:0:1:2::9", "2001:db8:0:2::1"),
    ],
)
def test_bodies_that_are_worked_on_at_once_are_bounded_and_let_go(
    one: str, same: str, another: str
) -> None:
    async def tried() -> list[int]:
        app = _Waits()
        guards = Guards(app, max_body=1000)
        statuses: list[int] = []

        async def ask(sender: str, size: int = 1000) -> None:
            scope: dict[str, Any] = {
                "type": "http",
                "method": "POST",
                "path": "/v1/visits/1/files",
                "headers": [],
                "client": (sender, 1),
            }

            async def receive() -> Message:
                return {"type": "http.request", "body": b"x" * size, "more_body": False}

            async def send(message: Message) -> None:
                if message["type"] == "http.response.start":
                    statuses.append(message["status"])

            await guards(scope, receive, send)

        first = [asyncio.create_task(ask(one)) for _ in range(AT_ONCE)]
        await asyncio.sleep(0)
        await asyncio.sleep(0)
        await ask(same, 1)
        assert statuses == [429]
        other = asyncio.create_task(ask(another))
        await asyncio.sleep(0)
        app.go_on.set()
        await asyncio.gather(*first, other)
        await ask(one)
        await ask("198.51.100.7", 0)
        assert guards._held._of == {}  # nothing is kept of anybody, nor of one who sent nothing
        return statuses

    assert asyncio.run(tried()) == [429] + [200] * (AT_ONCE + 3)


FILE = {"file": ("a.csv", b"O2 %,CO ppm\n5,10\n", "text/csv")}
FORM = "multipart/form-data; boundary=b"


@pytest.mark.parametrize(
    ("sent", "status", "field", "said"),
    [
        ({"files": FILE, "data": {"zone": "x" * 1_100_000}}, 413, "zone", "longer than 1024 kB"),
        ({"files": FILE, "data": {f"f{n}": "1" for n in range(1_100)}}, 413, None, "1000 fields"),
        (
            {"content": b"a", "headers": {"Content-Type": "multipart/form-data"}},
            400,
            None,
            "boundary",
        ),
        (
            {
                "content": b"--b\r\nContent-Disposition: form-data\r\n\r\nx\r\n--b--\r\n",
                "headers": {"Content-Type": FORM},
            },
            400,
            None,
            "name",
        ),
    ],
)
def test_a_form_that_is_refused_says_what_of_it_and_what_to_do(
    address: str, sent: dict[str, Any], status: int, field: str | None, said: str
) -> None:
    visit = "01930000-0000-7000-8000-000000000001"
    with httpx.Client(base_url=address, timeout=20) as asked:
        answer = asked.post(f"/v1/visits/{visit}/files", **sent)
        assert answer.status_code == status, answer.text
        (item,) = answer.json()["errors"]
        assert said in item["message"]
        assert item.get("parameter") == field
        assert item["expected"]
        assert "nothing was stored" in item["next_step"]
        wanted = {**sent.get("headers", {}), "Accept": "text/html", "Accept-Language": "es"}
        shown = asked.post(f"/visits/{visit}/files", **{**sent, "headers": wanted})
        assert (shown.status_code, shown.headers["content-type"][:9]) == (status, "text/html")
        assert "no se guardó nada" in shown.text
