"""The service part on the pages: what the visit's page lists, and the form that fills it."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from typing import Any

from starlette.testclient import TestClient

from ingest.intake import Intake
from samples.service import filled_document, two_yearly_plan
from tests.api.test_pages import HTML, Seen

START = datetime(2026, 11, 2, 8, tzinfo=UTC)
PLAN = two_yearly_plan()


def put(client: TestClient, visit: str, record: dict[str, Any] | None, **more: Any) -> None:
    kept = client.get(f"/v1/visits/{visit}").json()["visit"]
    answer = client.put(f"/v1/visits/{visit}", json=kept | {"service": record} | more)
    assert answer.status_code == 200, answer.text


def shown(client: TestClient, visit: str) -> str:
    answer = client.get(f"/visits/{visit}", headers=HTML)
    assert answer.status_code == 200
    assert Seen(answer.text).inline == []
    return re.sub(r"\s+", " ", answer.text)


def test_visit_page_lists_the_service_part_and_leads_on(client: TestClient, visit: str) -> None:
    record = filled_document(PLAN, START)
    record["tests"][0] |= {"result": "did_not_trip"}
    record["left"] = {"told": []}
    put(client, visit, record, how_left="off")
    text = shown(client, visit)
    assert f"{PLAN.title}, version {PLAN.version}." in text
    assert "10 tests, 9 tripped" in text
    assert f"{len(PLAN.task)} tasks, {len(PLAN.task)} done" in text
    assert "Verified dead" in text
    assert '<div class="loud"><dt>Low-water cutoff</dt><dd>did not trip' in text
    assert '<div class="loud"><dt>Told</dt><dd>nobody recorded' in text
    addresses = Seen(text).addresses
    for address in (f"/visits/{visit}/report", "/due"):
        assert address in addresses
        assert client.get(address, headers=HTML).status_code == 200
    assert any(a.startswith(f"/v1/visits/{visit}/report.pdf") for a in addresses)
    assert "/due" in Seen(client.get("/", headers=HTML).text).addresses


def test_a_visit_by_api_brings_the_plan_it_names_into_the_book(
    client: TestClient, intake: Intake, visit: str
) -> None:
    assert intake.plans() == {}
    put(client, visit, filled_document(PLAN, START) | {"tasks": []})
    assert intake.plans() == {PLAN.key: PLAN}
    rules = {f["rule"] for f in client.get(f"/v1/visits/{visit}").json()["judgement"]["flags"]}
    assert "task_missing" in rules


def test_another_version_than_the_offices_is_not_brought_in(
    client: TestClient, intake: Intake, visit: str
) -> None:
    put(client, visit, filled_document(PLAN, START) | {"plan_version": "1999.1"})
    assert intake.plans() == {}
