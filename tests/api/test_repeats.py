"""Idempotency-Key on POST, after draft-ietf-httpapi-idempotency-key-header (quoted)."""

from __future__ import annotations

import threading
from pathlib import Path
from typing import Any
from uuid import uuid4

import httpx
import pytest
from starlette.testclient import TestClient

from api.app import create_app
from api.repeats import Repeats
from api.settings import Settings
from ingest.intake import Intake
from ingest.store import Book, verify_file
from tests.api.conftest import BOILER


def keyed() -> dict[str, str]:
    return {"Idempotency-Key": str(uuid4())}


def boilers(client: TestClient) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = client.get("/v1/boilers").json()["boilers"]
    return found


def test_the_same_key_and_body_get_the_same_answer_and_one_effect(client: TestClient) -> None:
    headers = keyed()
    first = client.post("/v1/boilers", json=BOILER, headers=headers)
    again = client.post("/v1/boilers", json=BOILER, headers=headers)
    assert (first.status_code, again.status_code) == (201, 201)
    assert again.content == first.content
    assert again.headers["etag"] == first.headers["etag"]
    assert again.headers["location"] == first.headers["location"]
    assert again.headers["idempotency-replayed"] == "true"
    assert "idempotency-replayed" not in first.headers
    assert len(boilers(client)) == 1


def test_without_a_key_each_is_its_own(client: TestClient) -> None:
    client.post("/v1/boilers", json=BOILER)
    client.post("/v1/boilers", json=BOILER)
    assert len(boilers(client)) == 2


def test_another_body_under_the_key_is_refused(client: TestClient) -> None:
    headers = keyed()
    client.post("/v1/boilers", json=BOILER, headers=headers)
    other = client.post("/v1/boilers", json={**BOILER, "name": "Another"}, headers=headers)
    assert other.status_code == 422
    assert other.json()["type"] == "/problems/key-reused"
    assert len(boilers(client)) == 1


def test_another_address_under_the_key_is_refused(client: TestClient, visit: str) -> None:
    headers = keyed()
    assert client.post(f"/v1/visits/{visit}/hand-in", json={"who": "a"}, headers=headers).is_success
    refused = client.post(f"/v1/visits/{visit}/accept", json={"who": "a"}, headers=headers)
    assert refused.json()["type"] == "/problems/key-reused"


def test_what_was_refused_can_be_corrected_under_its_key(client: TestClient) -> None:
    headers = keyed()
    bare = {**BOILER, "rated_input": 2000}
    assert client.post("/v1/boilers", json=bare, headers=headers).status_code == 422
    assert client.post("/v1/boilers", json=BOILER, headers=headers).status_code == 201


def test_handing_in_twice_under_one_key_is_no_conflict(client: TestClient, visit: str) -> None:
    headers = keyed()
    url = f"/v1/visits/{visit}/hand-in"
    first = client.post(url, json={"who": "J. Harrow"}, headers=headers)
    again = client.post(url, json={"who": "J. Harrow"}, headers=headers)
    assert (first.status_code, again.status_code) == (200, 200)
    assert first.content == again.content
    assert client.post(url, json={"who": "J. Harrow"}).status_code == 409


def test_the_answer_is_kept_across_restarts(tmp_path: Path) -> None:
    headers = keyed()
    answers = []
    for _ in range(2):
        with Book(tmp_path / "book.db") as book:
            app = create_app(Intake(book), Settings(alone=True))
            with TestClient(app) as client:
                answers.append(client.post("/v1/boilers", json=BOILER, headers=headers).json())
                assert len(boilers(client)) == 1
    assert answers[0] == answers[1]
    assert verify_file(tmp_path / "book.db") == []


