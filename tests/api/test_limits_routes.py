"""Limits over the API: read with what is built in, tried on past visits, changed over a version."""

from __future__ import annotations

from typing import Any

import pytest
from starlette.testclient import TestClient

from ingest.identifiers import new_id
from ingest.limits import DEFAULT_LIMITS
from tests.api.conftest import BOILER
from tests.api.test_limits_pages import recent
from tests.api.test_standing import client, one_visit  # noqa: F401 - fixtures

COMPANY = "/v1/company-limits"


def put(client: TestClient, address: str, limits: Any, **given: Any) -> Any:  # noqa: F811
    headers = given.pop("headers", {})
    body = {"limits": limits, "why": "as agreed", "who": "R. Two", **given}
    return client.put(address, json=body, headers=headers)


def test_company_limits_are_changed_over_their_version(client: TestClient) -> None:  # noqa: F811
    first = client.get(COMPANY)
    assert first.headers["etag"] == '"0"'
    assert first.json()["changed"] is None
    assert set(first.json()["built_in"]) == set(DEFAULT_LIMITS)
    assert first.json()["built_in"]["approach_rise_max_condensing"]["unit"] == "K"
    assert first.json()["built_in"]["room_co_stop"]["unit"] == "ppm"
    limits = {"stack_temperature_max": {"value": 400, "unit": "degF"}}
    kept = put(client, COMPANY, limits, headers={"if-match": '"0"'})
    assert kept.status_code == 200, kept.text
    assert kept.headers["etag"] == '"1"'
    # 400 degF: (400 - 32) / 1.8 degC.
    assert kept.json()["limits"]["stack_temperature_max"] == pytest.approx(368 / 1.8)
    assert kept.json()["changed"]["why"] == "as agreed"
    assert kept.json()["changed"]["by"] == "R. Two"
    assert put(client, COMPANY, limits).headers["etag"] == '"1"'  # the same changes nothing
    assert put(client, COMPANY, {}, headers={"if-match": '"0"'}).status_code == 412
    assert put(client, COMPANY, {}, why="").status_code == 422
    assert put(client, COMPANY, {}, who="").status_code == 422
    # What was answered may be sent back as it is.
    answered = client.get(COMPANY).json()["limits"]
    assert put(client, COMPANY, answered).headers["etag"] == '"1"'


def test_what_is_wrong_with_limits_is_pointed_at(client: TestClient) -> None:  # noqa: F811
    bare = put(client, COMPANY, {"stack_temperature_max": 400})
    assert bare.status_code == 422
    assert "has no unit" in bare.text
    unknown = put(client, COMPANY, {"stack_temperature_maximum": "400 degF"})
    assert unknown.status_code == 422
    assert unknown.json()["errors"][0]["pointer"].endswith("/stack_temperature_maximum")
    assert client.get(COMPANY).headers["etag"] == '"0"'


def test_a_preview_counts_and_names_the_visits(client: TestClient) -> None:  # noqa: F811
    own, hot = recent(client)
    bare = str(new_id())
    limits = {k: v for k, v in BOILER["limits"].items() if k != "stack_temperature_max"}
    client.put(f"/v1/boilers/{bare}", json={**BOILER, "limits": limits})
    other = one_visit(client, bare, "2026-11-03")["id"]
    asked = {"limits": {"stack_temperature_max": "400 degF"}}
    found = client.post(f"{COMPANY}/preview", json=asked).json()
    assert (found["finished"], found["judged"]) == (2, 2)
    count = next(c for c in found["counts"] if c["rule"] == "stack_temperature_high")
    assert (count["before"], count["after"]) == (1, 2)
    changed = [
        v for k in ("newly_flagged", "otherwise_changed", "no_longer_flagged") for v in found[k]
    ]
    assert [v["visit_id"] for v in changed] == [other]
    assert {f["rule"] for f in changed[0]["new"]} == {"stack_temperature_high"}
    of_one = {"limits": {**BOILER["limits"], "stack_temperature_max": "600 degF"}}
    found = client.post(f"/v1/boilers/{own}/limits/preview", json=of_one).json()
    assert found["judged"] == 1
    gone = [*found["no_longer_flagged"], *found["otherwise_changed"]]
    assert [v["visit_id"] for v in gone] == [hot]
    long_ago = {**of_one, "since": "2001-01-01", "until": "2001-12-31"}
    assert client.post(f"/v1/boilers/{own}/limits/preview", json=long_ago).json()["finished"] == 0
    backwards = {**of_one, "since": "2026-01-02", "until": "2026-01-01"}
    assert client.post(f"{COMPANY}/preview", json=backwards).status_code == 422
    assert client.post(f"/v1/boilers/{new_id()}/limits/preview", json=of_one).status_code == 404


def test_what_a_preview_says_is_what_a_visit_is_then_judged(client: TestClient) -> None:  # noqa: F811
    """The judgement made after the change holds the finding that the preview told."""
    boiler, _visit = recent(client)
    asked = {**BOILER["limits"], "co_air_free_check": 5}
    address = f"/v1/boilers/{boiler}/limits"
    told = client.post(f"{address}/preview", json={"limits": asked}).json()
    visits = [*told["newly_flagged"], *told["otherwise_changed"]]
    rules = {f["rule"] for v in visits for f in v["new"]}
    version = client.get(address).headers["etag"]
    assert put(client, address, asked, headers={"if-match": version}).status_code == 200
    later = one_visit(client, boiler, "2026-11-03")
    assert rules
    assert rules <= {f["rule"] for f in later["judgement"]["flags"]}


def test_only_the_newest_visits_are_judged_and_it_says_so(
    client: TestClient,  # noqa: F811
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    boiler, _visit = recent(client)
    newest = one_visit(client, boiler, "2026-11-03")["id"]
    one_visit(client, boiler, "2026-05-03")
    monkeypatch.setattr("ingest.intake_limits.MOST_TRIED", 1)
    asked = {"limits": {**BOILER["limits"], "stack_temperature_max": "600 degF"}}
    found = client.post(f"/v1/boilers/{boiler}/limits/preview", json=asked).json()
    assert (found["finished"], found["judged"]) == (3, 1)
    changed = [*found["no_longer_flagged"], *found["otherwise_changed"]]
    assert {v["visit_id"] for v in changed} <= {newest, _visit}
    assert len(changed) == 1
    form = {"stack_temperature_max": "600", "act": "preview"}
    page = client.post(f"/boilers/{boiler}/limits", data=form).text
    assert "Only the newest 1 of 3 were judged." in page


def test_a_boilers_limits_keep_the_boilers_version(client: TestClient) -> None:  # noqa: F811
    boiler, _visit = recent(client)
    address = f"/v1/boilers/{boiler}/limits"
    etag = client.get(f"/v1/boilers/{boiler}").headers["etag"]
    assert client.get(address).headers["etag"] == etag
    kept = put(client, address, {"co_air_free_fix": 150}, headers={"if-match": etag})
    assert kept.status_code == 200, kept.text
    assert client.get(f"/v1/boilers/{boiler}").json()["limits"] == {
        "targets": [],
        "stack_temperature_by_rate": [],
        "required_rates": [],
        "co_air_free_fix": 150.0,
    }
    again = put(client, address, {"co_air_free_fix": 160}, headers={"if-match": etag})
    assert again.status_code == 412
