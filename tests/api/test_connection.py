"""Whoever opens connections and says little, much or nonsense holds up nobody."""

from __future__ import annotations

import socket
import time
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest

from api import connection
from api.app import create_app
from api.connection import HEAD_MOST
from api.settings import Settings
from ingest.intake import Intake
from ingest.store import Book
from tests.serving import head, linked, serving

MEGABYTE = 1024 * 1024
FORM = {"Content-Type": "application/x-www-form-urlencoded"}


@pytest.fixture
def address(tmp_path: Path) -> Iterator[str]:
    with Book(tmp_path / "book.db", durable=False) as book:
        app = create_app(Intake(book), Settings(max_upload=MEGABYTE, requests_a_minute=0))
        with serving(app) as found:
            yield found


def answer_to(address: str, sent: bytes) -> bytes:
    """Return everything that comes back until the server closes."""
    with linked(address) as link:
        link.sendall(sent)
        return rest(link)


def rest(link: socket.socket) -> bytes:
    found = b""
    try:
        while piece := link.recv(65536):
            found += piece
    except ConnectionResetError:
        pass
    return found


def still_answers(address: str) -> bool:
    return httpx.get(f"{address}/healthz", timeout=20).status_code == 200


@pytest.mark.parametrize(
    ("begin", "more"),
    [
        (b"GET /", b"a" * 65536),
        (b"GET /healthz HTTP/1.1\r\nX: ", b"a" * 65536),
        (b"GET /healthz HTTP/1.1\r\n", b"a" * 65536),
        (b"GET /healthz HTTP/1.1\r\n", b"X: y\r\n" * 10_000),
    ],
    ids=["address", "value", "name", "many headers"],
)
def test_a_head_without_end_is_cut_off(address: str, begin: bytes, more: bytes) -> None:
    taken = 0
    with linked(address) as link:
        link.sendall(begin)
        with pytest.raises(ConnectionError):
            while taken < 64 * MEGABYTE:
                link.sendall(more)
                taken += len(more)
    assert still_answers(address)


def test_trailers_without_end_are_cut_off(address: str) -> None:
    with linked(address) as link:
        link.sendall(head(address, "GET /healthz", "Transfer-Encoding: chunked") + b"0\r\n")
        taken = 0
        with pytest.raises(ConnectionError):
            while taken < 64 * MEGABYTE:
                link.sendall(b"X: y\r\n" * 10_000)
                taken += 60_000
    assert still_answers(address)


def test_a_head_that_is_too_large_is_told_so(address: str) -> None:
    fits = head(address, "GET /healthz", "X: " + "a" * (HEAD_MOST - 4000), "Connection: close")
    assert b" 200 " in answer_to(address, fits).split(b"\r\n")[0]
    refused = answer_to(address, head(address, "GET /healthz", "X: " + "a" * (HEAD_MOST + 1)))
    assert b" 431 " in refused.split(b"\r\n")[0]
    assert b"/problems/head-too-large" in refused and b"nosniff" in refused


def test_heads_that_do_not_come_hold_up_nobody_and_are_closed(
    address: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(connection, "HEAD_S", 0.5)
    begun = time.monotonic()
    silent = [linked(address) for _ in range(100)]
    slow = [linked(address) for _ in range(100)]
    after = linked(address)
    try:
        after.sendall(head(address, "GET /healthz"))
        assert b" 200 " in after.recv(65536)
        after.sendall(b"\r\n")  # a blank before the next head ends the server's own short wait
        for link in slow:
            link.sendall(b"GET /healthz HTTP/1.1\r\nX: ")
        assert still_answers(address)
        assert all(rest(link) == b"" for link in [*silent, *slow, after])
        assert time.monotonic() - begun < 15
    finally:
        for link in [*silent, *slow, after]:
            link.close()


def test_of_too_many_that_wait_the_oldest_gives_way(
    address: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(connection, "WAITING_MOST", 20)
    first = linked(address)
    assert still_answers(address)
    others = [linked(address) for _ in range(20)]
    try:
        assert still_answers(address)
        assert rest(first) == b""
        others[-1].sendall(head(address, "GET /healthz", "Connection: close"))
        assert b" 200 " in rest(others[-1])
    finally:
        for link in [first, *others]:
            link.close()


def test_an_answer_that_nobody_reads_does_not_wait_for_ever(
    address: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(connection, "UNREAD_S", 0.5)
    one = len(
        httpx.get(f"{address}/v1/openapi.json", headers={"Accept-Encoding": "identity"}).content
    )
    asked = 64 * MEGABYTE // one  # far more than the buffers between the two take
    with linked(address) as link:
        link.sendall(head(address, "GET /v1/openapi.json") * asked)
        time.sleep(3)
        assert one < len(rest(link)) < asked * one
    assert still_answers(address)


@pytest.mark.parametrize(
    ("headers", "body"),
    [
        (
            ["Content-Length: 6", "Transfer-Encoding: chunked"],
            b"0\r\n\r\nGET /healthz HTTP/1.1\r\n",
        ),
        (["Content-Length: 2", "Content-Length: 40"], b"{}"),
        (["Content-Length: +2"], b"{}"),
        (["Content-Length: 99999999999999999999999"], b"{}"),
        (["Transfer-Encoding: xchunked"], b"0\r\n\r\n"),
        (["Transfer-Encoding: chunked, identity"], b"0\r\n\r\n"),
        (["Transfer-Encoding : chunked"], b"0\r\n\r\n"),
        (["Transfer-Encoding: chunked"], b"-1\r\nx\r\n0\r\n\r\n"),
        (["Transfer-Encoding: chunked"], b"0x2\r\n{}\r\n0\r\n\r\n"),
        (["Transfer-Encoding: chunked"], b"ffffffffffffffff1\r\n{}\r\n0\r\n\r\n"),
        (["Transfer-Encoding: chunked"], b"2;\n{}\r\n0\r\n\r\n"),
        (["Content-Length: 2", "Host: elsewhere.example"], b"{}"),
        (["Content-Length: 2", "X: a", " b"], b"{}"),
        (["Content-Length: 2", "X: a\0b"], b"{}"),
    ],
)
def test_what_two_servers_could_read_in_two_ways_is_read_in_none(
    address: str, headers: list[str], body: bytes
) -> None:
    """RFC 9112, 6.3 and 11.2 (memory): a length that is unclear ends the connection."""
    said = answer_to(address, head(address, "POST /sign-in", *headers) + body)
    assert said.count(b"HTTP/1.1 ") == 1
    assert b" 400 " in said.split(b"\r\n")[0]


def test_where_nobody_is_known_a_body_is_small_and_quick(tmp_path: Path) -> None:
    large = "name=" + "a" * 20_000
    with Book(tmp_path / "book.db", durable=False) as book:
        app = create_app(Intake(book), Settings())
        with serving(app) as address, httpx.Client(base_url=address, timeout=20) as asked:
            for place in ("/sign-in", "/first/nothing"):
                sent = asked.post(place, content=large, headers=FORM)
                assert sent.status_code == 413, place
            pieces = iter([b"name=" + b"a" * 9000, b"b" * 9000])
            assert asked.post("/sign-in", content=pieces, headers=FORM).status_code == 413
            assert asked.post("/sign-in", data={"name": "a"}).status_code == 401
