"""Report and due list over HTTP and as pages: the same as by command."""

from __future__ import annotations

from datetime import datetime, timedelta, timezone
from typing import Any
from uuid import UUID

import pytest
from starlette.testclient import TestClient

from ingest.identifiers import new_id
from ingest.intake import Intake
from ingest.models import Boiler
from samples.service import filled_document, two_yearly_plan

START = datetime(2026, 11, 20, 7, 30, tzinfo=timezone(timedelta(hours=1)))


@pytest.fixture
def served(client: TestClient, intake: Intake) -> str:
    """A handed-in two-yearly visit, posted as a filled document; its id."""
    boiler = {"id": str(new_id()), "name": "Boiler <2>", "condensing": True, "van": "van 3"}
    identity = str(new_id())
    body: dict[str, Any] = {
        "boiler_id": boiler["id"],
        "started": START.isoformat(),
        "how_left": "running",
        "service": filled_document(two_yearly_plan(), START),
    }
    assert client.put(f"/v1/boilers/{boiler['id']}", json=boiler).status_code == 200
    answer = client.put(f"/v1/visits/{identity}", json=body)
    assert answer.status_code == 200, answer.text
    assert client.post(f"/v1/visits/{identity}/hand-in", json={"who": "ilka"}).status_code == 200
    return identity


def test_reading_the_report_writes_nothing_and_keeping_it_writes_one_line(
    client: TestClient, intake: Intake, served: str
) -> None:
    lines = len(intake.trail(UUID(served)))
    first = client.get(f"/v1/visits/{served}/report.pdf?paper=us-letter&units=si")
    assert first.status_code == 200
    assert first.headers["content-type"] == "application/pdf"
    assert first.content.startswith(b"%PDF")
    assert len(intake.trail(UUID(served))) == lines
    kept = client.post(f"/v1/visits/{served}/report?units=si")
    assert kept.status_code == 200
    assert kept.json() == client.post(f"/v1/visits/{served}/report?units=si").json()
    assert len(intake.trail(UUID(served))) == lines + 1
    again = client.get(f"/v1/visits/{served}/report.pdf?paper=us-letter&units=si")
    assert again.content == first.content


def test_the_page_holds_to_the_strict_policy(client: TestClient, served: str) -> None:
    answer = client.get(f"/visits/{served}/report")
    assert answer.status_code == 200
    assert "<style" not in answer.text
    assert "style=" not in answer.text
    assert 'href="/static/report.css"' in answer.text
    assert "Boiler &lt;2&gt;" in answer.text
    assert client.get("/static/report.css").status_code == 200


def test_the_page_and_the_chain_have_one_content(client: TestClient, served: str) -> None:
    kept = client.post(f"/v1/visits/{served}/report?units=si").json()
    assert kept["content_sha256"] in client.get(f"/visits/{served}/report?units=si").text


def test_what_is_due(client: TestClient, served: str) -> None:
    found = client.get("/v1/due?until=2028-12").json()
    assert found["format"] == "fluebook.due/1"
    assert found["pick"][0]["van"] == "van 3"
    calendar = client.get("/v1/due.ics?until=2028-12")
    assert calendar.text.startswith("BEGIN:VCALENDAR")
    page = client.get("/due?until=2028-12")
    assert page.status_code == 200
    assert "Boiler &lt;2&gt;" in page.text
    assert "Low-water cutoff probe" in page.text
    assert client.get("/due").status_code == 200


def test_a_wrong_month_is_refused_with_its_parameter(client: TestClient) -> None:
    answer = client.get("/v1/due?until=soon")
    assert answer.status_code == 422
    assert answer.json()["errors"][0]["parameter"] == "until"


@pytest.mark.parametrize("path", ["/v1/visits/{}/report.pdf", "/visits/{}/report"])
def test_no_such_visit(client: TestClient, path: str) -> None:
    assert client.get(path.format(new_id())).status_code == 404


def test_a_boiler_without_date_or_visit_is_named(client: TestClient, intake: Intake) -> None:
    intake.put_boiler(Boiler(name="Never seen"), "office")
    assert "Never seen" in client.get("/v1/due?until=2027").json()["not_looked_at"]
    assert "Never seen" in client.get("/due?until=2027").text
