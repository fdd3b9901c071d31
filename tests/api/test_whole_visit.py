"""A visit with its readings in one body: one change, judged once, harmless when repeated."""

from __future__ import annotations

from typing import Any

import pytest
from starlette.testclient import TestClient

from ingest import intake_judging
from ingest.identifiers import new_id
from ingest.intake import Intake
from tests.api.conftest import BOILER


def whole(boiler: str | None, **more: Any) -> dict[str, Any]:
    """Return a visit with two readings, stack in degF by quantity, air by the visit's own kind."""
    return {
        "boiler_id": boiler,
        "started": "2026-11-02T08:00:00+00:00",
        "adjusted": False,
        "phase": "as_left",
        "combustion_air_temperature": 68,
        "units": {"temperature": "degF", "stack_temperature": "degC", "altitude": "ft"},
        "altitude": 1000,
        "readings": [
            {
                "values": {"o2_dry": 3.0, "co_dry": 900, "stack_temperature": 206},
                "firing_rate": 100,
            },
            {"values": {"o2_dry": 5.6, "co_dry": 12, "stack_temperature": 116}, "firing_rate": 25},
        ],
        **more,
    }


@pytest.fixture
def boiler(client: TestClient) -> str:
    identity = str(new_id())
    assert client.put(f"/v1/boilers/{identity}", json=BOILER).status_code == 200
    return identity


def test_answer_is_that_of_visit_and_readings_apart(client: TestClient, boiler: str) -> None:
    made = client.post("/v1/visits", json=whole(boiler))
    assert made.status_code == 201, made.text
    identity = made.json()["visit"]["id"]
    assert made.headers["Location"] == f"/v1/visits/{identity}"
    together = client.get(f"/v1/visits/{identity}").json()

    document = whole(boiler)
    readings = document.pop("readings")
    document["units"] = {"temperature": "degF", "altitude": "ft"}
    apart_id = client.post("/v1/visits", json=document).json()["id"]
    body = {"readings": readings, "units": {"stack_temperature": "degC"}}
    added = client.post(f"/v1/visits/{apart_id}/readings", json=body).json()
    apart = client.get(f"/v1/visits/{apart_id}").json()

    assert together["points"] == apart["points"]
    assert together["visit"] | {"id": ""} == apart["visit"] | {"id": ""}
    assert together["visit"]["combustion_air_temperature"] == pytest.approx(20.0)
    assert together["visit"]["altitude"] == pytest.approx(304.8)  # 1 ft = 0.3048 m exactly
    for key in ("flags", "not_judged"):
        assert made.json()["judgement"][key] == added["judgement"][key]
        assert together["judgement"][key] == apart["judgement"][key]
    assert made.json()["judgement"]["worst"] == "stop"  # 900 ppm at 3 % O2


def test_whole_visit_is_judged_once_in_one_change(
    client: TestClient, intake: Intake, boiler: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    judged = []
    real = intake_judging.judge
    monkeypatch.setattr(intake_judging, "judge", lambda *a, **k: judged.append(1) or real(*a, **k))
    made = client.post("/v1/visits", json=whole(boiler))
    assert made.headers["ETag"] == '"1"'
    assert len(judged) == 1
    lines = [one["action"] for one in intake.trail(made.json()["visit"]["id"])]
    assert lines == ["visit_opened", "readings_added"]
    assert intake.book.verify() == []


def test_put_again_changes_nothing(client: TestClient, intake: Intake, boiler: str) -> None:
    address = f"/v1/visits/{new_id()}"
    first = client.put(address, json=whole(boiler))
    assert first.status_code == 200, first.text
    again = client.put(address, json=whole(boiler))
    assert (again.json(), again.headers["ETag"]) == (first.json(), first.headers["ETag"])
    assert len(intake.visit(first.json()["visit"]["id"]).readings) == 2


def test_further_readings_and_another_document_are_one_more_version(
    client: TestClient, intake: Intake, boiler: str
) -> None:
    address = f"/v1/visits/{new_id()}"
    client.put(address, json=whole(boiler))
    body = whole(boiler, note="Filter changed")
    body["readings"].append({"values": {"o2_dry": 4.4, "co_dry": 20}, "firing_rate": 60})
    changed = client.put(address, json=body)
    assert changed.headers["ETag"] == '"2"'
    view = client.get(address).json()
    assert view["visit"]["note"] == "Filter changed"
    assert [p["firing_rate"] for p in view["points"]] == [100.0, 25.0, 60.0]
    assert intake.book.verify() == []


def test_changed_reading_at_its_place_is_a_conflict(client: TestClient, boiler: str) -> None:
    address = f"/v1/visits/{new_id()}"
    client.put(address, json=whole(boiler))
    body = whole(boiler)
    body["readings"][0]["values"]["co_dry"] = 15
    answer = client.put(address, json=body)
    assert answer.status_code == 409
    assert "taken by another reading" in answer.json()["detail"]


@pytest.mark.parametrize(
    ("spoilt", "pointer"),
    [
        (
            {"values": {"stack_temperature": 206, "o2_dry": 3}},
            "/readings/0/values/stack_temperature",
        ),
        ({"values": {}}, "/readings/0/values"),
    ],
)
def test_wrong_reading_leaves_no_visit(
    client: TestClient, boiler: str, spoilt: dict[str, Any], pointer: str
) -> None:
    identity = new_id()
    body = whole(boiler, units={}, readings=[{**spoilt, "firing_rate": 100}])
    del body["combustion_air_temperature"], body["altitude"]
    answer = client.put(f"/v1/visits/{identity}", json=body)
    assert answer.status_code == 422
    assert [e["pointer"] for e in answer.json()["errors"]] == [pointer]
    assert client.get(f"/v1/visits/{identity}").status_code == 404


def test_reading_without_rate_leaves_no_visit(client: TestClient, boiler: str) -> None:
    identity = new_id()
    body = whole(boiler, readings=[{"values": {"o2_dry": 3.0}}, {"values": {"o2_dry": 4.0}}])
    answer = client.put(f"/v1/visits/{identity}", json=body)
    assert answer.status_code == 422
    assert client.get(f"/v1/visits/{identity}").status_code == 404
