"""A file that is refused brings its form back as it was filled in, and says what became of it."""

from __future__ import annotations

import html
import re

import pytest
from starlette.testclient import TestClient

GOOD = b"Firing rate %,O2 %,CO ppm,Stack temperature degC\n100,3.5,12,180\n"
GIVEN = {
    "rates": "100, 50",
    "phase": "trial",
    "line_ranges": "2-5 100 as-found",
    "fuel": 'no_2_oil "<b>',
    "units": "stack_temperature=degF",
    "zone": "Europe/Berlin",
    "started": "2026-03-04T09:30:00",
    "response_time": "30",
}


def _sent(client: TestClient, visit: str, data: bytes, language: str = "en", **fields: str) -> str:
    answer = client.post(
        f"/visits/{visit}/files",
        files={"file": ("a.csv", data, "text/csv")},
        data=fields,
        headers={"accept": "text/html", "accept-language": language},
        follow_redirects=False,
    )
    assert 400 <= answer.status_code < 500, answer.status_code
    return answer.text


def _values(page: str) -> dict[str, str]:
    """Return what the upload form would send again."""
    form = page[page.index('id="upload"') : page.index('id="handin"')]
    found = {}
    for tag in re.findall(r"<input[^>]*>", form):
        given = dict(re.findall(r'([\w-]+)="([^"]*)"', tag))
        if given["type"] != "file" if "type" in given else True:
            ticked = " checked" in tag
            if given.get("type") not in ("radio", "checkbox") or ticked:
                found[given["name"]] = html.unescape(given.get("value", ""))
    area = re.search(r"<textarea[^>]*>([^<]*)</textarea>", form)
    assert area is not None
    return found | {"line_ranges": html.unescape(area[1])}


@pytest.mark.parametrize("as_log", ["", "true"])
def test_every_option_of_a_refused_file_is_still_filled_in(
    client: TestClient, visit: str, as_log: str
) -> None:
    given = GIVEN | ({"as_log": as_log} if as_log else {})
    page = _sent(client, visit, b"\x89PNG\r\n\x1a\n\0\0 no readings", **given)
    assert _values(page) == given
    assert page.count("<details open>") >= 2
    assert "The file is not kept here: choose it again." in page
    assert client.get(f"/v1/visits/{visit}").json()["files"] == []


def test_options_that_contradict_the_file_leave_it_out_and_come_back(
    client: TestClient, visit: str
) -> None:
    page = _sent(client, visit, GOOD, rates="100, 75, 50", phase="as_found", units="o2_dry=furlong")
    found = _values(page)
    assert (found["rates"], found["phase"], found["units"]) == (
        "100, 75, 50", "as_found", "o2_dry=furlong",
    )  # fmt: skip
    assert "The file is not kept here" in page
    # Once corrected it is taken.
    again = client.post(
        f"/visits/{visit}/files",
        files={"file": ("a.csv", GOOD, "text/csv")},
        data={"phase": found["phase"]},
        follow_redirects=False,
    )
    assert again.status_code == 303


def test_bytes_that_are_kept_from_before_are_said_to_be(client: TestClient, visit: str) -> None:
    first = client.post(
        f"/visits/{visit}/files",
        files={"file": ("first.csv", GOOD, "text/csv")},
        data={"phase": "as_left"},
        follow_redirects=False,
    )
    assert first.status_code == 303
    page = _sent(client, visit, GOOD, phase="as_found")
    assert "kept under this visit from before, as first.csv" in page
    assert len(client.get(f"/v1/visits/{visit}").json()["files"]) == 1


def test_it_is_said_in_spanish(client: TestClient, visit: str) -> None:
    page = _sent(client, visit, b"\0", language="es", rates="33")
    assert "El archivo no se guarda aquí" in page
    assert _values(page)["rates"] == "33"


def test_a_fresh_form_is_empty_and_as_left(client: TestClient, visit: str) -> None:
    page = client.get(f"/visits/{visit}", headers={"accept": "text/html"}).text
    assert {k: v for k, v in _values(page).items() if v} == {"phase": "as_left"}
