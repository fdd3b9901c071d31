"""A key that is revoked, or an account that is closed, while a request is under way."""

from __future__ import annotations

import json
import socket
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from api import doorkeeper
from api.accounts import Desk
from api.app import create_app
from api.doorkeeper import SESSION_COOKIE
from api.settings import Settings
from ingest.intake import Intake
from ingest.store import Book
from tests.api.conftest import BOILER
from tests.serving import head, linked, serving

PASSWORD = "seven cold burners"
Ended = tuple[str, Callable[[], object]]


@pytest.fixture
def opened(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[tuple[str, Desk, Intake]]:
    monkeypatch.setattr(doorkeeper, "_ASKED_EVERY_S", 0.2)
    with Book(tmp_path / "book.db", durable=False) as book:
        intake = Intake(book)
        app = create_app(intake, Settings(requests_a_minute=0))
        with serving(app) as address:
            yield address, app.state.desk, intake


def key(desk: Desk) -> Ended:
    """Return the header of a key, and what revokes it."""
    made, secret = desk.add_key("tablets", "test")
    return f"Authorization: Bearer {secret}", lambda: desk.revoke_key(made.id, "test")


def person(desk: Desk) -> Ended:
    """Return the header of a session, and what takes the right to change boilers from it."""
    account, token = desk.add_account("R. Calder", "reviewer", "test")
    desk.use_link(token, PASSWORD)

    def demote() -> None:
        desk.change_account(account.id, "test", role="technician", printed_name="")

    session = desk.begin_session(desk.account(account.id))
    return f"Cookie: {SESSION_COOKIE}={session}\r\nSec-Fetch-Site: same-origin", demote


def begun(address: str, line: str, *headers: str) -> socket.socket:
    link = linked(address)
    link.sendall(head(address, line, "Connection: close", *headers))
    return link


def rest(link: socket.socket) -> bytes:
    found = b""
    while piece := link.recv(65536):
        found += piece
    return found


@pytest.mark.parametrize("known", [key, person])
@pytest.mark.parametrize("repeatable", [False, True])
def test_a_body_that_is_whole_too_late_changes_nothing(
    opened: tuple[str, Desk, Intake], known: Callable[[Desk], Ended], repeatable: bool
) -> None:
    address, desk, intake = opened
    header, end = known(desk)
    body = json.dumps(BOILER).encode()
    wanted = ["Content-Type: application/json", f"Content-Length: {len(body)}", header]
    wanted += ["Idempotency-Key: once"] if repeatable else []
    for ended in (False, True):
        with begun(address, "POST /v1/boilers", *wanted) as link:
            link.sendall(body[:20])
            time.sleep(0.5)
            if ended:
                end()
            link.sendall(body[20:])
            said = rest(link)
        assert (b" 401 " if ended else b" 201 ") in said.split(b"\r\n")[0], said[:300]
        assert not ended or json.loads(said.partition(b"\r\n\r\n")[2])["status"] == 401
        assert len(intake.boilers()) == 1


def test_a_file_that_is_still_being_read_ends(
    opened: tuple[str, Desk, Intake], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    address, desk, _ = opened
    large = tmp_path / "large.bin"
    size = 64 * 1024 * 1024  # more than the buffers between the two take
    with large.open("wb") as file:
        file.truncate(size)

    def written(_book: object, _kind: object, _form: object, path: Path, *_: object, **__: object):  # type: ignore[no-untyped-def]
        large.rename(path)

    monkeypatch.setattr("api.routes.exports.write_export", written)
    header, end = key(desk)
    with begun(address, "GET /v1/exports/readings.csv", header) as link:
        assert b" 200 " in link.recv(1000).split(b"\r\n")[0]
        end()
        time.sleep(0.5)
        assert len(rest(link)) < size // 2


def test_a_person_who_got_more_goes_on(opened: tuple[str, Desk, Intake]) -> None:
    _, desk, _ = opened
    before, _ = desk.add_account("R. Calder", "reviewer", "test", sites=[])
    from api.accounts.principal import of_account

    desk.change_account(before.id, "test", role="reviewer", printed_name="R. C.")
    assert of_account(desk.account(before.id)).may_as_much_as(of_account(before))
    assert not of_account(before).may_as_much_as(of_account(desk.account(before.id)))
