"""A visit begun on the boiler's page is open, named and signed."""

from __future__ import annotations

import re

from starlette.testclient import TestClient

from ingest.identifiers import new_id
from ingest.intake_coming import NOT_BEGUN
from tests.api.conftest import BOILER


def test_a_visit_is_begun_on_the_boilers_page(client: TestClient) -> None:
    zoned = {**BOILER, "zone": "America/Chicago"}
    boiler = client.post("/v1/boilers", json=zoned).json()["id"]
    assert "Begin a visit now" in client.get(f"/boilers/{boiler}").text
    begun = client.post(
        f"/boilers/{boiler}/visits", data={"who": "J. Harrow"}, follow_redirects=False
    )
    assert begun.status_code == 303
    visit = client.get("/v1" + begun.headers["location"]).json()
    assert visit["state"] == "open"
    assert visit["visit"]["technician"] == "J. Harrow"
    assert visit["visit"]["started"].endswith(("-05:00", "-06:00"))
    assert client.get(begun.headers["location"]).status_code == 200


def test_a_press_that_comes_twice_leaves_what_was_entered_meanwhile(client: TestClient) -> None:
    boiler, visit = client.post("/v1/boilers", json=BOILER).json()["id"], str(new_id())
    press = {"who": "J. Harrow", "id": visit}
    for _ in range(2):
        came = client.post(f"/boilers/{boiler}/visits", data=press, follow_redirects=False)
        assert came.headers["location"] == f"/visits/{visit}"
        document = client.get(f"/v1/visits/{visit}").json()["visit"]
        changed = client.put(f"/v1/visits/{visit}", json={**document, "note": "seal is worn"})
        assert changed.status_code == 200
    assert document["note"] == "seal is worn"


def test_a_visit_begins_with_a_name_and_at_a_boiler(client: TestClient) -> None:
    boiler = client.post("/v1/boilers", json=BOILER).json()["id"]
    assert client.post(f"/boilers/{boiler}/visits", data={"who": " "}).status_code == 422
    nowhere = client.post(f"/boilers/{new_id()}/visits", data={"who": "J. Harrow"})
    assert nowhere.status_code == 404


def test_the_pages_of_a_visit_that_nobody_has_begun_write_nothing(client: TestClient) -> None:
    boiler = client.post("/v1/boilers", json=BOILER).json()["id"]
    named = re.search(r'data-coming="([^"]+)"', client.get(f"/boilers/{boiler}").text)
    assert named is not None
    pages = {address: client.get(address) for address in named.group(1).split(" ")}
    assert {answer.status_code for answer in pages.values()} == {200}
    tails = [address.removeprefix(f"/boilers/{boiler}/visits/coming") for address in pages]
    assert tails[:3] == ["", "/readings", "/service"]
    assert all(tail.startswith("/service?plan=") for tail in tails[3:]) and tails[3:]
    first = pages[f"/boilers/{boiler}/visits/coming"].text
    for action in ("files", "photos", "hand-in"):
        assert f'action="/visits/{NOT_BEGUN}/{action}"' in first
    for answer in pages.values():
        assert "nothing of it is judged" in answer.text
    assert client.get("/v1/visits").json()["visits"] == []
    assert client.get(f"/visits/{NOT_BEGUN}").status_code == 404
    assert client.get(f"/boilers/{new_id()}/visits/coming").status_code == 404
    assert client.get(f"/boilers/{boiler}/visits/coming/else").status_code == 422
