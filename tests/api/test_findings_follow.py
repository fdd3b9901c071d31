"""A finding follows its boiler from visit to visit, on page, API and report, until it is closed."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from typing import Any

from starlette.testclient import TestClient

from ingest.identifiers import new_id
from tests.api.conftest import BOILER
from tests.api.test_api import upload
from tests.api.test_pages import HTML
from tests.api.test_service_page import PLAN, form, send

FIRST = datetime(2025, 11, 3, 8, tzinfo=UTC)
TEXT = "Condensate drain sags behind the pump."


def opened(client: TestClient, boiler: str, n: int) -> str:
    visit = str(new_id())
    started = (FIRST + timedelta(days=180 * n)).isoformat()
    document = {"boiler_id": boiler, "started": started, "adjusted": False}
    assert client.put(f"/v1/visits/{visit}", json=document).status_code == 200
    return visit


def handed_in(client: TestClient, visit: str, **fields: str) -> None:
    given = form(client, visit, f"?plan={PLAN.key}") | {"who": "T. One", "how_left": "off"}
    sent = send(client, visit, given | fields)
    assert sent.status_code == 303, sent.text
    assert upload(client, visit).status_code == 201
    assert client.post(f"/v1/visits/{visit}/hand-in", json={"who": "T. One"}).status_code == 200


def shown(client: TestClient, address: str) -> str:
    answer = client.get(address, headers=HTML)
    assert answer.status_code == 200
    return re.sub(r"\s+", " ", answer.text)


def open_flags(client: TestClient, visit: str) -> list[dict[str, Any]]:
    flags = client.get(f"/v1/visits/{visit}").json()["judgement"]["flags"]
    return [f for f in flags if f["rule"] == "finding_open"]


def test_a_finding_follows_until_somebody_closes_it_with_words(client: TestClient) -> None:
    boiler = str(new_id())
    made = client.put(f"/v1/boilers/{boiler}", json=BOILER | {"installed": "2020-01-01"})
    assert made.status_code == 200
    one = opened(client, boiler, 0)
    handed_in(client, one, **{"finding.0.text": TEXT, "finding.0.severity": "fix"})
    (finding,) = client.get(f"/v1/visits/{one}").json()["visit"]["service"]["findings"]

    # The second visit says nothing of it: it stays open and is told everywhere.
    two = opened(client, boiler, 1)
    assert f'name="close.{finding["id"]}"' in shown(
        client, f"/visits/{two}/service?plan={PLAN.key}"
    )
    handed_in(client, two)
    assert [f["severity"] for f in open_flags(client, two)] == ["fix"]
    for address in (f"/visits/{two}", f"/visits/{two}/report"):
        assert TEXT in shown(client, address)
    assert "Findings that stay open" in shown(client, f"/visits/{two}/report")
    due = client.get("/v1/due?until=2027-12").json()
    assert [d for d in due["due"] if d["kind"] == "finding"]

    # The third closes it with words, and says so in its own report.
    three = opened(client, boiler, 2)
    handed_in(client, three, **{f"close.{finding['id']}": "Drain re-hung with slope."})
    assert open_flags(client, three) == []
    record = client.get(f"/v1/visits/{three}").json()["visit"]["service"]
    assert record["closed"][0]["closed"]["by"] == "T. One"
    report = shown(client, f"/visits/{three}/report")
    assert "Findings closed at this visit" in report
    assert f"{TEXT}: Drain re-hung with slope. (T. One, " in report
    assert "Findings that stay open" not in report

    # The fourth no longer knows it; the reports of the earlier visits stay as they were.
    four = opened(client, boiler, 3)
    assert finding["id"] not in shown(client, f"/visits/{four}/service?plan={PLAN.key}")
    handed_in(client, four)
    assert open_flags(client, four) == []
    assert TEXT not in shown(client, f"/visits/{four}/report")
    assert "Findings that stay open" in shown(client, f"/visits/{two}/report")
    later = client.get("/v1/due?until=2027-12").json()["due"]
    assert not [d for d in later if d["kind"] == "finding"]


def test_the_api_closes_a_finding_as_the_page_does(client: TestClient) -> None:
    boiler = str(new_id())
    assert client.put(f"/v1/boilers/{boiler}", json=BOILER).status_code == 200
    one, two = opened(client, boiler, 0), opened(client, boiler, 1)
    handed_in(client, one, **{"finding.0.text": TEXT, "finding.0.severity": "stop"})
    (finding,) = client.get(f"/v1/visits/{one}").json()["visit"]["service"]["findings"]
    document = client.get(f"/v1/visits/{two}").json()["visit"]
    service: dict[str, Any] = {"plan": PLAN.key, "plan_version": PLAN.version}
    assert client.put(f"/v1/visits/{two}", json=document | {"service": service}).status_code == 200
    assert [f["severity"] for f in open_flags(client, two)] == ["stop"]
    closed = {"by": "T. Two", "time": "2026-05-02T09:00:00+00:00"}
    service["closed"] = [{"id": finding["id"], "how": "Replaced.", "closed": closed}]
    assert client.put(f"/v1/visits/{two}", json=document | {"service": service}).status_code == 200
    assert open_flags(client, two) == []
    assert f"{TEXT}: Replaced. (T. Two, " in shown(client, f"/visits/{two}/report")
