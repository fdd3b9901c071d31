"""Every kind of problem explains itself, and a stray list position does no harm."""

from __future__ import annotations

import pytest
from starlette.testclient import TestClient

from api.problems import PROBLEMS


@pytest.mark.parametrize("slug", PROBLEMS)
def test_type_of_a_problem_is_an_address_that_answers(client: TestClient, slug: str) -> None:
    assert client.get(f"/problems/{slug}").status_code == 200


def test_stray_position_shows_the_first_page(client: TestClient) -> None:
    assert client.get("/?after=nonsense&severity=loud").status_code == 200
