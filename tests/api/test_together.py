"""Accepting at once what has nothing to act on, with a drawn share opened first."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient

from api.app import create_app
from api.settings import Settings, settings_from_environment
from ingest.identifiers import new_id
from ingest.intake import Intake
from ingest.intake_together import is_drawn
from ingest.store import Book
from tests.api.conftest import BOILER
from tests.api.test_standing import HOT, cover, one_visit

COOL = HOT.replace(b"470", b"420")
ROOM = [{"value": 0, "when": "arrival"}, {"value": 0, "when": "leaving"}]


def opened(tmp_path: Path, percent: int) -> TestClient:
    settings = Settings(alone=True, requests_a_minute=0, open_first_percent=percent)
    return TestClient(create_app(Intake(Book(tmp_path / f"{percent}.db")), settings))


@pytest.fixture(params=[0, 1])
def client(tmp_path: Path, request: pytest.FixtureRequest) -> Iterator[TestClient]:
    with opened(tmp_path, request.param) as one:
        yield one
        one.app.state.intake.book.close()  # type: ignore[attr-defined]


def boiler(client: TestClient) -> str:
    identity = str(new_id())
    document: dict[str, Any] = {**BOILER, "rates": [100, 25]}
    assert client.put(f"/v1/boilers/{identity}", json=document).status_code == 200
    return identity


def offered(client: TestClient) -> set[str]:
    return set(re.findall(r'name="visit" value="([^"]+)"', client.get("/accept-together").text))


@pytest.mark.parametrize("path", ["/accept-together", "/"])
def test_no_mark_of_a_row_stands_without_its_word(client: TestClient, path: str) -> None:
    """WCAG 2.2, 1.1.1 and 1.4.1 (memory): no meaning by a sign or a colour alone."""
    plant = boiler(client)
    one_visit(client, plant, "2026-11-02", COOL, room_co=ROOM)
    one_visit(client, plant, "2026-11-03", HOT, room_co=ROOM)
    for language, none in (("en", "NONE"), ("es", "NINGUNO")):
        text = client.get(f"{path}?language={language}").text
        words = re.findall(r'<span class="mark [a-z]+"><svg.*?</svg>([^<]*)</span>', text, re.S)
        assert len(words) == text.count('class="mark ') > 0
        assert all(word.strip() for word in words)
        assert none in words


def state(client: TestClient, visit: dict[str, Any]) -> str:
    return str(client.get(f"/v1/visits/{visit['id']}").json()["state"])


def test_only_what_has_nothing_to_act_on_and_was_opened_if_drawn(client: TestClient) -> None:
    plant = boiler(client)
    clean = one_visit(client, plant, "2026-11-02", COOL, room_co=ROOM)
    hot = one_visit(client, plant, "2026-11-03", HOT, room_co=ROOM)
    unread = one_visit(client, plant, "2026-11-04", COOL)  # nobody read the room
    drawn = client.app.state.settings.open_first_percent == 1  # type: ignore[attr-defined]
    assert offered(client) == (set() if drawn else {clean["id"]})
    every = {"visit": [clean["id"], hot["id"], unread["id"]], "who": "R. Two"}
    if drawn:
        refused = client.post("/accept-together", data=every)
        assert "0 visits are accepted. 3 are left" in refused.text
        assert state(client, clean) == "handed_in"
        assert client.get(f"/visits/{clean['id']}").status_code == 200
        assert offered(client) == {clean["id"]}
    done = client.post("/accept-together", data=every)
    assert "1 visit is accepted. 2 are left" in done.text
    assert [state(client, v) for v in (clean, hot, unread)] == [
        "accepted",
        "handed_in",
        "handed_in",
    ]
    trail = client.get(f"/v1/visits/{clean['id']}/trail").text
    assert trail.count('"accepted"') == 1
    assert "accepted together with others" in trail
    assert ("drawn and opened first" in trail) is drawn
    again = client.post("/accept-together", data=every)
    assert "0 visits are accepted. 3 are left" in again.text


def test_covered_visits_are_among_them_and_the_trail_says_so(tmp_path: Path) -> None:
    with opened(tmp_path, 0) as client:
        plant = boiler(client)
        hot = one_visit(client, plant, "2026-11-03", HOT, room_co=ROOM)
        assert offered(client) == set()
        cover(client, plant, hot)
        assert offered(client) == {hot["id"]}
        client.post("/accept-together", data={"visit": hot["id"], "who": "R. Two"})
        trail = client.get(f"/v1/visits/{hot['id']}/trail").text
        assert "under a standing acceptance" in trail


def test_nothing_chosen_and_nobody_named_are_refused(tmp_path: Path) -> None:
    with opened(tmp_path, 0) as client:
        for given in ({"who": "R."}, {"visit": "no-id", "who": "R."}, {"visit": str(new_id())}):
            assert client.post("/accept-together", data=given).status_code == 422


def test_share_is_near_what_was_asked_and_changes_with_the_day() -> None:
    visits = [new_id() for _ in range(2000)]
    day, other = date(2026, 11, 25), date(2026, 11, 26)
    drawn = {v for v in visits if is_drawn(v, day, 10)}
    # Binomial, n = 2000, p = 0.1: standard deviation 13.4; five of them either way.
    assert 133 <= len(drawn) <= 267
    assert drawn != {v for v in visits if is_drawn(v, other, 10)}
    assert drawn == {v for v in visits if is_drawn(v, day, 10)}


def test_share_is_a_setting() -> None:
    assert settings_from_environment({"FLUEBOOK_OPEN_FIRST_PERCENT": "25"}).open_first_percent == 25
    with pytest.raises(ValueError, match="0 to 100"):
        settings_from_environment({"FLUEBOOK_OPEN_FIRST_PERCENT": "101"})
