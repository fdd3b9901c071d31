"""The fleet is read from rows kept beside the boilers; they say what the visits say, always."""

from __future__ import annotations

import re
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from dataclasses import replace
from datetime import date
from uuid import UUID

import pytest
from starlette.testclient import TestClient

from api.app import create_app
from api.pages.fleet import boiler_trend
from api.settings import Settings
from api.trend_chart import Moment, TrendPane, described, trend
from ingest.identifiers import new_id
from ingest.intake import Intake
from ingest.intake_life import Life
from ingest.store import Book
from ingest.store.fleet import BoilerTrend
from tests.api.conftest import BOILER
from tests.api.test_standing import HOT, one_visit

DAYS = ("2024-01-01", "2025-01-01", "2026-01-01")


@pytest.fixture
def client(intake: Intake) -> Iterator[TestClient]:
    settings = Settings(alone=True, requests_a_minute=0, page_size=2)
    with TestClient(create_app(intake, settings)) as opened:
        yield opened


def _boiler(client: TestClient, name: str = "B-1") -> str:
    identity = str(new_id())
    put = client.put(f"/v1/boilers/{identity}", json={**BOILER, "name": name})
    assert put.status_code == 200
    return identity


def _read(client: TestClient, boiler: str) -> None:
    for day, o2 in zip(DAYS, (b"3.5", b"4.0", b"4.5"), strict=True):
        one_visit(client, boiler, day, HOT.replace(b"3.5,12", o2 + b",12"))


def _check(intake: Intake) -> dict[UUID, BoilerTrend]:
    """Return what is kept, having compared it with the visits as they are."""
    kept = {row.id: row.trend for row in intake.fleet(boiler_trend)}
    fresh = {b.id: boiler_trend(intake.life(b.id)) for b in intake.boilers() if b.id is not None}
    assert kept == fresh
    return kept


def _never(life: Life) -> BoilerTrend:
    raise AssertionError(f"{life.boiler.name} was summed up again")


def test_a_fleet_that_did_not_change_is_not_summed_up_again(
    client: TestClient, intake: Intake
) -> None:
    boiler = _boiler(client)
    _read(client, boiler)
    first = intake.fleet(boiler_trend)
    assert first[0].trend.visits == 3
    assert first[0].trend.worst_o2 is not None
    assert intake.fleet(_never) == first


def test_kept_rows_follow_every_change(client: TestClient, intake: Intake) -> None:
    one, other = UUID(_boiler(client)), UUID(_boiler(client, "B-2"))
    assert _check(intake)[one].visits == 0
    _read(client, str(one))
    seen = [_check(intake)[one]]
    assert seen[0].wasted is not None
    # The boiler: half the input wastes half the heat.
    halved = {**BOILER, "rated_input": {"value": 1000, "unit": "MBH"}}
    assert client.put(f"/v1/boilers/{one}", json=halved).status_code == 200
    assert _check(intake)[one].wasted == pytest.approx(seen[0].wasted / 2)
    # One more visit, of another day and with other readings.
    visit = one_visit(client, str(one), "2026-02-01", HOT.replace(b"3.5,12", b"6.0,12"))["id"]
    seen.append(_check(intake)[one])
    assert seen[1].visits == 4
    assert seen[1].o2_drift != seen[0].o2_drift
    # A row of another program version is not used.
    with intake.book.change("test") as change:
        change.sql.execute("UPDATE boiler_trend SET program = 'other', visits = 99")
    assert _check(intake)[one].visits == 4
    # A visit that goes to another boiler, its day, its points, and one that goes altogether.
    for column, value in (("started", "2026-03-01T00:00:00.000000Z"), ("boiler_id", str(other))):
        with intake.book.change("test") as change:
            change.sql.execute(f"UPDATE visit SET {column} = ? WHERE id = ?", (value, visit))
        _check(intake)
    assert _check(intake)[other].visits == 1
    with intake.book.change("test") as change:
        change.sql.execute("DELETE FROM point WHERE visit_id = ?", (visit,))
        change.sql.execute("UPDATE visit SET points_stamp = 'another' WHERE id = ?", (visit,))
    assert not _check(intake)[other].o2_drift
    with intake.book.change("test") as change:
        change.sql.execute("UPDATE visit SET state = 'open' WHERE id = ?", (visit,))
    assert _check(intake)[other].visits == 0


def test_accepting_leaves_the_rows_in_place(client: TestClient, intake: Intake) -> None:
    boiler = _boiler(client)
    _read(client, boiler)
    intake.fleet(boiler_trend)
    with intake.book.change("test") as change:
        change.sql.execute("UPDATE visit SET state = 'accepted', version = version + 1")
    assert intake.fleet(_never)[0].trend.visits == 3


def test_a_page_answers_with_what_is_summed_up_so_far(
    intake: Intake, monkeypatch: pytest.MonkeyPatch
) -> None:
    may_go_on = threading.Event()

    begun: list[Life] = []

    def slow(life: Life) -> BoilerTrend:
        begun.append(life)
        assert len(begun) <= 10 or may_go_on.wait(20)
        return boiler_trend(life)

    monkeypatch.setattr("api.pages.fleet.boiler_trend", slow)
    with TestClient(create_app(intake, Settings(alone=True, requests_a_minute=0))) as client:
        made = [_boiler(client, f"B-{n}") for n in range(25)]
        monkeypatch.setattr("api.fleet_count.AT_THE_PAGE", 0.0)
        first = client.get("/fleet?sort=name").text
        seen = sum(f'href="/boilers/{b}"' in first for b in made)
        left = re.search(r"(\d+) boilers are still being summed up", first)
        assert left is not None
        assert (seen, left[1]) == (10, "15")  # the thread waits at the next one
        # While the thread is at it a page sums nothing up and waits for nobody.
        assert "still being summed up" in client.get("/fleet").text
        said = client.get("/fleet", headers={"accept-language": "es"}).text
        assert "calderas se están sumando todavía" in said
        may_go_on.set()
        ends = time.monotonic() + 20
        while "still being summed up" in (text := client.get("/fleet?sort=name").text):
            assert time.monotonic() < ends
            time.sleep(0.02)
        assert all(f'href="/boilers/{b}"' in text for b in made)
    _check(intake)


