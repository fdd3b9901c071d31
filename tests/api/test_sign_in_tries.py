"""Guessing is slow, tells nothing, and shuts no true person out."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from argon2 import PasswordHasher
from starlette.testclient import TestClient

from api.accounts import tokens
from api.accounts.tries import Tries, place_of
from api.app import create_app
from api.doorkeeper import SESSION_COOKIE
from api.settings import Settings
from ingest.intake import Intake
from ingest.store import Book

PASSWORD = "seven cold burners"
FROM_HERE = {"Origin": "http://testserver", "Accept": "text/html"}


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Hash at a low cost, where the cost is not what is asked."""
    monkeypatch.setattr(tokens, "_hasher", lambda: PasswordHasher(1, 8, 1))


def at(book: Book, address: str, app: object = None) -> TestClient:
    return TestClient(
        app or create_app(Intake(book), Settings()),  # type: ignore[arg-type]
        raise_server_exceptions=False,
        follow_redirects=False,
        client=(address, 40_000),
        headers=FROM_HERE,
    )


@pytest.fixture
def book(tmp_path: Path) -> Iterator[Book]:
    with Book(tmp_path / "book.db", durable=False) as opened:
        yield opened


def person(client: TestClient, name: str, role: str = "technician") -> None:
    desk = client.app.state.desk  # type: ignore[attr-defined]
    _, token = desk.add_account(name, role, "test")
    desk.use_link(token, PASSWORD)


def enter(client: TestClient, name: str, password: str = PASSWORD) -> int:
    return client.post("/sign-in", data={"name": name, "password": password}).status_code


def test_a_stranger_does_not_shut_a_person_out(book: Book, quick: None) -> None:
    stranger = at(book, "192.0.2.66")
    true = at(book, "198.51.100.7", stranger.app)
    person(stranger, "J. Harrow")
    assert [enter(stranger, "J. Harrow", "guessed") for _ in range(12)][10:] == [429] * 2
    assert enter(true, "J. Harrow") == 303


def test_many_strangers_shut_nobody_out_from_where_they_were_let_in_before() -> None:
    tries = Tries()
    assert tries.sign_in("198.51.100.7", "J. Harrow")
    tries.let_in("198.51.100.7", "J. Harrow")
    free = [
        tries.sign_in(f"192.0.2.{n}", spelling)
        for n in range(1, 20)
        for spelling in ("j. harrow", " J. HARROW ") * 5
    ]
    assert free[:49] == [True] * 49 and not any(free[49:])  # the person's own was one of them
    assert tries.sign_in("198.51.100.7", "J. Harrow")
    assert not tries.sign_in("198.51.100.8", "J. Harrow")


def test_one_network_of_ipv6_is_one_sender() -> None:
    """RFC 6177 (memory): whoever has one subnet of 64 bits has all its addresses."""
    tries = Tries()
    free = [tries.sign_in(f"2001:db8::{n:x}", f"name {n}") for n in range(12)]
    assert free == [True] * 10 + [False] * 2
    assert place_of("no address") == "no address"


def test_an_unknown_name_costs_the_work_of_a_wrong_password(
    book: Book, monkeypatch: pytest.MonkeyPatch
) -> None:
    client = at(book, "192.0.2.1")
    person(client, "J. Harrow")
    desk = client.app.state.desk  # type: ignore[attr-defined]
    desk.add_account("Never Entered", "technician", "test")
    person(client, "C. Losed")
    closed = next(a for a in desk.accounts() if a.name == "C. Losed")
    desk.change_account(closed.id, "test", role="technician", printed_name="", closed=True)
    enter(client, "Warm Up")  # makes the hash that stands for nobody's
    checked: list[str] = []
    verify = PasswordHasher.verify

    def counted(self: PasswordHasher, hashed: str, password: str) -> bool:
        checked.append(hashed.rpartition("$")[0].rpartition("$")[0])
        return verify(self, hashed, password)

    monkeypatch.setattr(PasswordHasher, "verify", counted)
    for name in ("J. Harrow", "Q. Nobody", "Never Entered", "C. Losed", ""):
        assert enter(client, name, "wrong" * 3) == 401
    assert len(checked) == 5
    assert len(set(checked)) == 1  # the same costs


def test_a_session_that_somebody_brings_along_is_not_taken_up(book: Book, quick: None) -> None:
    client = at(book, "192.0.2.1")
    person(client, "J. Harrow")
    client.cookies.set(SESSION_COOKIE, "chosen-by-somebody-else")
    assert enter(client, "J. Harrow") == 303
    client.cookies.clear()
    client.cookies.set(SESSION_COOKIE, "chosen-by-somebody-else")
    assert client.get("/due").status_code == 303


def test_a_session_follows_what_becomes_of_its_account(book: Book, quick: None) -> None:
    client = at(book, "192.0.2.1")
    person(client, "R. Calder", "administrator")
    person(client, "J. Harrow", "administrator")
    desk = client.app.state.desk  # type: ignore[attr-defined]
    mine = next(a for a in desk.accounts() if a.name == "J. Harrow")
    assert enter(client, "J. Harrow") == 303
    assert client.get("/accounts").status_code == 200
    desk.change_account(mine.id, "test", role="technician", printed_name="")
    assert client.get("/accounts").status_code == 403
    assert client.get("/due").status_code == 200
    desk.use_link(desk.link_for(mine.id, "test"), PASSWORD + " again")
    assert client.get("/due").status_code == 303
    assert enter(client, "J. Harrow", PASSWORD + " again") == 303
    desk.change_account(mine.id, "test", role="technician", printed_name="", closed=True)
    assert client.get("/due").status_code == 303
    desk.change_account(mine.id, "test", role="technician", printed_name="")
    assert client.get("/due").status_code == 303  # opened again, it is entered again
