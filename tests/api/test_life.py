"""A boiler's life, two visits side by side, and the fleet."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import date
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from api.app import create_app
from api.pages.trends import At, drift_a_year
from api.settings import Settings
from ingest.identifiers import new_id
from ingest.intake import Intake
from ingest.store import Book
from tests.api.conftest import BOILER
from tests.api.test_pages import Seen
from tests.api.test_standing import HOT, one_visit

O2 = (b"3.5", b"4.0", b"4.5")
DAYS = ("2024-01-01", "2025-01-01", "2026-01-01")


@pytest.fixture
def client(tmp_path: Path) -> Iterator[TestClient]:
    with Book(tmp_path / "book.db") as book:
        settings = Settings(alone=True, requests_a_minute=0)
        with TestClient(create_app(Intake(book), settings)) as opened:
            yield opened


@pytest.fixture
def boiler(client: TestClient) -> str:
    identity = str(new_id())
    document = {**BOILER, "parts": [{"part": "gasket", "installed": "2025-06-01"}]}
    assert client.put(f"/v1/boilers/{identity}", json=document).status_code == 200
    return identity


@pytest.fixture
def visits(client: TestClient, boiler: str) -> list[str]:
    return [
        one_visit(client, boiler, day, HOT.replace(b"3.5,12", o2 + b",12"))["id"]
        for day, o2 in zip(DAYS, O2, strict=True)
    ]


def test_a_life_shows_every_value_with_its_visit(
    client: TestClient, boiler: str, visits: list[str]
) -> None:
    page = client.get(f"/boilers/{boiler}")
    assert page.status_code == 200
    # First the newest visit with its worst finding, as the review list says it.
    last = page.text.split('<section class="last">')[1].split("</section>")[0]
    listed = client.get("/").text.split(f'href="/visits/{visits[-1]}">')[1].split("</a>")[0]
    assert f'href="/visits/{visits[-1]}"' in last
    assert re.findall(r'class="first">([^<]+)<', last)[0].strip() in listed
    table = page.text.split('id="q-o2_dry"')[1].split("</table>")[0]
    for visit, value in zip(visits, O2, strict=True):
        row = table.split(f'<a href="/visits/{visit}">')[1].split("</tr>")[0]
        assert f">{value.decode()}</a> ± 0.2" in row
        assert ">5.6</a> ± 0.2" in row
    assert table.count('class="band"') == 2  # one for each rate
    assert '<path class="part"' in table
    assert "gasket" in page.text
    seen = Seen(page.text)
    assert seen.inline == []
    assert len(seen.ids) == len(set(seen.ids))
    assert client.get(f"/boilers/{new_id()}").status_code == 404


def test_further_quantities_are_made_where_they_are_asked_for(
    client: TestClient, boiler: str, visits: list[str]
) -> None:
    assert len(visits) == 3
    page = client.get(f"/boilers/{boiler}").text
    link = f"/boilers/{boiler}?further=yes"
    assert f'href="{link}#further"' in page
    whole = client.get(link).text
    told = re.findall(r'<h2 id="q-(\w+)"', page)
    every = re.findall(r'<h2 id="q-(\w+)"', whole)
    assert "excess_air" not in told
    assert "excess_air" in every
    assert every[: len(told)] == told
    spanish = client.get(f"/boilers/{boiler}?language=es").text
    assert "Los números" in spanish


def test_an_untouched_boiler_says_what_will_stand_there(client: TestClient, boiler: str) -> None:
    page = client.get(f"/boilers/{boiler}")
    assert page.status_code == 200
    assert "No finished visit has an as-left reading yet" in page.text
    assert f'href="/boilers/{boiler}"' in client.get("/boilers").text


def test_side_by_side_tells_the_difference(client: TestClient, visits: list[str]) -> None:
    page = client.get(f"/compare?a={visits[0]}&b={visits[2]}").text
    body = page.split("/help/quantities/o2_dry")[1].split("</tbody>")[0]
    rows = re.findall(r"<td>([^<]*)</td><td>([^<]*)</td><td>([^<]*)</td><td><b>([^<]*)</b>", body)
    assert rows == [("25 %", "5.6", "5.6", "0.0"), ("100 %", "3.5", "4.5", "+1.0")]
    back = client.get(f"/compare?a={visits[2]}&b={visits[0]}").text
    assert "<b>−1.0</b>" in back
    assert page.count('class="left-dot"') > 2
    assert page.count('class="found-dot"') > 2
    assert client.get(f"/compare?a={visits[0]}&b=x").status_code == 404


def test_fleet_tells_drift_and_money(client: TestClient, boiler: str, visits: list[str]) -> None:
    assert len(visits) == 3
    page = client.get("/fleet").text
    # 1.0 % O2 from 2024-01-01 to 2026-01-01, 731 days: 365.25 / 731 a year.
    assert re.search(r"100 %</span> \+0\.50<", page)
    assert re.search(r"25 %</span> 0\.00<", page)
    assert re.search(r'class="first">Most is lost at [^:<]+: 0\.\d points of net', page)
    assert 'class="first"' not in client.get("/fleet?sort=name").text
    # 1 kWh is 3412.142 Btu_IT, so 0.04 a kWh is 11.723 an MMBtu (NIST SP 811, B.8; memory).
    money = []
    for asked in ("units=si&price=0.04", "units=us&price=11.723"):
        found = re.search(r'year"><b>([\d,]+)</b>', client.get(f"/fleet?{asked}&hours=2000").text)
        assert found is not None
        money.append(int(found.group(1).replace(",", "")))
    assert money[0] > 0
    assert money[1] == money[0]
    assert "Price and hours are both needed" in client.get("/fleet?price=x&hours=2000").text
    for sort in ("name", "o2", "efficiency", "money", "nonsense"):
        assert f'href="/boilers/{boiler}"' in client.get(f"/fleet?sort={sort}").text


def test_drift_is_the_slope_that_numpy_finds() -> None:
    numpy = pytest.importorskip("numpy")
    days = [date(2023, 3, 1), date(2024, 7, 9), date(2025, 2, 2), date(2026, 9, 30)]
    values = [4.1, 3.9, 4.6, 5.2]
    years = [(d - days[0]).days / 365.25 for d in days]
    slope = numpy.polyfit(years, values, 1)[0]
    found = drift_a_year([At(d, v, False, None) for d, v in zip(days, values, strict=True)])
    assert found == pytest.approx(slope, rel=1e-9)
    assert drift_a_year([At(days[0], 1.0, False, None)] * 2) is None
