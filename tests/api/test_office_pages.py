"""The review list's filter, the lines of a file with one marked, and words explained in place."""

from __future__ import annotations

import re
from collections.abc import Iterator

import pytest
from starlette.testclient import TestClient

from api.app import create_app
from api.pages.evidence import AROUND
from api.settings import Settings
from combustion.quantities import QUANTITIES
from ingest.intake import Intake
from ingest.rules import RULES
from tests.api.test_pages import HTML, Seen, handed_in


@pytest.fixture
def client(intake: Intake) -> Iterator[TestClient]:
    # As on a machine that serves only whoever sits at it: who may come in is tested elsewhere.
    with TestClient(create_app(intake, Settings(alone=True, requests_a_minute=0))) as opened:
        yield opened


def test_filter_finds_by_boiler_rule_and_day(client: TestClient, visit: str) -> None:
    handed_in(client, visit)
    row = f'class="visit edge stop" href="/visits/{visit}"'
    for found in (
        "text=TEST+boil",
        "rule=co_above_limit",
        "from=2026-11-02",
        "until=2026-11-02",
        "from=nonsense",
    ):
        assert row in client.get(f"/?{found}").text, found
    for missed in ("text=nobody", "rule=room_co", "from=2026-11-03", "until=2026-11-01"):
        text = client.get(f"/?{missed}").text
        assert row not in text, missed
        assert "No visit is as the filter asks" in text


def test_filter_stays_with_the_severity_and_shows_as_text(client: TestClient, visit: str) -> None:
    handed_in(client, visit)
    text = client.get('/?text="><b>x').text
    assert "<b>x" not in text
    assert "severity=stop&amp;text=%22%3E%3Cb%3Ex" in text
    assert Seen(text).inline == []
    assert '<script src="/static/review.js" defer></script>' in text


def test_a_line_of_the_file_is_marked_and_no_other(client: TestClient, visit: str) -> None:
    handed_in(client, visit)
    file = client.get(f"/v1/visits/{visit}").json()["files"][0]["id"]
    text = client.get(f"/visits/{visit}/files/{file}?line=2").text
    marked = re.findall(r'class="marked" aria-current="true"><span>(\d+)</span>([^<]*)<', text)
    assert marked == [("2", "3.0,900,402.8,63")]
    for odd in ("0", "-1", "x", "99999999999", "%C2%B2"):
        assert client.get(f"/visits/{visit}/files/{file}?line={odd}").status_code == 200
    assert client.get(f"/visits/{visit}/files/{visit}", headers=HTML).status_code == 404


def test_a_number_beyond_the_lines_shown_leads_to_the_files_own_page(
    client: TestClient, visit: str
) -> None:
    # 500 readings at high fire, then one at low fire: it stands in line 502.
    data = b"O2 %,CO ppm\n" + b"3.0,9\n" * 500 + b"5.6,12\n"
    sent = client.post(
        f"/visits/{visit}/files",
        files={"file": ("long.csv", data, "text/csv")},
        data={"rates": "100 " * 500 + "25", "phase": "as_left"},
        follow_redirects=False,
    )
    assert sent.status_code == 303
    text = client.get(f"/visits/{visit}").text
    link = re.search(r'<a href="(/visits/[^"]+\?line=502)#line-502">5\.6</a>', text)
    assert link is not None
    page = client.get(link.group(1)).text
    assert f'id="line-{502 - AROUND}"' in page
    assert f'id="line-{502 - AROUND - 1}"' not in page


def test_every_quantity_and_rule_explains_itself(client: TestClient) -> None:
    index = client.get("/help").text
    for key in QUANTITIES:
        assert f'href="/help/quantities/{key}"' in index
        assert client.get(f"/help/quantities/{key}").status_code == 200
    for key in RULES:
        assert f'href="/help/rules/{key}"' in index
        answer = client.get(f"/help/rules/{key}")
        assert answer.status_code == 200
    assert client.get("/help/rules/nothing").status_code == 404
    assert client.get("/help/quantities/nothing").status_code == 404


def test_a_decided_visit_leads_on_to_the_next(client: TestClient, visit: str) -> None:
    handed_in(client, visit)
    boiler = client.get(f"/v1/visits/{visit}").json()["visit"]["boiler_id"]
    begun = {"boiler_id": boiler, "started": "2026-11-03T08:00:00Z", "adjusted": True}
    other = client.post("/v1/visits", json=begun).json()["id"]
    handed_in(client, other)

    def next_of(page: str) -> str:
        (address,) = re.findall(r'id="next" href="([^"]*)"', page)
        return str(address)

    pages = {one: client.get(f"/visits/{one}").text for one in (visit, other)}
    assert {one: next_of(page) for one, page in pages.items()} == {
        visit: f"/visits/{other}",
        other: f"/visits/{visit}",  # behind the last the first again
    }
    form = {"who": "R. Two", "why": "seen", "printed_name": ""}
    for one, act, then in (
        (visit, "send-back", f"/visits/{other}"),
        (other, "accept", "/"),
    ):
        done = client.post(f"/visits/{one}/{act}", data=form, follow_redirects=False)
        assert (done.status_code, done.headers["location"]) == (303, f"/visits/{one}#next")
        assert next_of(client.get(f"/visits/{one}").text) == then


def test_an_empty_list_says_why_it_is_empty(client: TestClient, visit: str) -> None:
    nothing = client.get("/").text
    assert "Nothing waits for review." in nothing and 'href="/boilers">Boilers</a>' in nothing
    handed_in(client, visit)
    for filtered in ("/?severity=check", "/?text=nobody"):
        text = client.get(filtered).text
        assert "No visit is as the filter asks." in text
        assert "Nothing waits" not in text