def test_an_effect_whose_answer_was_lost_is_not_repeated(
    client: TestClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    def killed(*_: object) -> None:
        raise RuntimeError("killed before the answer was kept")

    headers = keyed()
    with monkeypatch.context() as patched:
        patched.setattr(Repeats, "_keep", killed)
        assert client.post("/v1/boilers", json=BOILER, headers=headers).status_code == 500
    again = client.post("/v1/boilers", json=BOILER, headers=headers)
    assert again.status_code == 409
    assert again.json()["type"] == "/problems/done-before"
    assert len(boilers(client)) == 1


def test_while_the_first_is_worked_on_a_second_is_told_so(
    client: TestClient, intake: Intake
) -> None:
    headers = keyed()
    entered, go = threading.Event(), threading.Event()
    put = intake.put_boiler

    def slow(*given: Any, **named: Any) -> Any:
        entered.set()
        assert go.wait(10)
        return put(*given, **named)

    intake.put_boiler = slow  # type: ignore[method-assign]
    got: list[int] = []
    first = threading.Thread(
        target=lambda: got.append(
            client.post("/v1/boilers", json=BOILER, headers=headers).status_code
        )
    )
    first.start()
    assert entered.wait(10)
    second = client.post("/v1/boilers", json=BOILER, headers=headers)
    go.set()
    first.join()
    assert second.status_code == 409
    assert second.json()["type"] == "/problems/in-flight"
    assert got == [201]


def test_two_senders_may_choose_the_same_key(tmp_path: Path) -> None:
    headers = keyed()
    with Book(tmp_path / "book.db", durable=False) as book:
        app = create_app(Intake(book), Settings())
        made = [app.state.desk.add_key(f"key {n}", "test")[1] for n in range(2)]
        with TestClient(app) as client:
            ids = {
                client.post(
                    "/v1/boilers",
                    json=BOILER,
                    headers={**headers, "Authorization": f"Bearer {secret}"},
                ).json()["id"]
                for secret in made
            }
    assert len(ids) == 2


@pytest.mark.parametrize("key", ["", " ", "x" * 256, "a\tb"])
def test_a_key_that_cannot_be_is_refused(client: TestClient, key: str) -> None:
    refused = client.post("/v1/boilers", json=BOILER, headers={"Idempotency-Key": key})
    assert refused.status_code == 422
    assert refused.json()["errors"][0]["parameter"] == "Idempotency-Key"


def test_a_secret_is_never_kept_to_be_given_again(client: TestClient) -> None:
    refused = client.post("/v1/keys", json={"label": "tablets"}, headers=keyed())
    assert refused.json()["type"] == "/problems/not-repeatable"


def test_a_visit_that_is_refused_leaves_neither_plan_nor_key(
    client: TestClient, intake: Intake
) -> None:
    boiler = client.post("/v1/boilers", json=BOILER).json()["id"]
    service = {"plan": "condensing-gas-yearly"}
    headers = keyed()
    nowhere = {"boiler_id": str(uuid4()), "service": service}
    assert client.post("/v1/visits", json=nowhere, headers=headers).status_code == 404
    assert intake.plans() == {}
    corrected = {"boiler_id": boiler, "service": service}
    assert client.post("/v1/visits", json=corrected, headers=headers).status_code == 201
    assert list(intake.plans()) == ["condensing-gas-yearly"]


def test_a_form_of_a_page_is_known_again_whatever_boundary_the_browser_draws(
    client: TestClient, visit: str
) -> None:
    headers = keyed() | {"Origin": "http://testserver", "Prefer": "return=minimal"}

    def sent(boundary: str, o2: str = "5.1") -> httpx.Response:
        fields = {"phase": "as_left", "rate": "50", "o2_dry": o2, "who": "J. Harrow"}
        parts = [
            f'--{boundary}\r\nContent-Disposition: form-data; name="{name}"\r\n\r\n{value}\r\n'
            for name, value in fields.items()
        ]
        return client.post(
            f"/visits/{visit}/readings?units=si",
            content="".join(parts) + f"--{boundary}--\r\n",
            headers=headers | {"Content-Type": f"multipart/form-data; boundary={boundary}"},
            follow_redirects=False,
        )

    first, again = sent("----one"), sent("----another")
    assert (first.status_code, again.status_code) == (204, 204)
    assert first.headers["location"].endswith("#typed")  # a followed redirection would lose it
    assert again.headers["location"] == first.headers["location"]
    assert again.headers["idempotency-replayed"] == "true"
    points = client.get(f"/v1/visits/{visit}").json()["points"]
    assert [p["count"] for p in points if p["phase"] == "as_left"] == [1]
    assert sent("----third", "5.2").status_code == 422
