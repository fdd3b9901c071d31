"""The whole matrix: every address and method, asked as every role, and as nobody."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from uuid import uuid4

import pytest
from fastapi.routing import iter_route_contexts
from starlette.testclient import TestClient

from api.app import create_app
from api.demo import open_entry
from api.permissions import OPEN_FOLDERS, PERMISSIONS, Permission, permissions_at
from api.settings import Settings
from ingest.intake import Intake
from ingest.store import Book
from ingest.store.accounts import ROLES
from tests.api.conftest import BOILER
from tests.permissions import matrix

DOCS = Path(__file__).parents[2] / "docs" / "permissions.md"


@pytest.fixture(scope="module")
def opened(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[TestClient, Intake]]:
    with Book(tmp_path_factory.mktemp("book") / "book.db", durable=False) as book:
        intake = Intake(book)
        app = create_app(intake, Settings(requests_a_minute=0))
        open_entry(app, "seven cold burners")  # the demo's own way in has its line too
        with TestClient(app, raise_server_exceptions=False) as client:
            yield client, intake


@pytest.fixture(scope="module")
def secrets(opened: tuple[TestClient, Intake]) -> dict[str, str]:
    desk = opened[0].app.state.desk  # type: ignore[attr-defined]
    return {role: desk.add_key(f"key of {role}", "test", role=role)[1] for role in ROLES}


def filled(permission: Permission) -> str:
    parts = [str(uuid4()) if p.startswith("{") else p for p in permission.path.split("/")]
    return "/".join(parts)


@pytest.mark.parametrize("permission", PERMISSIONS, ids=lambda p: f"{p.method} {p.path}")
def test_each_role_is_let_in_or_refused_as_the_table_says(
    opened: tuple[TestClient, Intake], secrets: dict[str, str], permission: Permission
) -> None:
    client, _ = opened
    path = filled(permission)
    client.cookies.clear()
    nobody = client.request(permission.method, path, follow_redirects=False)
    if permission.anyone:
        assert nobody.status_code not in (403,)
        return
    assert nobody.status_code == 401, nobody.text
    for role in ROLES:
        headers = {"Authorization": f"Bearer {secrets[role]}"}
        answer = client.request(permission.method, path, headers=headers, follow_redirects=False)
        if role in permission.roles:
            assert answer.status_code not in (401, 403), (role, answer.text)
            assert answer.status_code < 500, (role, answer.text)
        else:
            assert answer.status_code == 403, (role, answer.text)


def test_every_route_of_the_application_has_its_line(opened: tuple[TestClient, Intake]) -> None:
    client, _ = opened
    routes = set()
    for context in iter_route_contexts(client.app.routes):  # type: ignore[attr-defined]
        original = getattr(context, "original_route", context)
        path = getattr(context, "path", None) or getattr(original, "path", "")
        if (path + "/").startswith(OPEN_FOLDERS):
            continue
        methods = getattr(context, "methods", None) or getattr(original, "methods", None) or ()
        routes |= {(m, path) for m in methods if m != "HEAD"}
    stated = {(p.method, p.path.replace(":path", "")) for p in PERMISSIONS}
    plain = {(m, p.replace(":path", "")) for m, p in routes}
    assert plain - stated == set(), "routes that nobody can reach: say who they are for"
    assert stated - plain == set(), "lines for addresses that are not there"


def test_a_route_without_a_line_is_not_there(tmp_path: Path) -> None:
    with Book(tmp_path / "book.db", durable=False) as book:
        app = create_app(Intake(book), Settings())

        @app.get("/v1/forgotten")
        def forgotten() -> dict[str, str]:
            return {"secret": "told"}

        secret = app.state.desk.add_key("a key", "test", role="administrator")[1]
        with TestClient(app) as client:
            for accept in ("application/json", "text/html"):
                headers = {"Authorization": f"Bearer {secret}", "Accept": accept}
                assert client.get("/v1/forgotten", headers=headers).status_code == 404


def test_the_printed_matrix_is_the_one_that_holds() -> None:
    assert DOCS.read_text() == matrix(), "python -m tests.permissions > docs/permissions.md"


def test_head_asks_what_get_asks() -> None:
    assert permissions_at("/v1/sites")["GET"].roles


def test_a_key_with_the_scope_read_changes_nothing(opened: tuple[TestClient, Intake]) -> None:
    client, _ = opened
    desk = client.app.state.desk  # type: ignore[attr-defined]
    secret = desk.add_key("reads only", "test", role="administrator", scopes=["read"])[1]
    headers = {"Authorization": f"Bearer {secret}"}
    assert client.get("/v1/boilers", headers=headers).status_code == 200
    refused = client.post("/v1/boilers", json=BOILER, headers=headers)
    assert refused.status_code == 403
    assert "scope write" in refused.json()["detail"]
