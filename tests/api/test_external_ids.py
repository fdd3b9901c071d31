"""Documents under an integrator's own ids."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from typing import Any
from uuid import UUID

from starlette.testclient import TestClient

from ingest.external import put_by_external_id
from ingest.identifiers import new_id
from ingest.intake import Intake
from ingest.models import Boiler
from tests.api.bodies import reading_body
from tests.api.conftest import BOILER


def test_putting_twice_makes_one_and_changes_nothing_the_second_time(client: TestClient) -> None:
    for kind, body in (
        ("sites", {"name": "Mill Lane"}),
        ("boilers", BOILER),
        ("visits", {"started": "2026-11-02T08:00:00+00:00", "boiler_external_id": "A-1"}),
    ):
        address = f"/v1/{kind}/by-external-id/A-1"
        first, second = client.put(address, json=body), client.put(address, json=body)
        assert (first.status_code, second.status_code) == (201, 200), first.text
        assert first.json() == second.json() == client.get(address).json()
        assert first.headers["etag"] == second.headers["etag"]
        assert first.headers["location"] == f"/v1/{kind}/{first.json()['id']}"
        assert client.get(f"/v1/{kind}/by-external-id/B-9").status_code == 404


def test_a_visit_finds_its_boiler_when_the_boiler_comes_later(client: TestClient) -> None:
    body = {"started": "2026-11-02T08:00:00+00:00", "boiler_external_id": "A-1"}
    visit = client.put("/v1/visits/by-external-id/V-1", json=body).json()
    assert "boiler_id" not in visit
    client.post(f"/v1/visits/{visit['id']}/readings", json=reading_body())
    boiler = client.put("/v1/boilers/by-external-id/A-1", json=BOILER).json()
    assert client.get(f"/v1/visits/{visit['id']}").json()["boiler"]["id"] == boiler["id"]


def test_another_id_in_the_body_is_refused(client: TestClient) -> None:
    address = "/v1/boilers/by-external-id/A-1"
    refused = client.put(address, json={**BOILER, "external_id": "A-2"})
    assert refused.status_code == 422
    assert refused.json()["errors"][0]["pointer"] == "/external_id"
    assert client.put(address, json=BOILER).status_code == 201
    other = client.put(address, json={**BOILER, "id": str(new_id())})
    assert other.status_code == 409
    stale = client.put(address, json={**BOILER, "turndown": 5}, headers={"If-Match": '"7"'})
    assert stale.status_code == 412


def test_two_integrators_may_use_the_same_id(intake: Intake) -> None:
    one, _ = put_by_external_id(intake, Boiler(name="x"), "7", "a", owner="a")
    two, made = put_by_external_id(intake, Boiler(name="y"), "7", "b", owner="b")
    assert made
    assert one.document.id != two.document.id


def test_ten_senders_at_the_same_moment_make_one(intake: Intake) -> None:
    def send(_: int) -> bool:
        return put_by_external_id(intake, Boiler(name="x"), "7", "a", owner="a")[1]

    with ThreadPoolExecutor(10) as pool:
        assert sum(pool.map(send, range(10))) == 1
    assert len(intake.boilers()) == 1


def with_readings(co: float = 900, **more: Any) -> dict[str, Any]:
    values = {"o2_dry": 3.0, "co_dry": co, "stack_temperature": 206}
    return {
        "started": "2026-11-02T08:00:00+00:00",
        "boiler_external_id": "A-1",
        "phase": "as_left",
        "units": {"stack_temperature": "degC"},
        "readings": [
            {"values": values, "firing_rate": 100},
            {"values": {"o2_dry": 5.6, "co_dry": 12}, "firing_rate": 25},
        ],
        **more,
    }


def test_a_visit_with_its_readings_is_there_once_however_often_it_is_put(
    client: TestClient, intake: Intake
) -> None:
    address = "/v1/visits/by-external-id/V-7"
    client.put("/v1/boilers/by-external-id/A-1", json=BOILER)
    first = client.put(address, json=with_readings())
    assert first.status_code == 201, first.text
    identity = first.json()["visit"]["id"]
    assert first.headers["location"] == f"/v1/visits/{identity}"
    again = [client.put(address, json=with_readings()) for _ in range(3)]
    assert {a.status_code for a in again} == {200}
    assert all(a.json() == first.json() for a in again)
    assert {a.headers["etag"] for a in again} == {first.headers["etag"]}
    assert len(intake.visit(UUID(identity)).readings) == 2
    # What is stored and judged is that of the same body under the visit's own id.
    own = {k: v for k, v in with_readings().items() if k != "readings"}
    other = client.put(f"/v1/visits/{new_id()}", json=with_readings()).json()
    assert other["judgement"]["flags"] == first.json()["judgement"]["flags"]
    assert "stop" in {f["severity"] for f in first.json()["judgement"]["flags"]}
    # The document alone changes: its readings stay.
    changed = client.put(address, json=own | {"note": "Filter changed", "units": {}})
    assert changed.status_code == 200, changed.text
    assert len(intake.visit(UUID(identity)).readings) == 2
    assert intake.book.verify() == []


def test_a_changed_reading_at_its_place_is_refused_with_words(
    client: TestClient, intake: Intake
) -> None:
    address = "/v1/visits/by-external-id/V-7"
    made = client.put(address, json=with_readings()).json()
    refused = client.put(address, json=with_readings(co=15, note="typed wrong"))
    assert refused.status_code == 409
    assert "supersede" in refused.json()["detail"]
    identity = UUID(made["visit"]["id"])
    view = intake.visit(identity)
    assert view.visit.note is None
    body = {"reading": {**with_readings()["readings"][1], "phase": "as_left"}, "why": "typed wrong"}
    corrected = client.post(f"/v1/readings/{made['ids'][0]}/supersede", json=body)
    assert corrected.status_code in (200, 201), corrected.text
    # A late repeat of the first message brings back nothing that was corrected since.
    assert client.put(address, json=with_readings()).status_code == 200
    values = [k.reading.values.get("co_dry") for k in intake.visit(identity).readings]
    assert values == [12, 12]


def test_all_or_nothing_and_ids_of_its_own(client: TestClient, intake: Intake) -> None:
    address = "/v1/visits/by-external-id/V-7"
    spoilt = with_readings()
    spoilt["readings"][1]["values"]["stack_temperature"] = "116"
    spoilt["units"] = {}
    spoilt["readings"][0]["values"]["stack_temperature"] = "206 degC"
    refused = client.put(address, json=spoilt)
    assert refused.status_code == 422
    pointers = [e["pointer"] for e in refused.json()["errors"]]
    assert pointers == ["/readings/1/values/stack_temperature"]
    assert client.get(address).status_code == 404
    own, ids = str(new_id()), [str(new_id()), str(new_id())]
    body = with_readings(id=own)
    for reading, identity in zip(body["readings"], ids, strict=True):
        reading["id"] = identity
    made = client.put(address, json=body)
    assert made.json()["ids"] == ids
    assert made.json()["visit"]["id"] == own
    assert client.put(address, json=with_readings(id=str(new_id()))).status_code == 409
    stale = client.put(address, json=with_readings(note="x"), headers={"If-Match": '"9"'})
    assert stale.status_code == 412
    never = client.put("/v1/visits/by-external-id/V-8", json={}, headers={"If-Match": '"9"'})
    assert never.status_code == 412
    assert client.get("/v1/visits/by-external-id/V-8").status_code == 404


def test_ten_senders_of_one_visit_with_readings_make_one(
    client: TestClient, intake: Intake
) -> None:
    def send(_: int) -> tuple[int, str]:
        answer = client.put("/v1/visits/by-external-id/V-7", json=with_readings())
        return answer.status_code, answer.json()["visit"]["id"]

    with ThreadPoolExecutor(10) as pool:
        answers = list(pool.map(send, range(10)))
    assert sorted(status for status, _ in answers) == [200] * 9 + [201]
    (identity,) = {identity for _, identity in answers}
    assert len(intake.visit(UUID(identity)).readings) == 2
