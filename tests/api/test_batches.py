"""Batches of readings: all or none, each on its own, and ahead of their visit."""

from __future__ import annotations

import random
from typing import Any

from starlette.testclient import TestClient

from ingest.batches import wait, waiting_readings
from ingest.identifiers import new_id
from ingest.intake import Intake
from ingest.models import Visit
from ingest.store.reach import Reach, within
from tests.api.bodies import reading_body
from tests.ingest.books import reading


def _items(*rates: float) -> list[dict[str, Any]]:
    return [{**reading_body(rate)["readings"][0], "id": str(new_id())} for rate in rates]


def _points(client: TestClient, visit: str) -> list[float]:
    return [p["firing_rate"] for p in client.get(f"/v1/visits/{visit}").json()["points"]]


def test_each_on_its_own_stores_what_can_be_and_says_what_became_of_all(
    client: TestClient, visit: str
) -> None:
    good, bare, unknown, shapeless, last = _items(100, 75, 50, 40, 25)
    bare["values"] = {"stack_temperature": 180}
    unknown["values"] = {"colour": 1}
    shapeless["firing_rate"] = "high"
    body = {"on_error": "each", "readings": [good, bare, unknown, shapeless, last, good]}
    answer = client.post(f"/v1/visits/{visit}/readings", json=body)
    assert answer.status_code == 201, answer.text
    results = answer.json()["results"]
    assert [r["result"] for r in results] == [
        "stored",
        "refused",
        "refused",
        "refused",
        "stored",
        "already_there",
    ]
    assert [p["pointer"] for r in results for p in r["problem"]] == [
        "/readings/1/values/stack_temperature",
        "/readings/2/values/colour",
        "/readings/3/firing_rate",
    ]
    assert _points(client, visit) == [100, 25]
    again = client.post(f"/v1/visits/{visit}/readings", json=body)
    assert again.status_code == 200
    assert again.json()["ids"] == answer.json()["ids"]
    assert _points(client, visit) == [100, 25]


def test_all_or_none_stores_none_for_one_that_is_wrong(client: TestClient, visit: str) -> None:
    good, bare = _items(100, 75)
    bare["values"] = {"stack_temperature": 180}
    refused = client.post(f"/v1/visits/{visit}/readings", json={"readings": [good, bare]})
    assert refused.status_code == 422
    assert refused.json()["errors"][0]["pointer"] == "/readings/1/values/stack_temperature"
    assert _points(client, visit) == []
    taken = client.post(f"/v1/visits/{visit}/readings", json={"readings": [good]}).json()
    assert [r["result"] for r in taken["results"]] == ["stored"]
    again = client.post(f"/v1/visits/{visit}/readings", json={"readings": [good]}).json()
    assert [r["result"] for r in again["results"]] == ["already_there"]


def test_what_is_wrong_with_the_frame_stops_every_reading(client: TestClient, visit: str) -> None:
    for frame in ({"units": {"warmth": "degF"}}, {"colour": "red"}, {"readings": []}):
        body = {"on_error": "each", "readings": _items(100), **frame}
        assert client.post(f"/v1/visits/{visit}/readings", json=body).status_code == 422
    assert _points(client, visit) == []


def test_an_id_of_another_reading_is_refused_alone(client: TestClient, visit: str) -> None:
    one, two = _items(100, 50)
    client.post(f"/v1/visits/{visit}/readings", json={"readings": [one]})
    other = {**one, "firing_rate": 75}
    body = {"on_error": "each", "readings": [other, two]}
    results = client.post(f"/v1/visits/{visit}/readings", json=body).json()["results"]
    assert [r["result"] for r in results] == ["refused", "stored"]


def test_a_visit_handed_in_takes_none_and_says_so_of_each(client: TestClient, visit: str) -> None:
    (one, two) = _items(100, 50)
    client.post(f"/v1/visits/{visit}/readings", json={"readings": [one]})
    client.post(f"/v1/visits/{visit}/hand-in", json={"who": "T. Hale"})
    body = {"on_error": "each", "readings": [one, two]}
    answer = client.post(f"/v1/visits/{visit}/readings", json=body)
    assert answer.status_code == 200
    assert [r["result"] for r in answer.json()["results"]] == ["already_there", "refused"]


def test_readings_ahead_of_their_visit_join_it_when_it_comes(
    client: TestClient, intake: Intake
) -> None:
    visit, items = str(new_id()), _items(100, 50)
    for _ in range(2):  # a repeat is harmless
        early = client.post(f"/v1/visits/{visit}/readings", json={"readings": items})
        assert early.status_code == 202, early.text
        assert early.json()["ids"] == [one["id"] for one in items]
    listed = client.get("/v1/waiting-readings").json()["readings"]
    assert [one["id"] for one in listed] == [one["id"] for one in items]
    assert client.get(f"/v1/visits/{visit}").status_code == 404
    put = client.put(f"/v1/visits/{visit}", json={"started": "2026-11-02T08:00:00Z"})
    assert put.status_code == 200
    assert _points(client, visit) == [100, 50]
    assert client.get("/v1/waiting-readings").json()["readings"] == []
    again = client.post(f"/v1/visits/{visit}/readings", json={"readings": items}).json()
    assert [r["result"] for r in again["results"]] == ["already_there"] * 2
    assert intake.book.verify() == []


def test_one_that_cannot_join_goes_on_waiting_with_its_reason(client: TestClient) -> None:
    visit = str(new_id())
    good, rateless = _items(100, 50)
    del rateless["firing_rate"]
    client.post(f"/v1/visits/{visit}/readings", json={"readings": [good, rateless]})
    client.put(f"/v1/visits/{visit}", json={"started": "2026-11-02T08:00:00Z"})
    assert _points(client, visit) == [100]
    (left,) = client.get("/v1/waiting-readings").json()["readings"]
    assert left["id"] == rateless["id"]
    assert "firing rate" in left["problem"]


def test_readings_wait_for_the_visit_of_their_own_sender(intake: Intake) -> None:
    identity = new_id()
    wait(intake, identity, [(None, reading())], "a", owner="a")
    wait(intake, identity, [(None, reading(50.0))], "b", owner="b")
    with within(Reach(frozenset(), "a")):
        assert [w.owner for w in waiting_readings(intake, "a")] == ["a"]
    intake.put_visit(Visit(id=identity), "b", owner="b")
    assert [k.reading.firing_rate for k in intake.visit(identity).readings] == [50.0]
    assert [w.owner for w in waiting_readings(intake, "")] == ["a"]


def test_any_order_of_arrival_ends_with_the_same_visit(client: TestClient) -> None:
    seen = set()
    for seed in range(6):
        visit = str(new_id())
        items = [
            {**i, "time": f"2026-11-02T08:0{n}:00Z"} for n, i in enumerate(_items(100, 75, 50))
        ]
        sent: list[dict[str, Any]] = [{"readings": [one]} for one in items]
        sent += [*sent, {"started": "2026-11-02T08:00:00Z"}]
        random.Random(seed).shuffle(sent)
        for body in sent:
            if "readings" in body:
                answer = client.post(f"/v1/visits/{visit}/readings", json=body)
            else:
                answer = client.put(f"/v1/visits/{visit}", json=body)
            assert answer.status_code in (200, 201, 202), answer.text
        seen.add(tuple(_points(client, visit)))
    assert seen == {(100, 75, 50)}
