"""POST /v1/judge flags what a stored visit is flagged for: service plan and altitude included."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict
from datetime import datetime, timedelta, timezone
from typing import Any

import pytest
from starlette.testclient import TestClient

from api.app import create_app
from api.demo import fill
from api.settings import Settings
from ingest.dimensions import CANONICAL_UNITS
from ingest.identifiers import new_id
from ingest.intake import Intake, VisitView
from ingest.judge_json import judge_json
from ingest.limits import resolve_limits
from ingest.models import Boiler, LimitsDocument
from ingest.store import Book
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


# What a company may state; each decides somewhere in the demo.
COMPANY = LimitsDocument.model_validate(
    {
        "co_air_free_check": 20,
        "co_air_free_fix": 30,
        "o2_spread_max": 0.2,
        "stack_temperature_max": "150 degC",
        "source": "company",
    }
)


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Intake, TestClient]]:
    """The demo's book, whose company states limits from before its first visit."""
    with Book(tmp_path_factory.mktemp("book") / "book.db", durable=False) as book:
        intake = Intake(book)
        intake.keep_company_limits(COMPANY, "office", "as agreed")
        fill(intake)
        with TestClient(create_app(intake, Settings(alone=True, deliver=False))) as client:
            yield intake, client


def _taken(view: VisitView) -> dict[str, Any]:
    """Return a stored visit as a sender has it: its document, and its readings."""
    readings = [
        {
            "values": dict(kept.reading.values),
            "missing": dict(kept.reading.missing),
            "bounds": {k: asdict(b) for k, b in kept.reading.bounds.items()},
            "phase": kept.reading.phase,
            "firing_rate": kept.reading.firing_rate,
            "time": None if kept.reading.time is None else kept.reading.time.isoformat(),
        }
        for kept in view.readings
    ]
    document = view.visit.model_dump(mode="json", exclude_none=True)
    return {
        "visit": {**document, "units": CANONICAL_UNITS},
        "readings": {"units": CANONICAL_UNITS, "readings": readings},
    }


def test_every_demo_visit_is_judged_as_it_is_stored(filled: tuple[Intake, TestClient]) -> None:
    intake, client = filled
    views = [
        intake.visit(row.id) for b in intake.boilers() if b.id for row in intake.boiler_visits(b.id)
    ]
    with_readings = [view for view in views if view.readings]
    assert len(with_readings) > 40
    by_company = 0
    for view in with_readings:
        answer = client.post("/v1/judge", json=_taken(view))
        assert answer.status_code == 200, answer.text
        stored = judge_json(view.judgement)
        assert answer.json() == stored
        by_company += any((f["source"] or {}).get("level") == "company" for f in stored["flags"])
    assert by_company > 10


def test_what_is_stated_beside_the_visit_stands_over_the_book(
    filled: tuple[Intake, TestClient],
) -> None:
    intake, client = filled
    boiler = next(b for b in intake.boilers() if b.id and intake.boiler_visits(b.id))
    assert boiler.id is not None
    view = intake.visit(intake.boiler_visits(boiler.id)[0].id)
    body = _taken(view)

    def judged(**more: Any) -> Any:
        return client.post("/v1/judge", json={**body, **more}).json()

    whole = judged()
    earlier = [_taken(intake.visit(e.visit.id)) for e in view.history if e.visit.id]
    document = {**boiler.model_dump(mode="json", exclude_none=True), "units": CANONICAL_UNITS}
    site = intake.site(boiler.site_id).document if boiler.site_id else None
    stated = judged(
        boiler=document,
        history=earlier,
        site=site and {**site.model_dump(mode="json", exclude_none=True), "units": CANONICAL_UNITS},
        company_limits=COMPANY.model_dump(mode="json", exclude_unset=True)
        | {"units": CANONICAL_UNITS},
    )
    assert stated == whole
    assert judged(boiler={"id": str(boiler.id)}) == whole
    # Company limits of the asker's own, and a boiler that the book does not know.
    assert judged(company_limits={})["limits"] != whole["limits"]
    unknown = {**body, "visit": {k: v for k, v in body["visit"].items() if k != "boiler_id"}}
    asked = client.post("/v1/judge", json={**unknown, "boiler": {"name": "elsewhere"}}).json()
    company = resolve_limits(Boiler(name="elsewhere"), company=COMPANY)
    assert asked["limits"] == {"id": company.id, "sha256": company.sha256}
    missing = {**body, "visit": {**body["visit"], "boiler_id": str(new_id())}}
    assert client.post("/v1/judge", json=missing).status_code == 404
