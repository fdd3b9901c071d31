"""Documents under an integrator's own ids."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

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
