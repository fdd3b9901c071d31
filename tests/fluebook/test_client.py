"""The client repeats blindly and nothing is doubled; what the server refuses it says."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest
import respx

from api.app import create_app
from api.settings import Settings
from fluebook import Client, Refused, Unreachable
from fluebook.client import Sample
from ingest.identifiers import new_id
from ingest.intake import Intake
from ingest.store import Book
from tests.serving import serving

OFFICE = "https://office.example"
CSV = b"O2 %,CO ppm,Stack temperature degF,Air temperature degF\r\n3.0,900,402.8,63\r\n"


def client(waits: list[float] | None = None, tries: int = 4) -> Client:
    record = waits.append if waits is not None else (lambda _: None)
    return Client(OFFICE, "tablet 3", tries=tries, wait=record)


@respx.mock
def test_a_lost_answer_is_asked_for_again_with_the_same_id_and_body() -> None:
    route = respx.route(method="PUT", url__startswith=f"{OFFICE}/v1/visits/").mock(
        side_effect=[
            httpx.ReadTimeout("lost"),
            httpx.ConnectError("no signal"),
            httpx.Response(503),
            httpx.Response(200, json={"state": "open"}),
        ]
    )
    waits: list[float] = []
    with client(waits) as opened:
        assert opened.put_visit({"fuel": "natural_gas"}) == {"state": "open"}
    requests = [call.request for call in route.calls]
    assert len({str(r.url) for r in requests}) == 1
    assert len({r.content for r in requests}) == 1
    assert len(waits) == 3
    assert all(0 <= w <= 2.0 for w in waits)


@respx.mock
def test_a_server_that_asks_to_wait_is_waited_for_a_minute_at_most() -> None:
    # Retry-After in seconds, or as a date, which is passed over: RFC 9110, 10.2.3 (memory).
    date = "Fri, 31 Dec 2027 23:59:59 GMT"
    later = [httpx.Response(503, headers={"retry-after": said}) for said in ("7", "86400", date)]
    respx.get(f"{OFFICE}/v1/visits/7").mock(side_effect=[*later, httpx.Response(200, json={})])
    waits: list[float] = []
    sha256 = hashlib.sha256(b"x").hexdigest()
    busy = httpx.Response(429, headers={"retry-after": "9"})
    respx.get(f"{OFFICE}/v1/evidence/{sha256}").mock(
        side_effect=[busy, httpx.Response(200, content=b"x")]
    )
    with client(waits) as opened:
        assert opened.visit("7") == {}
        assert opened.evidence(sha256, 10) == b"x"
    for wait, least in zip(waits, (7.0, 60.0, 0.0, 9.0), strict=True):
        assert least <= wait <= least + 2.0


@respx.mock
def test_bytes_go_on_where_the_line_broke_and_are_looked_at_by_their_hash() -> None:
    data = bytes(range(256)) * 4
    sha256 = hashlib.sha256(data).hexdigest()
    ranges: list[str | None] = []

    def some(request: httpx.Request) -> httpx.Response:
        ranges.append(request.headers.get("range"))
        first = int((ranges[-1] or "bytes=0-")[6:-1])

        def parts() -> Iterator[bytes]:
            yield data[first : first + 300]
            if first + 300 < len(data):
                raise httpx.ReadError("cut off")

        return httpx.Response(206 if first else 200, content=parts())

    route = respx.get(f"{OFFICE}/v1/evidence/{sha256}").mock(side_effect=some)
    with client(tries=2) as opened:
        assert opened.evidence(sha256, 2000) == data
        assert ranges == [None, "bytes=300-", "bytes=600-", "bytes=900-"]
        with pytest.raises(Refused, match="more than 500 bytes"):
            opened.evidence(sha256, 500)
        route.mock(return_value=httpx.Response(200, content=data[:-1]))
        with pytest.raises(Refused, match="other bytes"):
            opened.evidence(sha256, 2000)
        route.mock(side_effect=httpx.ConnectError("no signal"))
        with pytest.raises(Unreachable, match="after 2 tries"):
            opened.evidence(sha256, 2000)


@respx.mock
def test_no_answer_after_all_tries_is_unreachable() -> None:
    route = respx.get(f"{OFFICE}/v1/visits/7").mock(side_effect=httpx.ConnectError("no signal"))
    with client(tries=3) as opened, pytest.raises(Unreachable, match="after 3 tries"):
        opened.visit("7")
    assert route.call_count == 3


@respx.mock
@pytest.mark.parametrize("status", [400, 404, 409, 412, 413, 422, 500])
def test_a_refusal_is_not_repeated_and_carries_its_problem(status: int) -> None:
    problem = {"title": "unit missing", "detail": "stack_temperature", "errors": []}
    route = respx.get(f"{OFFICE}/v1/visits/7").respond(status, json=problem)
    with client() as opened, pytest.raises(Refused) as refused:
        opened.visit("7")
    assert (refused.value.status, refused.value.problem) == (status, problem)
    assert route.call_count == 1


@respx.mock
def test_an_answer_of_something_else_is_refused() -> None:
    respx.get(f"{OFFICE}/v1/visits/7").respond(200, text="<html>sign in to the hotel</html>")
    with client() as opened, pytest.raises(Refused, match="not an answer of fluebook"):
        opened.visit("7")


@respx.mock
def test_all_pages_of_the_list_are_walked() -> None:
    respx.get(f"{OFFICE}/v1/flagged-visits", params={"after": "p1"}).respond(
        json={"visits": [{"id": "b"}], "next": None}
    )
    respx.get(f"{OFFICE}/v1/flagged-visits").respond(json={"visits": [{"id": "a"}], "next": "p1"})
    with client() as opened:
        assert [v["id"] for v in opened.flagged_visits()] == ["a", "b"]


@respx.mock
def test_a_hand_in_whose_answer_was_lost_counts_as_done() -> None:
    respx.post(f"{OFFICE}/v1/visits/7/hand-in").mock(
        side_effect=[httpx.ReadTimeout("lost"), httpx.Response(409, json={"title": "handed in"})]
    )
    respx.get(f"{OFFICE}/v1/visits/7").respond(json={"state": "handed_in"})
    with client() as opened:
        assert opened.hand_in("7")["state"] == "handed_in"


@respx.mock
def test_samples_carry_ids_of_their_own_making() -> None:
    route = respx.post(f"{OFFICE}/v1/visits/7/readings").respond(201, json={"ids": []})
    samples = [Sample({"o2_dry": "5 %"}, firing_rate=100.0), Sample({"o2_dry": "6 %"})]
    with client() as opened:
        opened.add_readings("7", samples, phase="as_left")
    sent = json.loads(route.calls.last.request.content)
    assert [r["id"] for r in sent["readings"]] == [str(s.id) for s in samples]
    assert samples[0].id < samples[1].id


@pytest.fixture
def server(tmp_path: Path) -> Iterator[str]:
    with (
        Book(tmp_path / "book.db") as book,
        serving(create_app(Intake(book), Settings(alone=True))) as address,
    ):
        yield address


def test_a_visit_from_open_to_handed_in_on_a_real_server(server: str) -> None:
    with Client(server, "tablet 3") as opened:
        boiler, visit = new_id(), new_id()
        opened.put_boiler({"name": "Weir 9", "rates": [100]}, boiler)
        document = {"boiler_id": str(boiler), "started": "2026-11-02T08:00:00+00:00"}
        first = opened.put_visit(document, visit)
        assert opened.put_visit(document, visit) == first
        for _ in range(2):
            taken = opened.send_file(visit, CSV, "snapshots.csv", rates=[100], phase="as_left")
        assert taken["judgement"]["worst"] == "stop"
        samples = [
            Sample(
                {"o2_dry": 3.1, "co_dry": 880, "stack_temperature": "400 degF"}, 100.0, "as_left"
            )
        ]
        for _ in range(2):
            opened.add_readings(visit, samples)
        view = opened.visit(visit)
        assert sum(p["count"] for p in view["points"]) == 2
        opened.hand_in(visit)
        assert opened.hand_in(visit)["state"] == "handed_in"
        assert [v["id"] for v in opened.flagged_visits()] == [str(visit)]
        with pytest.raises(Refused) as refused:
            opened.add_readings(visit, [Sample({"o2_dry": 5}, 100.0, "as_left")])
        assert refused.value.status == 409


def test_limits_are_tried_and_changed_on_a_real_server(server: str) -> None:
    with Client(server, "R. Two") as opened:
        boiler = new_id()
        opened.put_boiler({"name": "Weir 9", "rates": [100]}, boiler)
        for of in (None, boiler):
            stated, version = opened.limits(of)
            assert stated["limits"].get("co_air_free_fix") is None
            asked = {"co_air_free_fix": 150}
            assert opened.preview_limits(asked, of)["judged"] == 0
            kept = opened.put_limits(asked, "as agreed", of, version=version)
            assert kept["limits"]["co_air_free_fix"] == 150
            assert kept["changed"]["by"] == "R. Two"
            with pytest.raises(Refused) as refused:
                opened.put_limits({}, "again", of, version=version)
            assert refused.value.status == 412
