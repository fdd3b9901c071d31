"""The plans' page: every mistake by its line, a trial of the past year, then kept."""

from __future__ import annotations

import html
import re
import tomllib
from datetime import datetime
from typing import Any

import pytest
from starlette.testclient import TestClient

from ingest.identifiers import new_id
from ingest.service.office import SHIPPED, office_plans
from ingest.service.plan_problems import TOML, toml_said
from ingest.service.plan_toml import plan_toml
from ingest.service.plans import Plan
from samples.service import filled_document
from tests.api.conftest import BOILER
from tests.api.test_life import client  # noqa: F401 - fixture
from tests.api.test_pages import Seen
from tests.api.test_standing import HOT, one_visit

PLANS = office_plans(SHIPPED)
DEEP, YEARLY = PLANS["condensing-gas-two-yearly"], PLANS["condensing-gas-yearly"]
SPANISH = {"accept-language": "es"}
TASK = """
[[task]]
key = "room_vents"
title = "Vents of the room"
where = "Boiler room"
what = "Look that both are open."
why = "Too little air makes carbon monoxide."
interval_months = 12
"""


def owned(plan: Plan, version: str = "own.1") -> str:
    return plan_toml(plan).replace(f'version = "{plan.version}"', f'version = "{version}"')


def posted(client: TestClient, text: str, act: str, status: int = 200, **more: Any) -> str:  # noqa: F811
    answer = client.post("/plans", data={"text": text, "act": act, **more})
    assert answer.status_code == status, answer.text
    assert form_text(answer.text) == text
    return html.unescape(answer.text)


def form_text(page: str) -> str:
    found = re.search(r"<textarea[^>]*>\n(.*?)</textarea>", page, re.S)
    assert found is not None
    return html.unescape(found.group(1))


def serviced(client: TestClient, **boiler: Any) -> str:  # noqa: F811
    """Put a boiler kept by the two-yearly plan, with a service of today; return the visit."""
    identity = str(new_id())
    kept_by = {**BOILER, "plans": [DEEP.key], "installed": "2024-01-15", **boiler}
    assert client.put(f"/v1/boilers/{identity}", json=kept_by).status_code == 200
    now: datetime = client.app.state.intake.book.clock()  # type: ignore[attr-defined]
    record = filled_document(DEEP, now)
    visit: str = one_visit(client, identity, f"{now:%Y-%m-%d}", HOT, service=record)["id"]
    return visit


def test_a_plan_is_tried_and_what_was_typed_stays(client: TestClient) -> None:  # noqa: F811
    visit = serviced(client)
    trail = client.get("/v1/plans").json()
    same = posted(client, owned(DEEP), "try")
    assert "Nothing would have been flagged otherwise; 1 visit tried." in same
    assert "Nothing would be due otherwise; 1 boiler looked at." in same
    more = posted(client, owned(DEEP) + TASK, "try", who="R. Two", since="2020-01-01")
    assert 'value="R. Two"' in more
    assert 'value="2020-01-01"' in more
    assert re.search(r">Task missing</a>.*?</td><td>0</td><td>1</td><td>\+1</td>", more)
    assert f'href="/visits/{visit}"' in more
    assert "<b>new:</b> Vents of the room: not recorded." in more
    assert "1 thing newly due, 0 no longer due, 0 on another day." in more
    assert "on 15 Jan 2025; not planned until now" in more  # twelve months after installation
    later = owned(DEEP).replace("interval_months = 24", "interval_months = 25")
    assert "<h3>On another day" in posted(client, later, "try")
    assert client.get("/v1/plans").json() == trail


def test_a_trial_says_in_words_that_nothing_could_be_tried(client: TestClient) -> None:  # noqa: F811
    none = posted(client, owned(YEARLY), "try")
    assert "followed this plan; none could be tried." in none
    assert "No boiler is kept by this plan." in none
    backwards = {"since": "2026-02-01", "until": "2026-01-01"}
    assert "after the last" in posted(client, owned(YEARLY), "try", 422, **backwards)
    assert "is not a day" in posted(client, owned(YEARLY), "try", 422, since="spring")


