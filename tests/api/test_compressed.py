"""Pages go compressed to whoever takes it; a page with a secret does not."""

from __future__ import annotations

import pytest
from starlette.testclient import TestClient

PLAIN = {"Accept-Encoding": "identity"}


@pytest.mark.parametrize("path", ["/", "/boilers", "/help", "/static/fluebook.css"])
def test_page_is_smaller_compressed_and_the_same(client: TestClient, path: str) -> None:
    small = client.get(path, headers={"Accept-Encoding": "gzip"})
    plain = client.get(path, headers=PLAIN)
    assert small.status_code == 200
    assert small.headers["content-encoding"] == "gzip"
    assert "content-encoding" not in plain.headers
    assert "accept-encoding" in small.headers["vary"].lower()
    assert small.text == plain.text
    assert int(small.headers["content-length"]) < len(plain.content) / 2


@pytest.mark.parametrize("path", ["/sign-in", "/first/a-token", "/v1/openapi.json"])
def test_secrets_and_the_api_stay_as_they_are(client: TestClient, path: str) -> None:
    answer = client.get(path, headers={"Accept-Encoding": "gzip"})
    assert "content-encoding" not in answer.headers
