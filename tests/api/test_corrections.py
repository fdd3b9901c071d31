"""Superseding a reading over HTTP, and the trail."""

from __future__ import annotations

from starlette.testclient import TestClient

from ingest.identifiers import new_id
from tests.api.bodies import reading_body


def _post(client: TestClient, visit: str, **values: object) -> str:
    answer = client.post(f"/v1/visits/{visit}/readings", json=reading_body(**values))  # type: ignore[arg-type]
    assert answer.status_code == 201, answer.text
    return str(answer.json()["ids"][0])


def _o2(client: TestClient, visit: str) -> list[float]:
    points = client.get(f"/v1/visits/{visit}").json()["points"]
    return [p["values"]["o2_dry"]["mean"] for p in points]


def test_a_superseded_reading_no_longer_counts_and_the_trail_says_why(
    client: TestClient, visit: str
) -> None:
    old = _post(client, visit, o2_dry=5.4)
    body = {"why": "digits exchanged", "reading": reading_body(o2_dry=4.5)["readings"][0]}
    answer = client.post(
        f"/v1/readings/{old}/supersede", json=body, headers={"Fluebook-Who": "T. Hale"}
    )
    assert answer.status_code == 200, answer.text
    assert _o2(client, visit) == [4.5]
    assert answer.headers["etag"] == client.get(f"/v1/visits/{visit}").headers["etag"]
    line = client.get(f"/v1/visits/{visit}/trail").json()["lines"][-1]
    assert (line["action"], line["who"]) == ("reading_superseded", "T. Hale")
    assert line["details"]["why"] == "digits exchanged"
    assert (line["details"]["old"], line["details"]["new"]) == (old, answer.json()["new"])


def test_a_reading_can_be_taken_out_without_another_in_its_place(
    client: TestClient, visit: str
) -> None:
    _post(client, visit, o2_dry=4.5)
    wrong = _post(client, visit, o2_dry=9.0)
    answer = client.post(f"/v1/readings/{wrong}/supersede", json={"why": "probe fell out"})
    assert answer.json()["new"] is None
    assert _o2(client, visit) == [4.5]


def test_what_is_superseded_already_or_not_there_or_unexplained_is_refused(
    client: TestClient, visit: str
) -> None:
    old = _post(client, visit)
    address = f"/v1/readings/{old}/supersede"
    assert client.post(address, json={"why": ""}).status_code == 422
    assert client.post(address, json={"why": " "}).status_code == 422
    stale = client.post(address, json={"why": "x"}, headers={"If-Match": '"1"'})
    assert stale.status_code == 412
    bare = {"values": {"stack_temperature": 300}, "firing_rate": 100, "phase": "as_left"}
    refused = client.post(address, json={"why": "x", "reading": bare}).json()
    assert refused["type"] == "/problems/unit-missing"
    assert client.post(address, json={"why": "x"}).status_code == 200
    assert client.post(address, json={"why": "x"}).status_code == 409
    nowhere = f"/v1/readings/{new_id()}/supersede"
    assert client.post(nowhere, json={"why": "x"}).status_code == 404


def test_a_time_outside_the_years_of_boilers_is_refused(client: TestClient, visit: str) -> None:
    old = _post(client, visit)
    for moment in ("0001-01-01T00:00:01+14:00", "9999-12-31T23:59:59-14:00"):
        made = {"why": "x", "made_at": moment}
        for answer in (
            client.post(f"/v1/readings/{old}/supersede", json=made),
            client.post(
                f"/v1/visits/{visit}/hand-in", json={"who": "T. Hale", "signed_at": moment}
            ),
            client.get("/v1/visits", params={"started_from": moment}),
        ):
            assert answer.status_code == 422
            assert any(said in answer.text for said in ("outside the years", "than or equal to"))
