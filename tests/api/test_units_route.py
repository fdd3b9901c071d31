"""The list of units over HTTP is the list that the door takes."""

from __future__ import annotations

from starlette.testclient import TestClient

from tests.api.bodies import reading_body


def test_every_listed_unit_of_a_temperature_is_taken_at_the_door(
    client: TestClient, visit: str
) -> None:
    listed = client.get("/v1/units").json()["units"]
    names = [
        written
        for unit in listed
        if "degC" in unit["converts_to"]
        for written in (unit["name"], unit["ucum"], *unit["spellings"])
        if written
    ]
    assert {"degF", "Cel", "kelvin"} <= set(names)
    for name in names:
        body = reading_body(stack_temperature={"value": 300, "unit": name})
        answer = client.post(f"/v1/visits/{visit}/readings", json=body)
        assert answer.status_code == 201, (name, answer.text)


def test_a_thousandth_of_a_pascal_is_not_a_million(client: TestClient, visit: str) -> None:
    body = reading_body(stack_draft={"value": -2000, "unit": "mPa"})
    client.post(f"/v1/visits/{visit}/readings", json=body)
    (point,) = client.get(f"/v1/visits/{visit}").json()["points"]
    assert point["values"]["stack_draft"]["mean"] == -2.0
