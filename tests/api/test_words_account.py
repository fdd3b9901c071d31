"""The language and the units of a person who signed in: the same on every device of theirs."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from fastapi import FastAPI
from starlette.testclient import TestClient

from api.app import create_app
from api.doorkeeper import SESSION_COOKIE
from api.locales.pseudo import PSEUDO
from api.settings import Settings
from ingest.intake import Intake
from ingest.store import Book
from ingest.store.accounts import Account

PASSWORD = "seven cold burners"
HTML = {"Accept": "text/html", "Accept-Language": "en"}


@pytest.fixture
def app(tmp_path: Path) -> Iterator[FastAPI]:
    with Book(tmp_path / "book.db", durable=False) as book:
        yield create_app(Intake(book), Settings())


def person(app: FastAPI, name: str) -> Account:
    _account, token = app.state.desk.add_account(name, "technician", "test")
    made: Account = app.state.desk.use_link(token, PASSWORD)
    return made


def device(app: FastAPI, account: Account) -> TestClient:
    """Return a browser that signed in and holds no other cookie."""
    client = TestClient(app, follow_redirects=False)
    client.cookies.set(SESSION_COOKIE, app.state.desk.begin_session(account))
    return client


def face(client: TestClient, address: str = "/") -> tuple[str, str]:
    """Return the language of a page and the units that it marks as chosen."""
    text = client.get(address, headers=HTML).text
    language = re.search(r'<html lang="([^"]+)"', text)
    units = re.search(r'\?units=(us|si)" aria-current="true"', text)
    assert language is not None and units is not None
    return language[1], units[1]


def test_what_was_chosen_on_one_device_is_there_on_another(app: FastAPI) -> None:
    merrow = person(app, "A. Merrow")
    tablet, desk = device(app, merrow), device(app, merrow)
    assert face(tablet) == ("en", "us")
    assert face(tablet, "/?language=es") == ("es", "us")
    assert face(tablet, "/?units=si") == ("es", "si")
    assert face(desk) == ("es", "si")
    assert not {"fluebook-language", "fluebook_units"} & set(desk.cookies)
    assert face(device(app, person(app, "L. Orme"))) == ("en", "us")


def test_a_devices_own_cookie_comes_before_the_account(app: FastAPI) -> None:
    merrow = person(app, "A. Merrow")
    tablet, desk = device(app, merrow), device(app, merrow)
    face(tablet, "/?language=es&units=si")
    assert face(desk, "/?language=en&units=us") == ("en", "us")
    assert face(tablet) == ("es", "si")
    assert face(device(app, merrow)) == ("en", "us")


def test_choosing_is_no_change_of_the_account_that_an_administrator_sees(app: FastAPI) -> None:
    merrow = person(app, "A. Merrow")
    desk = app.state.desk
    version = desk.account(merrow.id).version
    client = device(app, merrow)
    lines = _trail(app)
    face(client, "/?language=es&units=si")
    kept = desk.account(merrow.id)
    assert (kept.language, kept.units, kept.version) == ("es", "si", version)
    assert _trail(app) == lines


def test_nothing_else_is_kept(app: FastAPI) -> None:
    merrow = person(app, "A. Merrow")
    client = device(app, merrow)
    face(client, f"/?language={PSEUDO}&units=furlongs")
    client.get("/v1/boilers?language=es&units=si")
    TestClient(app).get("/sign-in?language=es&units=si", headers=HTML)
    kept = app.state.desk.account(merrow.id)
    assert (kept.language, kept.units) == (None, None)


def test_whoever_sits_alone_at_a_machine_has_the_browsers_cookies_only(tmp_path: Path) -> None:
    with Book(tmp_path / "alone.db", durable=False) as book:
        app = create_app(Intake(book), Settings(alone=True))
        first = TestClient(app)
        assert face(first, "/?language=es&units=si") == ("es", "si")
        assert face(first) == ("es", "si")
        assert face(TestClient(app)) == ("en", "us")


def _trail(app: FastAPI) -> int:
    reader = app.state.desk.book.reader
    return int(reader.execute("SELECT COUNT(*) FROM audit").fetchone()[0])
