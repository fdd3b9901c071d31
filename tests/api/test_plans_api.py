"""Plans by API: in and out as TOML, versions listed; a visit names its judgement's plan."""

from __future__ import annotations

import pytest
from starlette.testclient import TestClient

from ingest.service.office import office_plans
from ingest.service.plan_toml import plan_toml
from ingest.service.plans import parse_plan
from samples.service import PLAN_FOLDER, filled_document, two_yearly_plan
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
