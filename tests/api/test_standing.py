"""Findings that a reviewer lets stand: covered, counted apart, and ended by themselves."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from markupsafe import escape
from starlette.testclient import TestClient

from api.app import create_app
from api.settings import Settings
from ingest.identifiers import new_id
from ingest.intake import Intake
from ingest.store import Book
from tests.api.conftest import BOILER
from tests.clock import START, HandClock

HOT = (
    b"O2 %,CO ppm,Stack temperature degF,Air temperature degF\r\n3.5,12,470,63\r\n5.6,12,240,63\r\n"
)


@pytest.fixture
def client(tmp_path: Path, clock: HandClock) -> Iterator[TestClient]:
    with Book(tmp_path / "book.db", clock=clock) as book:
        settings = Settings(alone=True, requests_a_minute=0)
        with TestClient(create_app(Intake(book), settings)) as opened:
            yield opened


def one_visit(
    client: TestClient, boiler: str, day: str, data: bytes = HOT, **given: Any
) -> dict[str, Any]:
    """Hand in a visit with a hot stack; return what the API answers about it."""
    identity = str(new_id())
    document = {"boiler_id": boiler, "started": f"{day}T08:00:00+00:00", "adjusted": False, **given}
    assert client.put(f"/v1/visits/{identity}", json=document).status_code == 200
    sent = client.post(
        f"/v1/visits/{identity}/files",
        files={"file": ("readings.csv", data, "text/csv")},
        data={"rates": "100, 25", "phase": "as_left"},
    )
    assert sent.status_code == 201, sent.text
    assert client.post(f"/v1/visits/{identity}/hand-in", json={"who": "T."}).status_code == 200
    found: dict[str, Any] = client.get(f"/v1/visits/{identity}").json()
    return {**found, "id": identity}


@pytest.fixture
def boiler(client: TestClient) -> str:
    identity = str(new_id())
    assert client.put(f"/v1/boilers/{identity}", json=BOILER).status_code == 200
    return identity


def listed(client: TestClient, visit: dict[str, Any]) -> dict[str, Any] | None:
    every = client.get("/v1/flagged-visits?severity=fix&severity=check").json()["visits"]
    return next((v for v in every if v["id"] == visit["id"]), None)


def stands(visit: dict[str, Any]) -> list[dict[str, Any]]:
    return [f for f in visit["judgement"]["flags"] if f["severity"] in ("fix", "check")]


def ask(boiler: str, flag: dict[str, Any], **given: Any) -> dict[str, Any]:
    asked = {
        "boiler_id": boiler,
        "rule": flag["rule"],
        "reason": "economizer is ordered",
        "severity": flag["severity"],
        "until_part_change": True,
        "who": "R. Two",
    }
    return {**asked, **given}


def cover(client: TestClient, boiler: str, visit: dict[str, Any], **given: Any) -> list[str]:
    made = []
    for rule in {f["rule"]: f for f in reversed(stands(visit))}.values():
        answer = client.post("/v1/standing-acceptances", json=ask(boiler, rule, **given))
        assert answer.status_code == 201, answer.text
        made.append(answer.json()["id"])
    return made


def test_covered_visit_is_ordered_with_the_unflagged_and_said_so(
    client: TestClient, boiler: str
) -> None:
    visit = one_visit(client, boiler, "2026-11-02")
    assert stands(visit), "the stack is hot"
    assert listed(client, visit) is not None
    cover(client, boiler, visit)
    assert listed(client, visit) is None
    page = client.get("/").text
    assert f'href="/visits/{visit["id"]}"' in page
    assert "stands accepted" in page
    assert "with nothing to act on" in page
    shown = client.get(f"/visits/{visit['id']}").text
    assert shown.count("stands accepted</b>") == len(stands(visit))
    assert "economizer is ordered" in shown
    # The judgement itself is as it was.
    assert client.get(f"/v1/visits/{visit['id']}").json()["judgement"] == visit["judgement"]


def test_a_value_further_than_accepted_is_flagged_again(client: TestClient, boiler: str) -> None:
    first = one_visit(client, boiler, "2026-11-02")
    hot = next(f for f in stands(first) if f["quantity"] == "stack_temperature")
    up_to = {"quantity": "stack_temperature", "value": 475, "unit": "degF"}
    answer = client.post("/v1/standing-acceptances", json=ask(boiler, hot, up_to=up_to))
    assert answer.status_code == 201
    assert answer.json()["up_to"]["value"] == pytest.approx((475 - 32) / 1.8)
    within = one_visit(client, boiler, "2026-11-03", HOT.replace(b"470", b"472"))
    beyond = one_visit(client, boiler, "2026-11-04", HOT.replace(b"470", b"480"))

    def message(visit: dict[str, Any]) -> str:
        row = client.get(f"/v1/flagged-visits?boiler_id={boiler}&severity=fix&severity=check")
        rows = {v["id"]: v for v in row.json()["visits"]}
        return str(rows.get(visit["id"], {}).get("rule"))

    assert message(beyond) == hot["rule"]
    assert message(within) != hot["rule"]


def test_it_ends_after_its_last_day_and_says_so(
    client: TestClient, boiler: str, clock: HandClock
) -> None:
    visit = one_visit(client, boiler, "2026-11-02")
    made = cover(client, boiler, visit, until="2026-11-10", until_part_change=False)
    clock.now = datetime(2026, 11, 10, 23, 59, tzinfo=UTC)
    assert listed(client, visit) is None
    clock.now = datetime(2026, 11, 11, 0, 1, tzinfo=UTC)
    again = listed(client, visit)
    assert again is not None
    assert again["covered"] == 0
    one = client.get(f"/v1/standing-acceptances/{made[0]}").json()
    assert (one["ended"]["how"], one["ended"]["by"]) == ("date", "fluebook")
    assert client.get(f"/v1/standing-acceptances?boiler_id={boiler}").json() == {
        "standing_acceptances": []
    }


@pytest.mark.parametrize("begun", ["2026-12-02", "2026-11-03"])  # after it was made, or before
def test_it_ends_with_the_next_part_change(
    client: TestClient, boiler: str, clock: HandClock, begun: str
) -> None:
    visit = one_visit(client, boiler, "2026-11-02")
    made = cover(client, boiler, visit)
    clock.now = START + timedelta(days=30)
    service = {"tasks": [{"task": "burner", "outcome": "done", "replaced": [{"part": "gasket"}]}]}
    later = one_visit(client, boiler, begun, service=service)
    one = client.get(f"/v1/standing-acceptances/{made[0]}").json()
    assert one["ended"]["how"] == "part_change"
    assert "gasket" in one["ended"]["why"]
    assert listed(client, visit) is not None
    assert listed(client, later) is not None


def test_a_part_written_into_the_boiler_ends_it_too(client: TestClient, boiler: str) -> None:
    visit = one_visit(client, boiler, "2026-11-02")
    made = cover(client, boiler, visit)
    parts = [{"part": "gasket", "installed": "2026-11-20"}]
    assert client.put(f"/v1/boilers/{boiler}", json={**BOILER, "parts": parts}).status_code == 200
    one = client.get(f"/v1/standing-acceptances/{made[0]}").json()
    assert one["ended"]["how"] == "part_change"
    assert listed(client, visit) is not None


def test_a_stop_is_never_covered(client: TestClient, boiler: str) -> None:
    data = HOT.replace(b"3.5,12", b"3.5,900")
    visit = one_visit(client, boiler, "2026-11-02", data)
    stop = next(f for f in visit["judgement"]["flags"] if f["severity"] == "stop")
    asked = ask(boiler, stop)
    assert client.post("/v1/standing-acceptances", json=asked).status_code == 422
    made = client.post("/v1/standing-acceptances", json={**asked, "severity": "fix"})
    assert made.status_code == 201
    rows = client.get("/v1/flagged-visits?severity=stop").json()["visits"]
    assert [r["id"] for r in rows] == [visit["id"]]
    form = {"flag": stop["id"], "why": "no", "who": "R.", "part_change": "true"}
    refused = client.post(f"/visits/{visit['id']}/stand", data=form)
    assert refused.status_code == 422
    assert "A stop is never accepted to stand" in refused.text


def test_form_on_the_visit_and_its_end(client: TestClient, boiler: str) -> None:
    visit = one_visit(client, boiler, "2026-11-02")
    for flag in stands(visit):
        if flag["rule"] in {s["rule"] for s in _all(client, boiler)}:
            continue
        form = {"flag": flag["id"], "why": "known", "who": "R. Two", "until": "2026-12-31"}
        done = client.post(f"/visits/{visit['id']}/stand", data=form, follow_redirects=False)
        assert done.status_code == 303, done.text
    assert {s["made_by"] for s in _all(client, boiler)} == {"R. Two"}
    for one in _all(client, boiler):
        address = f"/v1/standing-acceptances/{one['id']}"
        assert client.delete(address).status_code == 422  # it needs its reason
        stale = client.delete(f"{address}?why=done", headers={"If-Match": '"7"'})
        assert stale.status_code == 412
        assert client.delete(f"{address}?why=done").json()["ended"]["why"] == "done"
        assert client.delete(f"{address}?why=done").status_code == 409
    assert listed(client, visit) is not None
    trail = client.app.state.intake.book  # type: ignore[attr-defined]
    assert trail.verify() == []


def _all(client: TestClient, boiler: str) -> list[dict[str, Any]]:
    found = client.get(f"/v1/standing-acceptances?boiler_id={boiler}").json()
    made: list[dict[str, Any]] = found["standing_acceptances"]
    return made


@pytest.mark.parametrize(
    ("given", "status"),
    [
        ({"until_part_change": False}, 409),
        ({"until": "2026-11-01"}, 409),
        ({"rule": "no_such_rule"}, 404),
        ({"boiler_id": str(new_id())}, 404),
        ({"reason": " "}, 422),
        ({"up_to": {"quantity": "stack_temperature", "value": 1, "unit": "Pa"}}, 422),
        ({"up_to": {"quantity": "nothing", "value": 1, "unit": "Pa"}}, 422),
        ({"severity": "stop"}, 422),
    ],
)
def test_what_cannot_stand_is_refused(
    client: TestClient, boiler: str, given: dict[str, Any], status: int
) -> None:
    asked = ask(boiler, {"rule": "co_above_limit", "severity": "check"}, **given)
    assert client.post("/v1/standing-acceptances", json=asked).status_code == status


def test_the_same_again_makes_one(client: TestClient, boiler: str) -> None:
    asked = ask(boiler, {"rule": "co_above_limit", "severity": "check"}, id=str(new_id()))
    for _ in range(2):
        assert client.post("/v1/standing-acceptances", json=asked).status_code == 201
    assert len(_all(client, boiler)) == 1
    day = {"until": "2027-11-01"}
    for other in ({"reason": "another"}, day, {**day, "until_part_change": False}):
        answer = client.post("/v1/standing-acceptances", json={**asked, **other})
        assert answer.status_code == 409
    both = {**asked, **day, "id": str(new_id())}
    assert client.post("/v1/standing-acceptances", json=both).status_code == 201
    one = {**both, "until_part_change": False}  # it would not end with a part any more
    assert client.post("/v1/standing-acceptances", json=one).status_code == 409


def test_page_of_a_visit_says_first_what_does_not_stand(client: TestClient, boiler: str) -> None:
    visit = one_visit(client, boiler, "2026-11-02")
    worst, other = stands(visit)[0], stands(visit)[1]
    client.post("/v1/standing-acceptances", json=ask(boiler, worst))
    page = client.get(f"/visits/{visit['id']}").text
    assert f'<p class="first">{escape(other["message"])}' in page
    assert "1 stands accepted." in page
    client.post("/v1/standing-acceptances", json=ask(boiler, other))
    page = client.get(f"/visits/{visit['id']}").text
    assert '<p class="first">All that was found stands accepted.' in page


def test_a_refused_form_comes_back_as_it_was_filled_in(client: TestClient, boiler: str) -> None:
    visit = one_visit(client, boiler, "2026-11-02")
    flag = stands(visit)[0]
    entries = {"flag": flag["id"], "up_to": "475", "why": "economizer is ordered", "who": "R. Two"}
    answer = client.post(f"/visits/{visit['id']}/stand", data=entries)
    assert answer.status_code == 409
    assert "<li>Say until which day" in answer.text
    for said in ('value="475"', 'value="economizer is ordered"', 'value="R. Two"'):
        assert said in answer.text
    assert f'<option value="{flag["id"]}" selected>' in answer.text