def test_a_plan_that_includes_it_is_told_before_and_after(client: TestClient) -> None:  # noqa: F811
    serviced(client)
    told = f"{DEEP.title} includes it and changes with it, as version {DEEP.version}+own.1."
    text = owned(YEARLY) + TASK
    assert told in posted(client, text, "try")
    assert told in posted(client, text, "keep", who="R. Two")
    assert client.get(f"/v1/plans/{DEEP.key}").json()["version"] == f"{DEEP.version}+own.1"
    # What is kept is what the page opens, and it is right as it stands.
    page = client.get(f"/plans?plan={DEEP.key}").text
    posted(client, form_text(page), "look")


def test_a_plan_that_cannot_take_it_in_stays_and_says_why(client: TestClient) -> None:  # noqa: F811
    serviced(client)
    # The two-yearly's gasket comes after a task that the yearly no longer has.
    text = re.sub(r"burner_head(?=\")", "burner_top", owned(YEARLY))
    for act in ("try", "keep"):
        told = posted(client, text, act, who="R. Two")
        assert "cannot take the change in and stays as it is" in told
        assert "no task 'burner_head' in this plan" in told
    assert client.get(f"/v1/plans/{DEEP.key}").json()["version"] == DEEP.version


def test_a_plan_is_removed_once_it_was_told_what_that_does(client: TestClient) -> None:  # noqa: F811
    serviced(client, name="Boiler 7")  # names the two-yearly plan as its own
    opened = html.unescape(client.get(f"/plans?plan={DEEP.key}").text)
    assert 'value="removing"' not in opened
    assert re.search(r"while 1 boiler names it.*?#plans\">Boiler 7</a>", opened, re.S)
    assert "named by 1 boiler" in opened
    yearly = html.unescape(client.get(f"/plans?plan={YEARLY.key}").text)
    assert f"while another plan includes it: {DEEP.title}." in yearly
    for act in ("removing", "remove"):
        asked = {"act": act, "opened": DEEP.key, "who": "R. Two"}
        told = client.post("/plans", data=asked)
        assert told.status_code == 422
        assert "among the plans of 1 boiler(s), such as Boiler 7" in html.unescape(told.text)
    oil = next(key for key, plan in PLANS.items() if "no2_oil" in plan.fuels)
    asked = {"act": "removing", "opened": oil}
    assert 'value="removing"' in client.get(f"/plans?plan={oil}").text
    told = client.post("/plans", data=asked)
    assert "No boiler is kept by it." in html.unescape(told.text)
    assert oil in client.get("/plans").text
    done = client.post("/plans", data={**asked, "act": "remove", "who": "R. Two"})
    assert "is removed. Brought in again, it is in force again." in html.unescape(done.text)
    assert f"plan={oil}" not in client.get("/plans").text
    (listed,) = [p for p in client.get("/v1/plans").json()["plans"] if p["key"] == oil]
    assert (listed["newest"], bool(listed["removed_at"])) == (False, True)
    assert client.post("/plans", data={**asked, "act": "remove"}).status_code == 422
    assert client.delete(f"/v1/plans/{oil}").status_code == 404
    posted(client, plan_toml(PLANS[oil]), "keep", who="R. Two")
    assert f"plan={oil}" in client.get("/plans").text
    assert client.delete(f"/v1/plans/{oil}").status_code == 204
    assert client.delete(f"/v1/plans/{DEEP.key}").status_code == 409


def test_another_key_is_another_plan_and_boilers_stay(client: TestClient) -> None:  # noqa: F811
    serviced(client)
    text = owned(DEEP).replace(f'key = "{DEEP.key}"', 'key = "deep-own"')
    page = client.get(f"/plans?plan={DEEP.key}").text
    (opened,) = re.findall(r'name="opened" value="([^"]*)"', page)
    told = posted(client, text, "keep", who="R. Two", opened=opened)
    assert "Boilers kept by condensing-gas-two-yearly stay with that one" in told
    keys = {p["key"] for p in client.get("/v1/plans").json()["plans"]}
    assert keys == {DEEP.key, "deep-own"}


