"""A job by API and in the page: one document, entered once, seen in every visit of it."""

from __future__ import annotations

from html.parser import HTMLParser
from typing import Any

import pytest
from starlette.testclient import TestClient

from ingest.identifiers import new_id
from tests.api.conftest import BOILER
from tests.api.test_pages import HTML, Seen

SHARED: dict[str, Any] = {
    "on": "2026-11-02",
    "people": ["A. Mayer"],
    "instrument": {"name": "I-7", "serial": "0042", "leak_check": True},
    "room_co": [{"value": 1.0, "when": "arrival"}],
    "gas": {"inlet_burners_off": "7 inWC", "manifold_high_fire": "870 Pa"},
    "vent": {"spillage": "none"},
    "water": [{"key": "ph", "value": 8.4, "unit": "pH"}],
}


class Fields(HTMLParser):
    """The fields of the form of a job as a browser sends them back."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.values: dict[str, str] = {}
        self._inside, self._area, self._select = False, "", ""
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        if tag == "form":
            self._inside = given.get("class") == "work"
        if not self._inside:
            return
        name = given.get("name") or ""
        if tag == "input":
            self.values[name] = given.get("value") or ""
        elif tag == "textarea":
            self._area, self.values[name] = name, ""
        elif tag == "select":
            self._select, self.values[name] = name, ""
        elif tag == "option" and "selected" in given:
            self.values[self._select] = given.get("value") or ""

    def handle_data(self, data: str) -> None:
        if self._area:
            self.values[self._area] += data

    def handle_endtag(self, tag: str) -> None:
        if tag == "textarea":
            self._area = ""


def made(client: TestClient, **more: Any) -> str:
    identity = str(new_id())
    answer = client.put(f"/v1/jobs/{identity}", json=SHARED | more)
    assert answer.status_code == 200, answer.text
    return identity


def at_a_plant(client: TestClient, count: int = 2) -> tuple[str, list[str]]:
    """Return a site, and an open visit of one day to each of its boilers."""
    site = client.post("/v1/sites", json={"name": "Mill Lane"}).json()["id"]
    visits = []
    for n in range(count):
        boiler = client.post("/v1/boilers", json=BOILER | {"name": f"B-{n}", "site_id": site})
        document = {"boiler_id": boiler.json()["id"], "started": "2026-11-02T08:00:00+00:00"}
        visits.append(client.post("/v1/visits", json=document).json()["id"])
    return site, visits


def test_a_job_is_kept_by_version_and_listed(client: TestClient) -> None:
    job = made(client)
    kept = client.get(f"/v1/jobs/{job}")
    assert kept.headers["ETag"] == '"1"'
    assert kept.json()["gas"]["inlet_burners_off"] > 1700
    same = client.put(f"/v1/jobs/{job}", json=SHARED)
    assert same.headers["ETag"] == '"1"'
    changed = SHARED | {"note": "Key at the porter's"}
    stale = client.put(f"/v1/jobs/{job}", json=changed, headers={"If-Match": '"7"'})
    assert stale.status_code == 412
    fresh = client.put(f"/v1/jobs/{job}", json=changed, headers={"If-Match": '"1"'})
    assert fresh.headers["ETag"] == '"2"'
    assert [j["id"] for j in client.get("/v1/jobs").json()["jobs"]] == [job]
    assert client.get(f"/v1/jobs?site_id={new_id()}").json()["jobs"] == []
    assert client.get(f"/v1/jobs/{new_id()}").status_code == 404
    posted = client.post("/v1/jobs", json={"people": "B. Ortiz"})
    assert posted.status_code == 201
    assert posted.headers["Location"] == f"/v1/jobs/{posted.json()['id']}"


def test_a_wrong_job_says_where(client: TestClient) -> None:
    answer = client.post("/v1/jobs", json={"instrument": {"accuracies": {"o2_wet_dry": {}}}})
    assert answer.status_code == 422
    assert answer.json()["errors"][0]["pointer"] == "/instrument/accuracies/o2_wet_dry"
    bare = client.post("/v1/jobs", json={"gas": {"inlet_burners_off": 7}})
    assert bare.status_code == 422
    assert "inlet_burners_off" in bare.text


def test_what_a_job_says_is_judged_and_reported_in_each_visit_of_it(client: TestClient) -> None:
    site, visits = at_a_plant(client)
    job = made(client, site_id=site)
    for visit in visits:
        document = client.get(f"/v1/visits/{visit}").json()["visit"]
        assert client.put(f"/v1/visits/{visit}", json=document | {"job_id": job}).status_code == 200
    seen = SHARED | {"site_id": site, "vent": {"spillage": "seen"}}
    assert client.put(f"/v1/jobs/{job}", json=seen).status_code == 200
    for visit in visits:
        answer = client.get(f"/v1/visits/{visit}").json()
        assert answer["job"]["id"] == job
        assert "vent_spillage" in {f["rule"] for f in answer["judgement"]["flags"]}
        report = client.get(f"/visits/{visit}/report", headers=HTML).text
        assert "A. Mayer" in report
        assert "0042" in report
    frozen = {"who": "A. Mayer"}
    assert client.post(f"/v1/visits/{visits[0]}/hand-in", json=frozen).status_code == 200
    assert client.put(f"/v1/jobs/{job}", json=SHARED | {"site_id": site}).status_code == 200
    rules = [
        {f["rule"] for f in client.get(f"/v1/visits/{v}").json()["judgement"]["flags"]}
        for v in visits
    ]
    assert ["vent_spillage" in found for found in rules] == [True, False]


def test_a_visit_is_judged_with_its_job_without_being_stored(client: TestClient) -> None:
    readings = {"readings": [{"firing_rate": 100, "values": {"o2_dry": 4.0, "co_dry": 10.0}}]}
    body: dict[str, Any] = {"boiler": BOILER, "visit": {}, "readings": readings}
    job = {"vent": {"spillage": "seen"}}
    rules = []
    for one in (body, body | {"job": job}):
        answer = client.post("/v1/judge", json=one)
        assert answer.status_code == 200, answer.text
        rules.append({f["rule"] for f in answer.json()["flags"]})
    assert rules[1] - rules[0] == {"vent_spillage"}
    assert client.get("/v1/jobs").json()["jobs"] == []


def test_the_form_sent_as_it_came_changes_nothing(client: TestClient) -> None:
    job = made(client)
    before = client.get(f"/v1/jobs/{job}")
    for cookie in ("si", "us"):
        client.cookies.set("fluebook_units", cookie)
        text = client.get(f"/jobs/{job}", headers=HTML).text
        assert Seen(text).inline == []
        fields = Fields(text).values
        assert fields["instrument.leak_check"] == "yes"
        answer = client.post(f"/jobs/{job}", data=fields, follow_redirects=False)
        assert answer.status_code == 303, answer.text
        after = client.get(f"/v1/jobs/{job}")
        assert after.json() == before.json()
    client.cookies.clear()


def test_the_form_changes_what_it_shows_and_keeps_the_rest(client: TestClient) -> None:
    job = made(client)
    client.cookies.set("fluebook_units", "us")
    fields = Fields(client.get(f"/jobs/{job}", headers=HTML).text).values
    assert fields["gas.inlet_burners_off"] == "7"
    fields |= {"gas.inlet_all_appliances": "6,5", "room_co.leaving": "3", "people": "A\n\nB\n"}
    assert client.post(f"/jobs/{job}", data=fields).status_code == 200
    kept = client.get(f"/v1/jobs/{job}").json()
    assert kept["people"] == ["A", "B"]
    # One inch of water at 4 degC is 249.0889 Pa: NIST SP 811, appendix B (quoted).
    assert kept["gas"]["inlet_all_appliances"] == pytest.approx(6.5 * 249.0889)
    assert kept["gas"]["manifold_high_fire"] == 870
    assert [(r["when"], r["value"]) for r in kept["room_co"]] == [("arrival", 1), ("leaving", 3)]

    stale = client.post(f"/jobs/{job}", data=fields | {"note": "late"})
    assert stale.status_code == 412
    assert "late" in stale.text
    version = Fields(stale.text).values["version"]
    wrong = fields | {"version": version, "water.ph": "eight", "on": "yesterday"}
    refused = client.post(f"/jobs/{job}", data=wrong)
    assert refused.status_code == 422
    assert "eight" in refused.text
    assert client.get(f"/v1/jobs/{job}").json() == kept
    client.cookies.clear()
    assert client.get(f"/jobs/{new_id()}", headers=HTML).status_code == 404


def test_visits_are_put_into_a_job_and_out_of_it_on_the_page(client: TestClient) -> None:
    site, (first, second) = at_a_plant(client)
    made_at = client.post(f"/visits/{first}/job", data={"job": "new"}, follow_redirects=False)
    assert made_at.status_code == 303
    where = made_at.headers["Location"]
    job = where.removeprefix("/jobs/")
    assert client.get(f"/v1/jobs/{job}").json() == {
        **client.get(f"/v1/jobs/{job}").json(),
        "site_id": site,
        "on": "2026-11-02",
    }
    page = client.get(where, headers=HTML).text
    assert f"/visits/{first}" in Seen(page).addresses
    assert f'action="/visits/{second}/job"' in page
    assert client.post(f"/visits/{second}/job", data={"job": job}).status_code == 200
    assert where in Seen(client.get(f"/visits/{second}", headers=HTML).text).addresses
    client.post(f"/visits/{first}/job", data={"job": "none"})
    assert "job_id" not in client.get(f"/v1/visits/{first}").json()["visit"]
    for asked in ("nonsense", str(new_id())):
        answer = client.post(f"/visits/{first}/job", data={"job": asked}, headers=HTML)
        assert answer.status_code in (404, 422)
        assert "stays in the job" in answer.text
