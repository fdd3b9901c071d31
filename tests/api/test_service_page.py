"""The service part on the pages: what the visit's page lists, and the form that fills it."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from html import unescape
from html.parser import HTMLParser
from typing import Any

import pytest
from starlette.testclient import TestClient

from ingest.intake import Intake
from ingest.models import Visit
from ingest.service.models import ServiceRecord
from ingest.service.safety import DEVICES
from samples.service import TECHNICIAN, filled_document, two_yearly_plan
from tests.api.report_case import png
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
            assert method.caution in unescape(text)
    places = [text.index(f'id="at-{s}"') for s in PLAN.steps]
    assert places == sorted(places)


def test_two_people_who_touch_different_fields_are_both_stored(
    client: TestClient, visit: str
) -> None:
    fields = form(client, visit, f"?plan={PLAN.key}")
    put(client, visit, None, note="someone else was here")
    fields |= {"who": "T. One", "told": "Plant <night> shift", "how_left": "off"}
    sent = send(client, visit, fields)
    assert (sent.status_code, sent.headers["location"][-7:]) == (303, "saved=2")
    found = client.get(f"/v1/visits/{visit}").json()["visit"]
    assert (found["note"], found["how_left"]) == ("someone else was here", "off")
    assert found["service"]["left"]["told"] == ["Plant <night> shift"]


def test_nothing_is_overwritten_unasked_where_both_changed_one_field(
    client: TestClient, visit: str
) -> None:
    put(client, visit, filled_document(PLAN, START), how_left="running")
    mine, theirs = form(client, visit), form(client, visit)
    gap = "task.igniter.value.gap"
    theirs |= {"who": "T. Two", gap: "4.1", "how_left": "off", "room.leaving": "2"}
    mine |= {"who": "T. One", gap: "3.9", "how_left": "isolated", "running_hours": "15000"}
    assert send(client, visit, theirs).status_code == 303

    def stored() -> tuple[float, str, float | None]:
        found = client.get(f"/v1/visits/{visit}").json()["visit"]
        task = next(t for t in found["service"]["tasks"] if t["task"] == "igniter")
        value = next(m["value"] for m in task["measured"] if m["key"] == "gap")
        return value, found["how_left"], found["service"]["counters"]["running_hours"]

    refused = send(client, visit, mine)
    assert refused.status_code == 412
    assert "Somebody changed this visit" in refused.text
    for words in ("<q>4.1</q>", "<q>3.9</q>", "<q>off</q>", "<q>isolated</q>"):
        assert words in refused.text
    again = Fields(refused.text).sent
    assert again[gap] == "3.9"
    assert (again["room.leaving"], again["running_hours"]) == ("2", "15000")
    # Saved a second time without a word on the two fields: refused again, nothing overwritten.
    undecided = send(client, visit, again)
    assert undecided.status_code == 422
    assert stored() == (4.1, "off", 14210)
    again = Fields(undecided.text).sent
    half = send(client, visit, again | {f"pick.{gap}": "mine"})
    assert half.status_code == 422
    again = Fields(half.text).sent | {f"pick.{gap}": "mine", "pick.how_left": "theirs"}
    assert send(client, visit, again).status_code == 303
    assert stored() == (3.9, "off", 15000)


def test_a_change_during_the_decision_is_told_again(client: TestClient, visit: str) -> None:
    put(client, visit, filled_document(PLAN, START), how_left="running")
    mine = form(client, visit) | {"who": "T. One", "how_left": "isolated"}
    second = form(client, visit) | {"who": "T. Two", "how_left": "off"}
    assert send(client, visit, second).status_code == 303
    again = Fields(send(client, visit, mine).text).sent | {"pick.how_left": "mine"}
    third = form(client, visit) | {"who": "T. Three", "how_left": "running"}
    assert send(client, visit, third).status_code == 303
    refused = send(client, visit, again)
    assert refused.status_code == 412
    assert "<q>running</q>" in refused.text and "<q>isolated</q>" in refused.text
    assert client.get(f"/v1/visits/{visit}").json()["visit"]["how_left"] == "running"


def test_gas_vent_oil_and_room_are_entered_with_their_units_and_signs(
    client: TestClient, visit: str
) -> None:
    fields = form(client, visit, f"?plan={PLAN.key}")
    assert fields["gas.unit"] == "inWC"
    fields |= {
        "who": "T. One",
        "gas.inlet_burners_off": "7.4",
        "gas.inlet_high_fire_alone": "6.9",
        "gas.inlet_all_appliances": "6.4",
        "gas.offset_low_fire": "\u22120.02",
        "gas.nipples_closed": "yes",
        "gas.nipples_leak_checked": "no",
        "vent.outlet_draft": "-0.04",
        "vent.spillage": "seen",
        "room.arrival": "0",
        "room.high_fire": "3",
        "room.leaving": "1",
        "instrument.serial": "A-17",
        "instrument.calibrated": "2026-05-02",
        "instrument.leak_check": "yes",
        "adjusted": "yes",
        "ended": "2026-11-02T11:30",
    }
    assert send(client, visit, fields).status_code == 303
    document = client.get(f"/v1/visits/{visit}").json()["visit"]
    gas, vent = document["service"]["gas"], document["service"]["vent"]
    # 1 inch of water is 249.08891 Pa: NIST SP 811, appendix B.8 (conventional). Status: memory.
    assert gas["inlet_burners_off"] == pytest.approx(7.4 * 249.08891)
    assert gas["offset_low_fire"] == pytest.approx(-0.02 * 249.08891)
    assert (gas["nipples_closed"], gas["nipples_leak_checked"]) == (True, False)
    assert vent["outlet_draft"] == pytest.approx(-0.04 * 249.08891)
    assert vent["spillage"] == "seen"
    assert {r["when"]: r["value"] for r in document["room_co"]} == {
        "arrival": 0,
        "high_fire": 3,
        "leaving": 1,
    }
    assert document["instrument"]["calibrated"] == "2026-05-02"
    assert (document["instrument"]["leak_check"], document["adjusted"]) == (True, True)
    flags = {f["rule"] for f in client.get(f"/v1/visits/{visit}").json()["judgement"]["flags"]}
    assert {"vent_spillage", "gas_nipples_not_tight"} <= flags
    # Sent again as it came, nothing of it moves, to the last digit.
    assert send(client, visit, form(client, visit) | {"who": "T. Two"}).status_code == 303
    assert client.get(f"/v1/visits/{visit}").json()["visit"] == document


def test_an_oil_plan_asks_for_smoke_before_the_probe(client: TestClient, visit: str) -> None:
    fields = form(client, visit, "?plan=oil-yearly")
    assert "gas.inlet_burners_off" not in fields
    fields |= {
        "who": "T. One",
        "oil.smoke_number": "1",
        "oil.smoke_before_probe": "no",
        "oil.pump_pressure": "145",
        "oil.nozzle_pressure": "140",
    }
    assert send(client, visit, fields).status_code == 303
    answer = client.get(f"/v1/visits/{visit}").json()
    oil = answer["visit"]["service"]["oil"]
    assert (oil["smoke_number"], oil["smoke_before_probe"]) == (1, False)
    # 1 psi is 6894.757 Pa: NIST SP 811, appendix B.8. Status: memory.
    assert oil["pump_pressure"] == pytest.approx(145 * 6894.757, rel=1e-6)
    assert "smoke_after_probe" in {f["rule"] for f in answer["judgement"]["flags"]}


def test_a_picture_of_a_task_is_taken_with_the_form(client: TestClient, visit: str) -> None:
    fields = form(client, visit, f"?plan={PLAN.key}") | {
        "who": "T. One",
        "task.burner_head.outcome": "done",
        "task.burner_head.grade": "good",
    }
    picture = {"task.burner_head.picture": ("head.png", png(20, 10), "image/png")}
    at = f"/visits/{visit}/service"
    sent = client.post(at, data=fields, files=picture, headers=HTML, follow_redirects=False)
    assert (sent.status_code, sent.headers["location"][-7:]) == (303, "saved=1")
    (sha256,) = next(t for t in recorded(client, visit).tasks if t.task == "burner_head").photos
    assert client.get(f"/visits/{visit}/photos/{sha256}").content == png(20, 10)
    # What is no picture is told at its field, and the rest stays as typed.
    wrong = {"task.burner_head.picture": ("head.txt", b"text", "text/plain")}
    fields = form(client, visit) | {"told": "Plant", "who": "T. One"}
    refused = client.post(at, data=fields, files=wrong, headers=HTML)
    assert refused.status_code == 422
    assert "head.txt: " in refused.text
    assert Fields(refused.text).sent["told"] == "Plant"


def test_the_form_never_follows_another_version_of_the_plan(client: TestClient, visit: str) -> None:
    put(client, visit, {"plan": PLAN.key, "plan_version": "1999.1"})
    text = client.get(f"/visits/{visit}/service", headers=HTML).text
    assert "version 1999.1, is neither in this book" in text
    assert 'name="how_left"' not in text
    fields = form(client, visit, f"?plan={PLAN.key}") | {"who": "T. One"}
    assert send(client, visit, fields).status_code == 303
    assert recorded(client, visit).plan_version == PLAN.version


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
