"""POST /v1/judge flags what a stored visit is flagged for: service plan and altitude included."""

from __future__ import annotations

from datetime import datetime, timedelta, timezone
from typing import Any

import pytest
from starlette.testclient import TestClient

from ingest.identifiers import new_id
from samples.service import filled_document, two_yearly_plan

START = datetime(2026, 11, 20, 7, 30, tzinfo=timezone(timedelta(hours=1)))
PLAN = two_yearly_plan()
SITE = {"name": "High Alp", "altitude": {"value": 2400, "unit": "m"}}
BOILER: dict[str, Any] = {"name": "B-1", "condensing": True}


def _visit() -> dict[str, Any]:
    record = filled_document(PLAN, START)
    record["tasks"] = [t for t in record["tasks"] if t["task"] != "burner_gasket"]
    return {
        "id": str(new_id()),
        "started": START.isoformat(),
        "how_left": "running",
        "condensate_seen": False,
        "service": record,
    }


def _readings(stack: float) -> dict[str, Any]:
    # One reading near the dew point of the flue gas, where the altitude decides.
    values = {
        "o2_dry": 4.5,
        "co_dry": 12,
        "stack_temperature": {"value": stack, "unit": "degC"},
        "return_water_temperature": {"value": 54, "unit": "degC"},
        "combustion_air_temperature": {"value": 20, "unit": "degC"},
    }
    return {"phase": "as_left", "readings": [{"firing_rate": 100, "values": values}]}


def _stored(client: TestClient, visit: dict[str, Any], readings: dict[str, Any]) -> dict[str, Any]:
    site, boiler = str(new_id()), str(new_id())
    assert client.put(f"/v1/sites/{site}", json=SITE).status_code == 200
    put = client.put(f"/v1/boilers/{boiler}", json={**BOILER, "site_id": site})
    assert put.status_code == 200, put.text
    document = {**visit, "boiler_id": boiler}
    put = client.put(f"/v1/visits/{visit['id']}", json=document)
    assert put.status_code == 200, put.text
    answer = client.post(f"/v1/visits/{visit['id']}/readings", json=readings)
    assert answer.status_code == 201, answer.text
    found: dict[str, Any] = answer.json()["judgement"]
    return found


@pytest.mark.parametrize("stack", [48.0, 60.0, 180.0])
def test_flags_are_those_of_the_stored_visit(client: TestClient, stack: float) -> None:
    visit, readings = _visit(), _readings(stack)
    body = {"boiler": BOILER, "visit": visit, "readings": readings, "site": SITE}
    by_name = client.post("/v1/judge", json=body).json()
    sent = client.post("/v1/judge", json={**body, "plan": PLAN.model_dump(mode="json")}).json()
    stored = _stored(client, visit, readings)
    assert by_name["flags"] == stored["flags"]
    assert sent["flags"] == stored["flags"]
    assert by_name["not_judged"] == stored["not_judged"]
    assert "task_missing" in {flag["rule"] for flag in stored["flags"]}


def test_altitude_and_plan_do_decide(client: TestClient) -> None:
    visit = _visit()
    body = {"boiler": BOILER, "visit": visit, "readings": _readings(48.0), "site": SITE}
    whole = client.post("/v1/judge", json=body).json()
    low = client.post("/v1/judge", json={**body, "site": {"name": "Quay"}}).json()
    assert low["flags"] != whole["flags"]
    other = {**PLAN.model_dump(mode="json"), "tasks": []}
    refused = client.post("/v1/judge", json={**body, "plan": {**other, "colour": 1}})
    assert refused.status_code == 422
    bare = client.post("/v1/judge", json={**body, "site": {"name": "x", "altitude": 2400}})
    assert bare.json()["type"] == "/problems/unit-missing"
