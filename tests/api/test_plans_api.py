"""Plans by API: in and out as TOML, versions listed; a visit names its judgement's plan."""

from __future__ import annotations

import pytest
from starlette.testclient import TestClient

from ingest.service.office import office_plans
from ingest.service.plan_toml import plan_toml
from ingest.service.plans import parse_plan
from samples.service import PLAN_FOLDER, filled_document, two_yearly_plan
from tests.api.conftest import BOILER
from tests.api.test_service_page import START, put

PLANS = office_plans()
PLAN = two_yearly_plan()


@pytest.mark.parametrize("key", sorted(PLANS))
def test_a_plan_written_and_read_again_is_the_same(key: str) -> None:
    plan = PLANS[key]
    assert parse_plan(plan_toml(plan), "again", included=PLANS) == plan


def test_plans_are_brought_in_listed_by_version_and_handed_out(client: TestClient) -> None:
    text = (PLAN_FOLDER / "call-out.toml").read_text("utf-8")
    sent = client.post("/v1/plans", content=text, headers={"Content-Type": "application/toml"})
    assert sent.status_code == 201, sent.text
    assert sent.json() == {
        "key": "call-out",
        "version": PLANS["call-out"].version,
        "already_there": False,
        "taken_into": [],
    }
    again = client.post("/v1/plans", content=text)
    assert (again.status_code, again.json()["already_there"]) == (200, True)
    given = client.get("/v1/plans/call-out/toml")
    assert given.headers["content-type"].startswith("application/toml")
    changed = given.text.replace(f'version = "{PLANS["call-out"].version}"', 'version = "own.1"')
    changed = changed.replace('title = "', 'title = "Own: ', 1)
    assert client.post("/v1/plans", content=changed).status_code == 201
    listed = client.get("/v1/plans").json()["plans"]
    mine = [(p["version"], p["newest"]) for p in listed if p["key"] == "call-out"]
    assert mine == [("own.1", True), (PLANS["call-out"].version, False)]
    assert client.get("/v1/plans/call-out").json()["title"].startswith("Own: ")
    old = client.get("/v1/plans/call-out", params={"version": PLANS["call-out"].version})
    assert old.json()["title"] == PLANS["call-out"].title
    # The same version with other content is refused: judgements name plans by key and version.
    other = changed.replace("Own: ", "Other: ")
    assert client.post("/v1/plans", content=other).status_code == 409


def test_what_is_wrong_with_a_plan_is_told_with_its_line(client: TestClient) -> None:
    text = (PLAN_FOLDER / "call-out.toml").read_text("utf-8")
    line = next(n for n, t in enumerate(text.splitlines(), 1) if t.startswith("purpose"))
    wrong = text.replace('purpose = "call_out"', 'purpose = "whenever"')
    refused = client.post("/v1/plans", content=wrong)
    assert refused.status_code == 422
    (error,) = refused.json()["errors"]
    assert error["line"] == line
    assert client.post("/v1/plans", content=b"\xff\xfe").status_code == 422
    assert client.get("/v1/plans/no-such").status_code == 404
    assert client.get("/v1/plans").json()["plans"] == []


def test_a_visit_names_the_plan_of_its_judgement(client: TestClient, visit: str) -> None:
    assert client.get(f"/v1/visits/{visit}").json()["plan"] is None
    put(client, visit, filled_document(PLAN, START))
    named = {"key": PLAN.key, "version": PLAN.version}
    assert client.get(f"/v1/visits/{visit}").json()["plan"] == named


def test_a_plan_is_tried_before_it_is_kept(client: TestClient, visit: str) -> None:
    put(client, visit, filled_document(PLAN, START))
    boiler = client.get(f"/v1/visits/{visit}").json()["visit"]["boiler_id"]
    kept_by = {**BOILER, "plans": [PLAN.key]}
    assert client.put(f"/v1/boilers/{boiler}", json=kept_by).status_code == 200
    assert client.post(f"/v1/visits/{visit}/hand-in", json={"who": "T. Hale"}).status_code == 200
    text = plan_toml(PLAN).replace(f'version = "{PLAN.version}"', 'version = "own.1"')
    same = client.post("/v1/plans/preview", content=text).json()
    assert (same["findings"]["finished"], same["findings"]["judged"]) == (1, 1)
    assert [same["findings"][k] for k in ("newly_flagged", "otherwise_changed")] == [[], []]
    more = text + (
        '\n[[task]]\nkey = "room_vents"\ntitle = "Vents of the room"\nwhere = "Room"\n'
        'what = "Look."\nwhy = "Air."\ninterval_months = 12\n'
    )
    tried = client.post("/v1/plans/preview", content=more)
    assert tried.status_code == 200, tried.text
    found = tried.json()
    assert (found["key"], found["version"]) == (PLAN.key, "own.1")
    changed = found["findings"]["newly_flagged"] + found["findings"]["otherwise_changed"]
    assert [v["visit_id"] for v in changed] == [visit]
    assert [f["message"] for f in changed[0]["new"]] == ["Vents of the room: not recorded."]
    shifts = [s for kind in ("newly_due", "moved") for s in found["due"][kind]]
    assert {s["key"] for s in shifts} == {"room_vents"}
    assert all(s["before"] is None and s["after"] for s in shifts)
    assert client.get("/v1/plans").json()["plans"][0]["version"] == PLAN.version
    days = {"since": "2026-02-01", "until": "2026-01-01"}
    assert client.post("/v1/plans/preview", params=days, content=more).status_code == 422
    long_ago = {"until": "2001-01-01"}
    none = client.post("/v1/plans/preview", params=long_ago, content=more).json()
    assert none["findings"]["finished"] == 0
    last = client.post("/v1/plans/preview", params={"until": "9999-12-31"}, content=more)
    assert last.json()["findings"]["finished"] == 1
    refused = client.post("/v1/plans/preview", content=text.replace("purpose", "porpoise", 1))
    assert {e["line"] for e in refused.json()["errors"]} >= {1}


def test_a_plan_that_includes_the_one_sent_is_told_and_changes(client: TestClient) -> None:
    yearly = PLANS["condensing-gas-yearly"]
    text = plan_toml(yearly).replace(f'version = "{yearly.version}"', 'version = "own.1"')
    text = text.replace("interval_months = 12", "interval_months = 6", 1)
    alone = client.post("/v1/plans/preview", content=text).json()
    assert alone["taken_into"] == []
    take_in = {"take_in": "true"}
    tried = client.post("/v1/plans/preview", content=text, params=take_in).json()["taken_into"]
    kept = client.post("/v1/plans", content=text, params=take_in).json()["taken_into"]
    assert tried == kept
    (into,) = kept
    assert (into["key"], into["version"]) == (PLAN.key, f"{PLAN.version}+own.1")
    there = client.get(f"/v1/plans/{PLAN.key}").json()
    assert there["version"] == into["version"]
    key = next(t.key for t in yearly.task if t.interval_months == 12)
    (task,) = [t for t in there["task"] if t["key"] == key]
    assert task["interval_months"] == 6
    # A program that does not ask for it changes the one plan that it sends.
    assert client.post("/v1/plans", content=text.replace("own.1", "own.2")).status_code == 201
    assert client.get(f"/v1/plans/{PLAN.key}").json()["version"] == into["version"]


def test_the_example_of_a_plan_holds(client: TestClient) -> None:
    paths = client.get("/v1/openapi.json").json()["paths"]
    for address, status in (("/v1/plans/preview", 200), ("/v1/plans", 201)):
        body = paths[address]["post"]["requestBody"]["content"]["application/toml"]
        assert client.post(address, content=body["example"]).status_code == status