def test_two_programs_sum_up_a_fleet_once_between_them(client: TestClient, intake: Intake) -> None:
    for n in range(30):
        _boiler(client, f"B-{n}")
    other = Intake(Book(intake.book.path, durable=False))
    done: list[UUID] = []

    def summed(life: Life) -> BoilerTrend:
        assert life.boiler.id is not None
        done.append(life.boiler.id)
        return boiler_trend(life)

    with other.book:
        both = [threading.Thread(target=one.sum_up, args=(summed,)) for one in (intake, other)]
        for one in both:
            one.start()
        for one in both:
            one.join()
    assert len(done) == len(set(done)) == 30
    _check(intake)


_KILLED = """
import os, sys
from pathlib import Path
from api.pages.fleet import boiler_trend
from ingest.intake import Intake
from ingest.store import Book

count = 0
def summed(life):
    global count
    count += 1
    if count == 25:
        os.kill(os.getpid(), 9)
    return boiler_trend(life)

Intake(Book(Path(sys.argv[1]))).sum_up(summed)
"""


def test_a_program_killed_while_it_sums_up_is_gone_on_from(
    client: TestClient, intake: Intake
) -> None:
    for n in range(30):
        _boiler(client, f"B-{n}")
    path = str(intake.book.path)
    killed = subprocess.run([sys.executable, "-c", _KILLED, path], timeout=60, check=False)
    assert killed.returncode == -9
    assert intake.not_summed_up() == 10  # two tens are kept, the five begun are not
    assert len(intake.fleet_so_far()) == 20
    _check(intake)


def test_a_long_fleet_goes_on_where_it_ended(client: TestClient) -> None:
    made = [_boiler(client, f"B-{n}") for n in range(5)]
    seen: list[str] = []
    address = "/fleet?sort=name"
    for _ in range(3):
        text = client.get(address).text
        seen += [b for b in made if f'href="/boilers/{b}"' in text]
        following = text.partition('<a class="more" href="')[2].partition('"')[0]
        address = following.replace("&amp;", "&")
    assert seen == made
    assert address == ""
    assert client.get("/fleet?skip=x").status_code == 200


def test_a_long_list_of_boilers_is_paged_and_searched(client: TestClient) -> None:
    made = [_boiler(client, f"B-{n}") for n in range(8)]
    first = client.get("/boilers").text
    assert [b for b in made if f'href="/boilers/{b}"' in first] == made[:6]
    further = first.partition('<a class="more" href="')[2].partition('"')[0]
    second = client.get(further).text
    assert [b for b in made if f'href="/boilers/{b}"' in second] == made[6:]
    found = client.get("/boilers?text=b-7").text
    assert [b for b in made if f'href="/boilers/{b}"' in found] == made[7:]
    assert "No boiler is found by this name." in client.get("/boilers?text=%25").text


def test_a_pane_says_few_values_each_and_many_by_their_ends() -> None:
    moments = [Moment(date(2000 + n, 1, 2), float(v)) for n, v in enumerate((5, 3, 8, 4))]
    pane = TrendPane("O2", "%", 1, 100.0, moments, (date(2000, 1, 1), date(2010, 1, 1)), (3, 8))
    assert "2 Jan 2001: 3.0 %; 2 Jan 2002: 8.0 %" in described(pane)
    many = replace(pane, moments=moments * 3)
    assert described(many).startswith("Lowest 3.0 %, highest 8.0 %, last 4.0 %;")
    # Every visit still has its point, which the table behind tells.
    assert trend(many, "x").count("data-point=") == 12


def test_a_drawn_life_follows_every_change(client: TestClient, intake: Intake) -> None:
    boiler = _boiler(client)
    _read(client, boiler)
    address = f"/boilers/{boiler}"
    first = client.get(address).text
    assert client.get(address).text == first
    assert "100 % (2.5 to 4.5 %)" in first
    # Units, language, then limits, then one more visit, then a visit that is open again.
    assert client.get(f"{address}?units=si").text != client.get(f"{address}?units=us").text
    spanish = client.get(address, headers={"Accept-Language": "es"}).text
    assert "ene 2024" in spanish
    limits = {**BOILER["limits"]}
    limits["targets"] = [{"firing_rate": 100, "o2_dry": {"low": 2.0, "aim": 3.0, "high": 4.0}}]
    assert client.put(f"/v1{address}", json={**BOILER, "limits": limits}).status_code == 200
    assert "100 % (2.0 to 4.0 %)" in client.get(address).text
    visit = one_visit(client, boiler, "2026-02-03", HOT.replace(b"3.5,12", b"6.7,12"))["id"]
    grown = client.get(address).text
    assert "3 Feb 2026: 6.7 %" in grown
    with intake.book.change("test") as change:
        change.sql.execute("UPDATE visit SET state = 'open' WHERE id = ?", (visit,))
    assert "3 Feb 2026: 6.7 %" not in client.get(address).text
