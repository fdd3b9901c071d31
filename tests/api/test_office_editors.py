"""Limits and plans changed on pages, the trail's page, and the ways between the office's pages."""

from __future__ import annotations

import re
import sqlite3
from datetime import datetime

from starlette.testclient import TestClient

from api.pages.ways import WAYS
from api.words import words
from ingest.service.plan_toml import plan_toml
from samples.service import PLAN_FOLDER
from tests.api.test_life import boiler, client, visits  # noqa: F401 - fixtures
from tests.api.test_pages import Seen


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
    newest = client.get(f"/v1/visits/{visits[-1]}").json()
    name = client.get(f"/v1/boilers/{newest['visit']['boiler_id']}").json()["name"]
    day = words().day(datetime.fromisoformat(newest["visit"]["started"]))
    assert f'<a href="/visits/{visits[-1]}">{name}, {day}</a>' in text
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
