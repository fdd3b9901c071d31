"""Every kind of problem explains itself, and a stray list position does no harm."""

from __future__ import annotations

import pytest
from starlette.testclient import TestClient

from api.app import create_app
from api.problems import PROBLEMS
from api.serve import OWN_NAMES
from api.settings import Settings, settings_from_environment
from ingest.intake import Intake


@pytest.mark.parametrize("slug", PROBLEMS)
def test_type_of_a_problem_is_an_address_that_answers(client: TestClient, slug: str) -> None:
    assert client.get(f"/problems/{slug}").status_code == 200


def test_stray_position_shows_the_first_page(client: TestClient) -> None:
    assert client.get("/?after=nonsense&severity=loud").status_code == 200


def test_only_the_own_names_are_answered(intake: Intake) -> None:
    app = create_app(intake, Settings(hosts=OWN_NAMES, alone=True))
    with TestClient(app, base_url="http://localhost:8753") as own:
        assert own.get("/").status_code == 200
    with TestClient(app, base_url="http://elsewhere.example:8753") as other:
        assert other.get("/").status_code == 421


@pytest.mark.parametrize(
    "wrong",
    [{"FLUEBOOK_UNITS": "imperial"}, {"FLUEBOOK_PAGE_SIZE": "0"}, {"FLUEBOOK_MAX_UPLOAD_MB": "x"}],
)
def test_setting_that_cannot_be_is_refused_by_name(wrong: dict[str, str]) -> None:
    with pytest.raises(ValueError, match=next(iter(wrong))):
        settings_from_environment(wrong)
