"""Each operation lists each of its refusals, with an example that is a problem of RFC 9457."""

from __future__ import annotations

from typing import Any

import pytest
from starlette.testclient import TestClient

from api.answers import example
from api.problems import PROBLEMS, ProblemDetails
from ingest.identifiers import new_id

NO_BODY = ("get", "delete")


def operations(client: TestClient) -> list[tuple[str, str, dict[str, Any]]]:
    document = client.get("/v1/openapi.json").json()
    return [
        (method, path, operation)
        for path, item in document["paths"].items()
        for method, operation in item.items()
    ]


def headers_of(operation: dict[str, Any]) -> set[str]:
    return {p["name"].lower() for p in operation.get("parameters", []) if p["in"] == "header"}


def test_412_is_listed_where_if_match_is_taken_and_nowhere_else(client: TestClient) -> None:
    for method, path, operation in operations(client):
        takes = "if-match" in headers_of(operation)
        assert takes == ("412" in operation["responses"]), (method, path)


def test_422_is_listed_where_something_is_sent_and_nowhere_else(client: TestClient) -> None:
    for method, path, operation in operations(client):
        sent = bool(operation.get("parameters")) or "requestBody" in operation
        assert sent == ("422" in operation["responses"]), (method, path)


def test_413_and_408_are_listed_where_a_body_is_taken_and_nowhere_else(client: TestClient) -> None:
    for method, path, operation in operations(client):
        body = "requestBody" in operation
        for status in ("400", "408", "413"):
            assert body == (status in operation["responses"]), (method, path, status)


def test_409_is_listed_for_every_key_for_repeats(client: TestClient) -> None:
    for method, path, operation in operations(client):
        if "idempotency-key" in headers_of(operation):
            assert "409" in operation["responses"], (method, path)


def test_what_is_read_or_removed_under_an_unknown_id_is_answered_404(client: TestClient) -> None:
    asked = 0
    for method, path, operation in operations(client):
        inside = [p["name"] for p in operation.get("parameters", []) if p["in"] == "path"]
        if method not in NO_BODY or not inside or path.startswith("/v1/exports/"):
            continue
        address = path
        for name in inside:
            value = {"sha256": "0" * 64, "fingerprint": "0" * 64, "key": "no-such"}.get(name)
            value = value or str(new_id())
            address = address.replace(f"{{{name}}}", value)
        wanted = [
            p["name"] for p in operation["parameters"] if p["in"] == "query" and p.get("required")
        ]
        answer = client.request(method, address, params=dict.fromkeys(wanted, "a reason"))
        assert answer.status_code == 404, (method, address, answer.text)
        assert "404" in operation["responses"], (method, path)
        asked += 1
    assert asked > 25


def test_every_refusal_has_an_example_of_its_status(client: TestClient) -> None:
    document = client.get("/v1/openapi.json").json()
    seen = set()
    for _, _, operation in operations(client):
        for status, response in operation["responses"].items():
            if status == "default" or status.startswith("2"):
                continue
            name = response["$ref"].removeprefix("#/components/responses/")
            content = document["components"]["responses"][name]["content"]
            examples = content["application/problem+json"]["examples"]
            assert examples
            for slug, one in examples.items():
                problem = ProblemDetails.model_validate(one["value"])
                assert problem.type == f"/problems/{slug}"
                assert PROBLEMS[slug] == (int(status), problem.title)
            seen.add(name)
    assert seen == set(document["components"]["responses"])


@pytest.mark.parametrize(
    ("send", "slug"),
    [
        (
            lambda c: c.put(
                f"/v1/visits/{new_id()}",
                content=b"\xff",
                headers={"Content-Type": "application/json"},
            ),
            "bad-request",
        ),
        (
            lambda c: c.put(
                f"/v1/visits/{new_id()}",
                json={
                    "phase": "as_left",
                    "readings": [{"firing_rate": 100, "values": {"stack_temperature": 356}}],
                },
            ),
            "unit-missing",
        ),
        (lambda c: c.put(f"/v1/sites/{new_id()}", json={"name": ""}), "not-valid"),
    ],
)
def test_an_answer_looks_like_its_example(client: TestClient, send: Any, slug: str) -> None:
    answer = send(client)
    assert answer.json()["type"] == f"/problems/{slug}", answer.text
    shown = example(slug)
    assert answer.status_code == shown["status"]
    assert set(answer.json()) == set(shown) | {"errors"}


def test_a_reading_without_rate_is_told_in_words_of_the_body(client: TestClient) -> None:
    body = {"phase": "as_left", "readings": [{"values": {"o2_dry": 4}}]}
    problem = client.post("/v1/visits", json=body).json()
    assert problem["type"] == "/problems/not-valid"
    assert "firing rate" in problem["detail"]
    (item,) = problem["errors"]
    assert "`firing_rate`" in item["next_step"]
    assert "--" not in problem["detail"] + item["next_step"]


JSON = {"Content-Type": "application/json"}
READINGS = {"readings": [{"firing_rate": 100, "values": {"o2_dry": 4, "co_dry": 9}}]}
BARE = {"stack_temperature_max": 230}


@pytest.mark.parametrize(
    ("address", "given", "pointer", "slug", "said"),
    [
        ("/v1/sites", {"content": b'{"name": "Mill"}'}, "", "not-valid", "application/json"),
        ("/v1/sites", {"content": b'{"name":', "headers": JSON}, "", "not-valid", "character 8"),
        ("/v1/sites", {"json": ["Mill"]}, "", "not-valid", "no JSON object"),
        (
            "/v1/sites",
            {"json": {"name": "Mill", "zone": "Mars/Base"}},
            "/zone",
            "not-valid",
            "zone",
        ),
        ("/v1/sites", {"json": {"nmae": "Mill"}}, "/nmae", "not-valid", "unknown key"),
        ("/v1/boilers", {"json": {"zone": "Mars/Base"}}, "/zone", "not-valid", "zone"),
        (
            "/v1/boilers",
            {"json": {"limits": BARE}},
            "/limits/stack_temperature_max",
            "unit-missing",
            "has no unit",
        ),
        (
            "/v1/judge",
            {"json": {"boiler": {"fule": "gas"}, "readings": READINGS}},
            "/boiler/fule",
            "not-valid",
            "unknown key",
        ),
        (
            "/v1/judge",
            {"json": {"company_limits": BARE, "readings": READINGS}},
            "/company_limits/stack_temperature_max",
            "unit-missing",
            "has no unit",
        ),
        (
            "/v1/judge",
            {
                "json": {
                    "readings": READINGS,
                    "history": [{"visit": {"started": "soon"}, "readings": READINGS}],
                }
            },
            "/history/0/visit/started",
            "not-valid",
            "datetime",
        ),
        (
            "/v1/judge",
            {"json": {"readings": {"readings": [{"values": {"stack_temperature": 356}}]}}},
            "/readings/readings/0/values/stack_temperature",
            "unit-missing",
            "without its unit",
        ),
    ],
)
def test_a_refusal_points_into_the_body_that_was_sent(
    client: TestClient, address: str, given: dict[str, Any], pointer: str, slug: str, said: str
) -> None:
    answer = client.post(address, **given)
    assert answer.status_code == 422, answer.text
    problem = answer.json()
    assert problem["type"] == f"/problems/{slug}"
    assert pointer in [e["pointer"] for e in problem["errors"]]
    assert said in problem["detail"]
