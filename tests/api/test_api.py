"""The HTTP API from a boiler to an accepted visit, and every refusal as problem details."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient

from api.problems import MEDIA_TYPE
from combustion.quantities import MEASURED, QUANTITIES
from ingest.identifiers import new_id
from ingest.intake import Intake
from tests.api.conftest import BOILER, CSV

RELEASED = Path(__file__).resolve().parents[2] / "docs" / "contracts" / "openapi-v1.json"


def problem(answer: Any, status: int) -> dict[str, Any]:
    assert answer.status_code == status, answer.text
    assert answer.headers["content-type"] == MEDIA_TYPE
    found: dict[str, Any] = answer.json()
    assert found["status"] == status
    assert {"type", "title", "detail", "errors"} <= set(found)
    return found


def upload(client: TestClient, visit: str, data: bytes = CSV, **fields: str) -> Any:
    given = {"rates": "100, 25", "phase": "as-left", **fields}
    files = {"file": ("readings.csv", data, "text/csv")}
    return client.post(f"/v1/visits/{visit}/files", files=files, data=given)


def test_from_file_to_accepted_visit(client: TestClient, visit: str) -> None:
    taken = upload(client, visit)
    assert taken.status_code == 201, taken.text
    body = taken.json()
    assert body["readings"] == 2
    assert [p["firing_rate"] for p in body["points"]] == [100.0, 25.0]
    assert body["judgement"]["worst"] == "stop"
    listed = client.get("/v1/flagged-visits").json()
    assert listed["visits"] == []  # not handed in yet
    handed = client.post(f"/v1/visits/{visit}/hand-in", json={"who": "T. One"})
    assert handed.status_code == 200
    listed = client.get("/v1/flagged-visits").json()
    assert [v["id"] for v in listed["visits"]] == [visit]
    assert listed["visits"][0]["worst"] == "stop"
    problem(client.post(f"/v1/visits/{visit}/accept", json={"who": "R. Two"}), 422)
    done = client.post(
        f"/v1/visits/{visit}/accept", json={"who": "R. Two", "why": "burner is locked out"}
    )
    assert done.json() == {"state": "accepted"}
    assert client.get(f"/v1/visits/{visit}").json()["state"] == "accepted"
    assert client.get("/v1/flagged-visits").json()["visits"] == []


def test_units_are_canonical_on_the_way_out(client: TestClient, visit: str) -> None:
    upload(client, visit)
    point = client.get(f"/v1/visits/{visit}").json()["points"][0]
    # 402.8 degF is 206 degC, by the definition of the scales.
    assert point["values"]["stack_temperature"]["mean"] == pytest.approx(206.0, abs=1e-9)


def test_raw_body_and_multipart_are_judged_alike(client: TestClient, visit: str) -> None:
    form = upload(client, visit).json()
    again = client.post(
        f"/v1/visits/{visit}/files",
        params={"rates": "100,25", "phase": "as_left", "name": "readings.csv"},
        content=CSV,
        headers={"content-type": "text/csv"},
    )
    assert again.status_code == 200  # the same bytes with the same statement: already there
    assert again.json()["already_there"] is True
    assert again.json()["judgement"] == form["judgement"]


def test_posted_readings_give_the_flags_of_the_same_file(client: TestClient, visit: str) -> None:
    flags = upload(client, visit).json()["judgement"]["flags"]
    other = str(new_id())
    document = client.get(f"/v1/visits/{visit}").json()["visit"]
    document = {k: v for k, v in document.items() if k not in ("id", "units")}
    assert client.put(f"/v1/visits/{other}", json=document).status_code == 200
    posted = client.post(
        f"/v1/visits/{other}/readings",
        json={
            "units": {"temperature": "degF"},
            "phase": "as_left",
            "readings": [
                {"firing_rate": rate, "values": dict(zip(KEYS, values, strict=True))}
                for rate, values in ((100, (3.0, 900, 402.8, 63)), (25, (5.6, 12, 240, 63)))
            ],
        },
    )
    assert posted.status_code == 201, posted.text
    assert posted.json()["judgement"]["flags"] == flags


KEYS = ("o2_dry", "co_dry", "stack_temperature", "combustion_air_temperature")


def test_judge_stores_nothing_and_answers_the_contract(client: TestClient, intake: Intake) -> None:
    answer = client.post(
        "/v1/judge",
        json={
            "boiler": BOILER,
            "visit": {"adjusted": False},
            "readings": {
                "phase": "as_left",
                "readings": [{"firing_rate": 100, "values": {"o2_dry": 3.0, "co_dry": 900}}],
            },
            "history": [],
        },
    )
    assert answer.status_code == 200, answer.text
    assert answer.json()["format"] == "fluebook.judge/1"
    assert answer.json()["worst"] == "stop"
    assert intake.boilers() == []
    assert intake.counts() == {}


@pytest.mark.parametrize(
    ("data", "line", "column"),
    [
        (b"%PDF-1.7\n1 0 obj\n", 1, 1),
        (b"", 1, 1),
        (b"apples,pears\n1,2\n", 1, 1),
        (b"O2 %,CO ppm,Stack temperature,Air temperature degF\n3,9,402,63\n5,9,240,63\n", 1, 3),
    ],
    ids=["pdf", "empty", "no known quantity", "temperature without unit"],
)
def test_wrong_file_is_named_by_line_and_column_and_leaves_nothing(
    client: TestClient, intake: Intake, visit: str, data: bytes, line: int, column: int
) -> None:
    before = counted(intake)
    found = problem(upload(client, visit, data), 422)
    assert (found["errors"][0]["line"], found["errors"][0]["column"]) == (line, column)
    assert found["errors"][0]["expected"]
    assert found["errors"][0]["next_step"]
    assert counted(intake) == before


def counted(intake: Intake) -> dict[str, int]:
    """Return the rows of every table: what a refusal must not change."""
    sql = intake.book.reader
    names = [r[0] for r in sql.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
    return {n: sql.execute(f"SELECT COUNT(*) FROM {n}").fetchone()[0] for n in names}


def test_rates_that_do_not_match_are_refused_and_leave_nothing(
    client: TestClient, intake: Intake, visit: str
) -> None:
    before = counted(intake)
    problem(upload(client, visit, rates="100,75,50"), 422)
    problem(upload(client, visit, rates="high,low"), 422)
    problem(upload(client, visit, rates="250,25"), 422)
    problem(upload(client, visit, phase="before lunch"), 422)
    problem(upload(client, visit, line_ranges="[{]"), 422)
    assert counted(intake) == before


def test_line_ranges_state_rate_and_phase(client: TestClient, visit: str) -> None:
    ranges = [
        {"first": 2, "last": 2, "firing_rate": 100, "phase": "as_found"},
        {"first": 3, "last": 3, "firing_rate": 25, "phase": "as_left"},
    ]
    answer = upload(client, visit, rates="", phase="", line_ranges=json.dumps(ranges))
    assert answer.status_code == 201, answer.text
    keys = [(p["firing_rate"], p["phase"]) for p in answer.json()["points"]]
    assert keys == [(100.0, "as_found"), (25.0, "as_left")]


def test_line_ranges_are_taken_as_a_person_writes_them(client: TestClient, visit: str) -> None:
    answer = upload(
        client, visit, rates="", phase="", line_ranges="2 100 % as-found\n3-3: 25 trial"
    )
    assert answer.status_code == 201, answer.text
    keys = [(p["firing_rate"], p["phase"]) for p in answer.json()["points"]]
    assert keys == [(100.0, "as_found"), (25.0, "trial")]
    problem(upload(client, visit, line_ranges="the first four"), 422)


@pytest.mark.parametrize(
    ("body", "pointer"),
    [
        ({"name": "x", "limits": {"stack_temperature_max": 455}}, "/"),
        ({"name": "x", "colour": "red"}, "/colour"),
        ({"name": ""}, "/name"),
    ],
)
def test_boiler_that_is_wrong_is_refused_with_a_pointer(
    client: TestClient, body: dict[str, Any], pointer: str
) -> None:
    found = problem(client.put(f"/v1/boilers/{new_id()}", json=body), 422)
    assert (found["errors"][0].get("pointer") or "/").startswith(pointer)


def test_bare_temperature_is_refused_and_unit_is_named(client: TestClient, visit: str) -> None:
    body = {
        "phase": "as_left",
        "readings": [{"firing_rate": 100, "values": {"stack_temperature": 9}}],
    }
    found = problem(client.post(f"/v1/visits/{visit}/readings", json=body), 422)
    assert found["type"] == "/problems/unit-missing"
    assert found["errors"][0]["pointer"] == "/readings/0/values/stack_temperature"


def test_every_kind_of_error_is_problem_details(client: TestClient, visit: str) -> None:
    problem(client.get("/v1/nothing"), 404)
    problem(client.get(f"/v1/visits/{new_id()}"), 404)
    problem(client.delete(f"/v1/visits/{visit}"), 405)
    problem(client.get("/v1/visits/not-an-id"), 422)
    problem(client.put(f"/v1/visits/{visit}", content=b"{", headers=JSON), 422)
    problem(client.get("/v1/flagged-visits", params={"after": "x"}), 422)
    problem(client.post(f"/v1/visits/{visit}/accept", json={"who": "R", "why": "y"}), 409)
    problem(client.post(f"/v1/visits/{visit}/files", data={"rates": "100"}), 422)


JSON = {"content-type": "application/json"}


def test_server_error_is_problem_details_and_tells_no_inside(
    client: TestClient, intake: Intake, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(_: object) -> None:
        raise RuntimeError("a secret path")

    monkeypatch.setattr(intake, "boiler", fails)
    answer = client.get(f"/v1/boilers/{new_id()}")
    problem(answer, 500)
    assert "secret" not in answer.text
    assert "content-security-policy" in answer.headers


def test_body_beyond_the_limit_is_refused(client: TestClient, intake: Intake, visit: str) -> None:
    before = counted(intake)
    problem(upload(client, visit, b"O2 %\n" + b"5\n" * 700_000), 413)

    def endless() -> Any:
        for _ in range(40):
            yield b"x" * 65_536

    answer = client.post(f"/v1/visits/{visit}/files", content=endless())
    problem(answer, 413)
    assert counted(intake) == before


def test_change_decided_on_an_older_version_is_refused(client: TestClient, visit: str) -> None:
    tag = client.get(f"/v1/visits/{visit}").headers["etag"]
    assert upload(client, visit).status_code == 201
    late = client.post(f"/v1/visits/{visit}/hand-in", json={"who": "T"}, headers={"if-match": tag})
    problem(late, 412)
    now = client.get(f"/v1/visits/{visit}").headers["etag"]
    done = client.post(f"/v1/visits/{visit}/hand-in", json={"who": "T"}, headers={"if-match": now})
    assert done.status_code == 200


def test_put_twice_changes_nothing(client: TestClient) -> None:
    address = f"/v1/boilers/{new_id()}"
    first, second = client.put(address, json=BOILER), client.put(address, json=BOILER)
    assert first.json() == second.json()
    assert first.headers["etag"] == second.headers["etag"]
    # What comes out goes in again unchanged: it declares its own units.
    assert client.put(address, json=first.json()).headers["etag"] == first.headers["etag"]


def test_evidence_comes_back_untouched(client: TestClient, visit: str) -> None:
    upload(client, visit)
    kept = client.get(f"/v1/visits/{visit}").json()["files"][0]
    answer = client.get(f"/v1/evidence/{kept['sha256']}")
    assert answer.content == CSV
    assert answer.headers["content-disposition"].startswith("attachment")


def test_flagged_list_goes_on_where_it_stopped(client: TestClient, visit: str) -> None:
    document = client.get(f"/v1/visits/{visit}").json()["visit"]
    made = []
    for day in (3, 4, 5):
        one = str(new_id())
        given = {**document, "id": one, "started": f"2026-11-0{day}T08:00:00+00:00"}
        assert client.put(f"/v1/visits/{one}", json=given).status_code == 200
        upload(client, one)
        client.post(f"/v1/visits/{one}/hand-in", json={"who": "T"})
        made.append(one)
    seen: list[str] = []
    after = None
    while True:
        given = {"limit": "2"} if after is None else {"limit": "2", "after": after}
        got = client.get("/v1/flagged-visits", params=given).json()
        seen += [v["id"] for v in got["visits"]]
        after = got["next"]
        if after is None:
            break
    assert seen == made


def test_openapi_document_is_the_released_one(client: TestClient) -> None:
    """Regenerate with ``python -m tests.contracts`` and look at the difference."""
    assert client.get("/v1/openapi.json").json() == json.loads(RELEASED.read_text("utf-8"))


def test_openapi_describes_quantities_in_the_glossarys_words(client: TestClient) -> None:
    schemas = client.get("/v1/openapi.json").json()["components"]["schemas"]
    values = schemas["PostedReading"]["properties"]["values"]["properties"]
    assert set(values) == set(MEASURED)
    for key, schema in values.items():
        assert QUANTITIES[key].meaning in schema["description"]
        assert QUANTITIES[key].unit in schema["description"]
