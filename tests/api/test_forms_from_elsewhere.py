"""No address that changes something takes it from a page of another site."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from api.app import create_app
from api.doorkeeper import SESSION_COOKIE
from api.permissions import PERMISSIONS
from api.settings import Settings
from ingest.identifiers import new_id
from ingest.intake import Intake
from ingest.store import Book

HERE = "http://testserver"
# What a browser says of a form of another site; Fetch Metadata and RFC 6454, status: memory.
ELSEWHERE = {
    "another site": {"Origin": "https://elsewhere.example"},
    "a page without an origin": {"Origin": "null"},
    "a name that begins like ours": {"Origin": HERE + ".elsewhere.example"},
    "another port": {"Origin": HERE + ":8080"},
    "an empty origin": {"Origin": ""},
    "only that it is another site": {"Sec-Fetch-Site": "cross-site"},
    "a neighbouring name": {"Sec-Fetch-Site": "same-site"},
    "ours, but for its origin": {"Sec-Fetch-Site": "same-origin", "Origin": "null"},
    "nothing": {},
}
CHANGES = [p for p in PERMISSIONS if p.method != "GET"]


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestClient]:
    folder: Path = tmp_path_factory.mktemp("elsewhere")
    with Book(folder / "book.db", durable=False) as book:
        app = create_app(Intake(book), Settings(requests_a_minute=0))
        desk = app.state.desk
        _, token = desk.add_account("R. Calder", "administrator", "test")
        account = desk.use_link(token, "seven cold burners")
        with TestClient(app, raise_server_exceptions=False, follow_redirects=False) as asked:
            asked.cookies.set(SESSION_COOKIE, desk.begin_session(account))
            yield asked


def lines_of(intake: Intake) -> int:
    found: int = intake.book.reader.execute("SELECT COUNT(*) FROM audit").fetchone()[0]
    return found


@pytest.mark.parametrize("said", ELSEWHERE)
def test_every_address_that_changes_something_refuses_a_form_of(
    said: str, client: TestClient
) -> None:
    """As text/plain or as a form, which a browser sends to any site without asking first."""
    assert len(CHANGES) > 90
    intake: Intake = client.app.state.intake  # type: ignore[attr-defined]
    before = lines_of(intake)
    for n, permission in enumerate(CHANGES):
        path = re.sub(r"\{\w+\}", lambda _: str(new_id()), permission.path)
        kind = ("text/plain", "application/x-www-form-urlencoded")[n % 2]
        answer = client.request(
            permission.method,
            path,
            content=b'{"a": "=1"}',
            headers={"Content-Type": kind, "Accept": "text/html", **ELSEWHERE[said]},
        )
        # A browser that says nothing has nothing to lose where nobody is signed in yet.
        open_to_all = permission.anyone and said == "nothing"
        assert open_to_all or answer.status_code == 403, (permission.method, path)
        assert "set-cookie" not in answer.headers
    assert lines_of(intake) == before


def test_the_same_forms_of_our_own_pages_are_not_refused_for_where_they_come_from(
    client: TestClient,
) -> None:
    for permission in CHANGES:
        if permission.path == "/sign-out":
            continue
        path = re.sub(r"\{\w+\}", lambda _: str(new_id()), permission.path)
        answer = client.request(permission.method, path, content=b"", headers={"Origin": HERE})
        assert "not-from-here" not in answer.text, (permission.method, path)
        assert answer.status_code < 500, (permission.method, path)
