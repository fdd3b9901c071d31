"""Limits and plans changed on pages, the trail's page, and the ways between the office's pages."""

from __future__ import annotations

import re
import sqlite3
from typing import Any

import pytest
from starlette.testclient import TestClient

from api.pages.ways import WAYS
from ingest.identifiers import new_id
from ingest.service.plan_toml import plan_toml
from samples.service import PLAN_FOLDER
from tests.api.conftest import BOILER
from tests.api.test_life import boiler, client, visits  # noqa: F401 - fixtures
from tests.api.test_pages import Seen
from tests.api.test_standing import HOT, one_visit


def form_of(text: str) -> dict[str, str]:
    return dict(re.findall(r'<input[^>]* name="([^"]+)" value="([^"]*)"', text))


def limits_of(client: TestClient, boiler: str) -> Any:  # noqa: F811
    return client.get(f"/v1/boilers/{boiler}").json()["limits"]


def recent(client: TestClient) -> tuple[str, str]:  # noqa: F811
    identity = str(new_id())
    assert client.put(f"/v1/boilers/{identity}", json=BOILER).status_code == 200
    clock = client.app.state.intake.book.clock  # type: ignore[attr-defined]
    return identity, one_visit(client, identity, f"{clock():%Y-%m-%d}", HOT)["id"]


def test_limits_are_tried_and_nothing_is_stored(client: TestClient) -> None:  # noqa: F811
    boiler, visit = recent(client)  # noqa: F811
    before = limits_of(client, boiler)
    form = form_of(client.get(f"/boilers/{boiler}/limits").text)
    assert form["stack_temperature_max"] == "455"
    same = client.post(f"/boilers/{boiler}/limits", data={**form, "act": "preview"}).text
    assert "1 visit of the last year was judged both ways" in same
    assert "No finding comes or goes" in same
    higher = {**form, "stack_temperature_max": "500"}
    tried = client.post(f"/boilers/{boiler}/limits", data={**higher, "act": "preview"}).text
    assert f'href="/visits/{visit}"' in tried
    assert "no longer:</b> Stack temperature is" in tried
    lower = {**form, "co_air_free_check": "5"}
    tried = client.post(f"/boilers/{boiler}/limits", data={**lower, "act": "preview"}).text
    assert "new:</b> CO air-free is" in tried
    assert limits_of(client, boiler) == before


def test_limits_are_kept_with_who_and_why(client: TestClient) -> None:  # noqa: F811
    boiler, visit = recent(client)  # noqa: F811
    held = client.get(f"/v1/visits/{visit}").json()["judgement"]
    form = form_of(client.get(f"/boilers/{boiler}/limits").text)
    asked = {**form, "stack_temperature_max": "500", "act": "keep", "who": "R. Two"}
    address = f"/boilers/{boiler}/limits"
    assert client.post(address, data=asked).status_code == 422  # no reason
    wrong = {**asked, "why": "manual", "stack_temperature_max": "hot"}
    refused = client.post(address, data=wrong)
    assert refused.status_code == 422
    assert "hot is not a number" in refused.text
    kept = client.post(address, data={**asked, "why": "manual, page 9"}, follow_redirects=False)
    assert kept.status_code == 303, kept.text
    now = limits_of(client, boiler)
    assert now["stack_temperature_max"] == pytest.approx(260.0)
    assert [t["firing_rate"] for t in now["targets"]] == [25, 100]
    # The same again changes nothing; another one was decided on an older version.
    assert client.post(address, data={**asked, "why": "again"}).status_code == 200
    other = {**asked, "stack_temperature_max": "510", "why": "again"}
    assert client.post(address, data=other).status_code == 422
    assert client.get(f"/v1/visits/{visit}").json()["judgement"] == held
    trail = client.get("/audit").text
    assert "limits changed" in trail
    assert "manual, page 9" in trail


def test_a_plan_is_looked_over_by_line_and_kept(client: TestClient) -> None:  # noqa: F811
    text = min(PLAN_FOLDER.glob("*.toml"), key=lambda p: p.stat().st_size).read_text("utf-8")
    wrong = client.post("/plans", data={"text": text.replace("title", "tittle", 1), "act": "keep"})
    assert wrong.status_code == 422
    assert re.search(r"<b>Line \d+</b>", wrong.text)
    if "includes" not in text:
        looked = client.post("/plans", data={"text": text, "act": "look"})
        assert "it is not kept yet" in looked.text
        kept = client.post("/plans", data={"text": text, "act": "keep", "who": "R. Two"})
        assert "is kept." in kept.text
        again = client.post("/plans", data={"text": text, "act": "keep", "who": "R. Two"})
        assert "kept already" in again.text
        plan = next(iter(client.app.state.intake.plans().values()))  # type: ignore[attr-defined]
        page = client.get(f"/plans?plan={plan.key}").text
        assert plan.title in page
        assert f"key = &#34;{plan.key}&#34;" in page
        assert plan_toml(plan)
        changed = text.replace("title = ", "title = 'x' #", 1)
        other = client.post("/plans", data={"text": changed, "act": "keep", "who": "R."})
        assert other.status_code == 422  # the same version with other content


def test_trail_is_paged_and_tells_a_changed_line(
    client: TestClient,  # noqa: F811
    visits: list[str],  # noqa: F811
) -> None:
    text = client.get("/audit").text
    assert f'href="/visits/{visits[-1]}"' in text
    assert "as it was written." not in text
    assert "is as it was written." in client.get("/audit?verify=yes").text
    numbers = [int(n) for n in re.findall(r'id="line-(\d+)"', text)]
    assert numbers == sorted(numbers, reverse=True)
    older = client.get(f"/audit?before={numbers[2]}").text
    assert f'id="line-{numbers[3]}"' in older
    assert f'id="line-{numbers[2]}"' not in older
    assert "There is no such line" in client.get("/audit?who=nobody").text
    book = client.app.state.intake.book  # type: ignore[attr-defined]
    with sqlite3.connect(book.path) as sql:
        sql.execute("UPDATE audit SET who = 'another' WHERE seq = 2")
    wrong = client.get("/audit?verify=yes").text
    assert "audit line 2" in wrong
    assert "was changed after it was written" in wrong


def test_every_way_of_the_office_opens_and_is_marked(client: TestClient) -> None:  # noqa: F811
    for address, name in WAYS:
        page = client.get(address)
        assert page.status_code == 200, address
        assert f'<a href="{address}" aria-current="page">{name}</a>' in page.text
        seen = Seen(page.text)
        assert seen.inline == [], address
        assert len(seen.ids) == len(set(seen.ids)), address
