"""Readings typed on a page: units, bands, wrong entries, a double press."""

from __future__ import annotations

import re

import pytest
from starlette.testclient import TestClient

from api.pages.show import Shown
from api.pages.typed import reading_from_entries


def reading_id(page: str) -> str:
    found = re.search(r'name="reading" value="([^"]+)"', page)
    assert found is not None
    return found[1]


def test_a_reading_is_typed_with_its_band_in_sight(client: TestClient, visit: str) -> None:
    address = f"/visits/{visit}/readings"
    page = client.get(address).text
    assert '<span class="of" data-off>25 %: </span>4.5 to 6.5 %' in page  # the boiler's own band
    chosen = re.findall(r'name="rate" value="([^"]+)" checked', page)
    assert set(re.findall(r'class="at" data-rate="([^"]+)">', page)) == set(
        chosen
    )  # the rest is off
    form = {
        "reading": reading_id(page),
        "phase": "as_left",
        "rate": "25",
        "o2_dry": "5,8",
        "co_dry": "12",
        "stack_temperature": "356",
        "who": "J. Harrow",
    }
    for _ in range(2):  # pressed twice
        kept = client.post(address, data=form, follow_redirects=False)
        assert kept.status_code == 303
    whole = client.get(f"/v1/visits/{visit}").json()
    (point,) = whole["points"]
    assert point["count"] == 1
    assert point["values"]["o2_dry"]["mean"] == 5.8
    assert point["values"]["stack_temperature"]["mean"] == pytest.approx(180.0)
    assert "Kept so far" in client.get(kept.headers["location"]).text


def test_what_cannot_be_stands_beside_its_field_and_nothing_is_lost(
    client: TestClient, visit: str
) -> None:
    address = f"/visits/{visit}/readings"
    form = {"phase": "as_left", "rate": "25", "o2_dry": "58", "co_dry": "low"}
    refused = client.post(address, data=form)
    assert refused.status_code == 422
    assert "cannot be" in refused.text and "low is not a number" in refused.text
    assert 'value="58"' in refused.text and 'value="low"' in refused.text
    assert client.get(f"/v1/visits/{visit}").json()["points"] == []


def test_rate_and_phase_are_asked() -> None:
    reading, _, wrong = reading_from_entries({"o2_dry": "5"}, Shown("si"))
    assert reading is None
    assert set(wrong) == {"rate", "phase"}


def test_a_reader_of_si_types_celsius() -> None:
    entries = {"stack_temperature": "180", "rate": "100", "phase": "trial"}
    reading, _, wrong = reading_from_entries(entries, Shown("si"))
    assert not wrong and reading is not None
    assert reading.values == {"stack_temperature": 180.0}


def test_a_handed_in_visit_takes_no_more(client: TestClient, visit: str) -> None:
    client.post(f"/v1/visits/{visit}/hand-in", json={"who": "J. Harrow"})
    form = {"phase": "as_left", "rate": "25", "o2_dry": "5"}
    refused = client.post(f"/visits/{visit}/readings", data=form)
    assert refused.status_code == 422
    assert "handed in" in refused.text
