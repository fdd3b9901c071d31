"""The service part on the pages: what the visit's page lists, and the form that fills it."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from html.parser import HTMLParser
from typing import Any

from markupsafe import escape
from starlette.testclient import TestClient

from ingest.intake import Intake
from ingest.models import Visit
from ingest.service.models import ServiceRecord
from ingest.service.safety import DEVICES
from samples.service import TECHNICIAN, filled_document, two_yearly_plan
from tests.api.test_api import upload
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


# The form


class Fields(HTMLParser):
    """What a browser would send for the form of a page, before anyone writes into it."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.sent: dict[str, str] = {}
        self.names: set[str] = set()
        self._select = self._area = ""
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        name, value = given.get("name") or "", given.get("value") or ""
        if tag in ("input", "select", "textarea"):
            self.names.add(name)
        if tag == "input" and given.get("type") in ("checkbox", "radio"):
            if "checked" in given:
                self.sent[name] = value
        elif tag == "input":
            self.sent[name] = value
        elif tag == "select":
            self._select = name
            self.sent[name] = ""
        elif tag == "option" and "selected" in given:
            self.sent[self._select] = value
        elif tag == "textarea":
            self._area = name
            self.sent[name] = ""

    def handle_data(self, data: str) -> None:
        if self._area:
            self.sent[self._area] += data

    def handle_endtag(self, tag: str) -> None:
        if tag == "textarea":
            self._area = ""


def form(client: TestClient, visit: str, query: str = "") -> dict[str, str]:
    answer = client.get(f"/visits/{visit}/service{query}", headers=HTML)
    assert answer.status_code == 200
    seen = Seen(answer.text)
    assert seen.inline == []
    assert len(seen.ids) == len(set(seen.ids))
    return Fields(answer.text).sent


def send(client: TestClient, visit: str, fields: dict[str, str]) -> Any:
    return client.post(
        f"/visits/{visit}/service", data=fields, headers=HTML, follow_redirects=False
    )


def recorded(client: TestClient, visit: str) -> ServiceRecord:
    found = client.get(f"/v1/visits/{visit}").json()["visit"]
    record = Visit.model_validate(found).service
    assert record is not None
    return record


def test_without_a_record_the_page_asks_for_the_plan(client: TestClient, visit: str) -> None:
    text = client.get(f"/visits/{visit}/service", headers=HTML).text
    assert f"?plan={PLAN.key}" in Seen(text).addresses
    assert PLAN.title in text


def test_sending_the_form_as_it_came_changes_nothing_of_a_full_record(
    client: TestClient, visit: str
) -> None:
    put(client, visit, filled_document(PLAN, START), how_left="running")
    before = recorded(client, visit)
    fields = form(client, visit)
    assert send(client, visit, fields | {"who": "Another"}).status_code == 303
    after = recorded(client, visit)
    by_step = {e.step: e for e in before.isolation}
    assert {e.step: e for e in after.isolation} == by_step
    assert after.model_copy(update={"isolation": before.isolation}) == before


def test_a_whole_visit_by_the_form_is_the_one_by_api(client: TestClient, visit: str) -> None:
    put(client, visit, filled_document(PLAN, START), how_left="running")
    by_api, fields = recorded(client, visit), form(client, visit)
    put(client, visit, None)
    # From an empty record: every entry is new and signed by who sends it.
    version = form(client, visit, f"?plan={PLAN.key}")["version"]
    sent = send(client, visit, fields | {"version": version, "who": TECHNICIAN})
    assert sent.status_code == 303, sent.text
    by_form = recorded(client, visit)
    assert by_form.plan_version == PLAN.version
    assert [t.device for t in by_form.tests] == [t.device for t in by_api.tests]
    assert [t.trip for t in by_form.tests] == [t.trip for t in by_api.tests]
    assert [t.mode for t in by_form.tests] == [t.mode for t in by_api.tests]
    done = {t.task: (t.outcome, t.grade, t.measured, t.replaced, t.note) for t in by_api.tasks}
    assert {
        t.task: (t.outcome, t.grade, t.measured, t.replaced, t.note) for t in by_form.tasks
    } == done
    assert by_form.light_offs[0].co_peak == by_api.light_offs[0].co_peak
    assert by_form.left == by_api.left
    assert {s.step for s in by_form.steps} == {s.step for s in by_api.steps}
    assert {e.by for e in by_form.isolation} == {TECHNICIAN}