def test_a_version_with_other_content_is_told_before_it_is_kept(client: TestClient) -> None:  # noqa: F811
    serviced(client)
    text = plan_toml(DEEP) + TASK
    line = next(n for n, t in enumerate(text.splitlines(), 1) if t.startswith("version"))
    for act in ("look", "try", "keep"):
        told = posted(client, text, act, 422, who="R. Two")
        assert f'data-line="{line}"' in told
        assert f"version {DEEP.version} is in the book with other content" in told


def test_a_plan_is_kept_with_a_name_only(client: TestClient) -> None:  # noqa: F811
    assert "Nothing was kept" in posted(client, owned(YEARLY), "keep", 422)
    kept = posted(client, owned(YEARLY), "keep", who="R. Two")
    assert f"{YEARLY.title}, version own.1, is kept." in kept
    assert "It was kept already" in posted(client, owned(YEARLY), "keep", who="R. Two")


WRONG = {
    'purpose = "yearly"': ('purpose = "sometimes"', "known are 'yearly', 'two_yearly'"),
    'kind = "grade"': ('knid = "grade"', "did you mean kind?"),
    'title = "Burner': ("title = Burner", "a text stands in quotation marks"),
    "needs_isolation = true": ('needs_isolation = "maybe"', "expected is true or false"),
    "interval_months = 12": ("interval_months = 0", "0: expected is at least 1"),
    'device = "high_limit"': ('device = "high_limt"', "no device 'high_limt'; known are"),
    'unit = "mm"': ('unit = "mmm"', "the unit 'mmm' is not known; write one such as mm"),
    'key = "condensing-gas-yearly"': ('key = "Gas 1"', "small letters, digits and -"),
    'fuels = ["natural_gas", "propane"]': ("fuels = []", "expected is at least one entry"),
    'jurisdiction_note = "': ('note = "', "this key is missing"),
    'readings = ["': ('readings = "', "behind the value"),
}
ELSEWHERE = ("jurisdiction_note", "kind", "unit")
"""Told at the table or the entry that holds the key."""


@pytest.mark.parametrize("old", WRONG)
def test_each_mistake_is_told_by_line_with_what_is_expected(client: TestClient, old: str) -> None:  # noqa: F811
    new, said = WRONG[old]
    good = owned(YEARLY)
    assert old in good
    text = good.replace(old, new, 1)
    told = posted(client, text, "try", 422)
    assert said in told
    assert Seen(told).inline == []
    line = good[: good.index(old)].count("\n") + 1
    if not old.startswith(ELSEWHERE):
        assert f'data-line="{line}"' in told
        assert f"<code>{text.splitlines()[line - 1].strip()[:40]}" in told


@pytest.mark.parametrize("old", WRONG)
def test_no_mistake_is_told_in_english_to_who_reads_spanish(client: TestClient, old: str) -> None:  # noqa: F811
    text = owned(YEARLY).replace(old, WRONG[old][0], 1)
    data = {"text": text, "act": "look"}
    english, spanish = (
        re.findall(r"</code>: (.*?)</p>", client.post("/plans", data=data, headers=h).text)
        for h in ({"accept-language": "en"}, SPANISH)
    )
    assert len(english) == len(spanish) > 0
    assert not set(english) & set(spanish)


@pytest.mark.parametrize(
    "text",
    [
        "[a]]", "a = 1 2", "a 1", "= 1", "[a", "[[a]", "[a]\n[a]", "a = 1\na = 2",
        "a = { b = 1, b = 2 }", "a = {}\n[a.b]", "a = [1", "a = { b = 1", 'a = "\\q"',
        'a = "x', 'a = "x\ny"', "a = 2026-99-99", "a = what", "a = \'\'\'x", "\x01",
    ],
)  # fmt: skip
def test_what_the_reader_of_toml_says_has_words_of_ours(text: str) -> None:
    with pytest.raises(tomllib.TOMLDecodeError) as told:
        tomllib.loads(text)
    assert toml_said(str(told.value)) in TOML.values(), str(told.value)


def test_lists_in_lists_without_end_are_refused(client: TestClient) -> None:  # noqa: F811
    assert "too deep to be read" in posted(client, "a = " + "[" * 20_000, "look", 422)
