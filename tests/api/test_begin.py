"""A visit begun on the boiler's page is open, named and signed."""

from __future__ import annotations

from starlette.testclient import TestClient

from ingest.identifiers import new_id
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


def test_a_visit_begins_with_a_name_and_at_a_boiler(client: TestClient) -> None:
    boiler = client.post("/v1/boilers", json=BOILER).json()["id"]
    assert client.post(f"/boilers/{boiler}/visits", data={"who": " "}).status_code == 422
    nowhere = client.post(f"/boilers/{new_id()}/visits", data={"who": "J. Harrow"})
    assert nowhere.status_code == 404