def test_every_record_that_the_plan_wants_has_a_field(client: TestClient, visit: str) -> None:
    text = client.get(f"/visits/{visit}/service?plan={PLAN.key}", headers=HTML).text
    names = Fields(text).names
    for task in PLAN.task:
        assert f"task.{task.key}.outcome" in names
        for wanted in task.record:
            if wanted.kind == "value":
                assert f"task.{task.key}.value.{wanted.key}" in names
            if wanted.kind == "part":
                assert f"task.{task.key}.part.{wanted.key}" in names
    for test in PLAN.test:
        assert f"test.{test.label}.result" in names
        for method in DEVICES[test.device].methods.values():
            assert escape(method.caution) in text
    places = [text.index(f'id="at-{s}"') for s in PLAN.steps]
    assert places == sorted(places)


def test_a_lost_update_is_refused_in_words_and_entries_stay(client: TestClient, visit: str) -> None:
    fields = form(client, visit, f"?plan={PLAN.key}")
    put(client, visit, None, note="someone else was here")
    fields |= {"who": "T. One", "told": "Plant <night> shift", "how_left": "off"}
    refused = send(client, visit, fields)
    assert refused.status_code == 412
    assert "Somebody changed this visit" in refused.text
    kept = Fields(refused.text).sent
    assert (kept["told"], kept["how_left"]) == ("Plant <night> shift", "off")
    assert client.get(f"/v1/visits/{visit}").json()["visit"].get("service") is None
    assert send(client, visit, kept).status_code == 303
    found = client.get(f"/v1/visits/{visit}").json()["visit"]
    assert (found["note"], found["how_left"]) == ("someone else was here", "off")


def test_what_cannot_be_understood_is_told_at_its_field(client: TestClient, visit: str) -> None:
    fields = form(client, visit, f"?plan={PLAN.key}") | {
        "who": " ",
        "task.igniter.value.gap": "wide",
        "task.burner_head.grade": "good",
        "test.high_limit.trip": "95",
        "test.high_limit.trip.unit": "",
        "light.0.purge": "1e999",
        "light.0.ignition": "smooth",
    }
    refused = send(client, visit, fields)
    assert refused.status_code == 422
    for words in (
        "Your name is missing",
        "&#39;wide&#39; is no number",
        "say whether it was done",
        "the unit of 95 is missing",
        "&#39;1e999&#39; is no number",
    ):
        assert words in refused.text
    assert Fields(refused.text).sent["task.igniter.value.gap"] == "wide"
    assert client.get(f"/v1/visits/{visit}").json()["visit"].get("service") is None


def test_gas_pressures_and_pictures_by_api_survive_the_form(client: TestClient, visit: str) -> None:
    record = filled_document(PLAN, START)
    record["tasks"][0]["photos"] = ["ab" * 32]
    put(client, visit, record)
    assert (
        send(client, visit, form(client, visit) | {"who": "T. One", "told": ""}).status_code == 303
    )
    after = recorded(client, visit)
    assert after.tasks[0].photos == ["ab" * 32]
    assert after.gas is not None and after.gas.nipples_closed
    assert after.left.told == []


def test_a_handed_in_visit_takes_nothing_by_the_form(client: TestClient, visit: str) -> None:
    fields = form(client, visit, f"?plan={PLAN.key}") | {"who": "T. One", "told": "Plant"}
    assert upload(client, visit).status_code == 201
    assert client.post(f"/v1/visits/{visit}/hand-in", json={"who": "T. One"}).status_code == 200
    refused = send(client, visit, fields)
    assert refused.status_code == 409
    assert Fields(refused.text).sent["told"] == "Plant"
    there = client.get(f"/visits/{visit}/service", headers=HTML, follow_redirects=False)
    assert there.status_code == 303
