"""Headings that nobody knows are taught once, on the page or by a program, then used."""

from __future__ import annotations

import re

from starlette.testclient import TestClient

from ingest.intake import Intake
from ingest.store import audit
from parsers.maps import map_json, taught

ODD = b"Kanal 1;Kanal 2;Kanal 3;X\r\n3,0;90;205;7\r\n5,6;12;116;7\r\n"
MEANT = {"Kanal 1": "o2_dry[%]", "Kanal 2": "co_dry[ppm]", "Kanal 3": "stack_temperature[degC]"}
STATED = {"rates": "100,25", "phase": "as_left"}


def hand_over(client: TestClient, visit: str) -> int:
    files = {"file": ("odd.csv", ODD, "text/csv")}
    return client.post(f"/v1/visits/{visit}/files", files=files, data=STATED).status_code


def test_a_program_teaches_and_the_next_file_is_read(client: TestClient, visit: str) -> None:
    assert hand_over(client, visit) == 422
    document = map_json(taught("channels", ["Kanal 1", "Kanal 2", "Kanal 3", "X"], MEANT))
    answer = client.post("/v1/maps", json=document, headers={"fluebook-who": "office"})
    assert answer.status_code == 201
    assert answer.json() == document
    assert client.get("/v1/maps").json() == {"maps": [document]}
    assert hand_over(client, visit) == 201
    points = client.get(f"/v1/visits/{visit}").json()["points"]
    assert sorted(p["values"]["o2_dry"]["mean"] for p in points) == [3.0, 5.6]


def test_a_map_is_forgotten_and_the_trail_keeps_it(client: TestClient, intake: Intake) -> None:
    made = taught("channels", ["A", "B"], {"A": "o2_dry[%]"})
    intake.put_map(made, "office")
    intake.put_map(made, "office")
    assert client.delete(f"/v1/maps/{made.fingerprint}").status_code == 204
    assert client.delete(f"/v1/maps/{made.fingerprint}").status_code == 404
    assert client.get(f"/v1/maps/{made.fingerprint}").status_code == 404
    trail = audit.trail(intake.book.reader, f"map:{made.fingerprint}")
    assert [line["action"] for line in trail] == ["map_taught", "map_forgotten"]
    assert intake.book.verify() == []


def test_a_map_of_something_else_is_refused_with_what_was_expected(client: TestClient) -> None:
    for body in ({}, {"fields": [{"name": "A", "fluebook:quantity": "o3"}]}, {"fields": 7}):
        answer = client.post("/v1/maps", json=body)
        assert answer.status_code == 422
        assert "fluebook:quantity" in answer.json()["errors"][0]["expected"]
    assert client.get("/v1/maps").json() == {"maps": []}


def test_a_person_teaches_on_the_page_without_a_script(client: TestClient, visit: str) -> None:
    shown = client.post("/maps/headings", files={"file": ("odd.csv", ODD, "text/csv")})
    assert shown.status_code == 200
    words = re.findall(r'name="heading-(\d+)" value="([^"]*)"', shown.text)
    assert [heading for _, heading in words] == ["Kanal 1", "Kanal 2", "Kanal 3", "X"]
    form = {"name": "channels"}
    for number, heading in words:
        means, _, unit = MEANT.get(heading, "ignore").rstrip("]").partition("[")
        form |= {
            f"heading-{number}": heading,
            f"means-{number}": means,
            f"unit-{number}": unit,
        }
    kept = client.post("/maps/teach", data=form, follow_redirects=False)
    assert (kept.status_code, kept.headers["location"]) == (303, "/maps")
    assert "channels" in client.get("/maps").text
    assert hand_over(client, visit) == 201


def test_a_unit_that_does_not_fit_is_said_and_nothing_kept(client: TestClient) -> None:
    form = {"name": "n", "heading-0": "A", "means-0": "stack_temperature", "unit-0": "ppm"}
    answer = client.post("/maps/teach", data=form)
    assert answer.status_code == 422
    assert "Nothing was kept" in answer.text
    assert client.get("/v1/maps").json() == {"maps": []}


def test_a_file_without_headings_is_said(client: TestClient) -> None:
    answer = client.post("/maps/headings", files={"file": ("x.csv", b"1;2\n3;4\n", "text/csv")})
    assert answer.status_code == 422
    assert "no row of headings" in answer.text


def test_markup_in_headings_stays_text(client: TestClient) -> None:
    data = b"<script>alert(1)</script>;O2 %\n1;2\n"
    answer = client.post("/maps/headings", files={"file": ("x.csv", data, "text/csv")})
    assert "<script>alert" not in answer.text
