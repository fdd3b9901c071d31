"""A page that is given again is the page that would be made now, and nobody else's."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any
from uuid import UUID

import pytest
from starlette.testclient import TestClient

from api import kept_pages
from api.app import create_app
from api.permissions import PERMISSIONS
from api.settings import Settings
from ingest.identifiers import new_id
from ingest.intake import Intake
from ingest.models import LimitsDocument
from ingest.store import Book
from ingest.store.seen import Seen, watching
from tests.api.conftest import BOILER, CSV
from tests.clock import HandClock

SITES = (str(new_id()), str(new_id()))
BOILERS = (str(new_id()), str(new_id()))
HOT = b"O2 %,CO ppm,Stack temperature degF,Air temperature degF\n3.5,12,470,63\n5.6,12,240,63\n"


@pytest.fixture
def intake(tmp_path: Path, clock: HandClock) -> Iterator[Intake]:
    with Book(tmp_path / "book.db", clock=clock, durable=False) as book:
        yield Intake(book)


def _handed_in(client: TestClient, boiler: str, data: bytes) -> str:
    identity = str(new_id())
    document = {"boiler_id": boiler, "started": "2026-11-02T08:00:00+00:00", "adjusted": False}
    for address, body in ((f"/v1/visits/{identity}", document),):
        assert client.put(address, json=body).status_code == 200
    for answer in (
        client.post(
            f"/v1/visits/{identity}/files",
            files={"file": ("readings.csv", data, "text/csv")},
            data={"rates": "100, 25", "phase": "as_left"},
        ),
        client.post(f"/v1/visits/{identity}/hand-in", json={"who": "T. Hale"}),
    ):
        assert answer.status_code < 300, answer.text
    return identity


@pytest.fixture
def visits(client: TestClient) -> tuple[str, str]:
    """A site, a boiler and a visit that was handed in, and the same once more."""
    for site, boiler in zip(SITES, BOILERS, strict=True):
        client.put(f"/v1/sites/{site}", json={"name": f"Site {site[-4:]}"})
        named = {**BOILER, "name": f"Boiler {boiler[-4:]}", "site_id": site}
        assert client.put(f"/v1/boilers/{boiler}", json=named).status_code == 200
    return _handed_in(client, BOILERS[0], HOT), _handed_in(client, BOILERS[1], CSV)


def _addresses(visit: str) -> dict[str, str]:
    return {
        path: path.format(
            visit_id=visit,
            boiler_id=BOILERS[0],
            key="co_above_limit" if "/rules/" in path else "o2_dry",
        )
        for path in kept_pages.KEPT
    }


def _fresh(client: TestClient, path: str, **given: Any) -> str:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(kept_pages, "KEPT", frozenset())
        return client.get(path, **given).text


@pytest.fixture
def made(monkeypatch: pytest.MonkeyPatch) -> list[Seen]:
    """Return what was seen of each page that was made and not given again."""
    found: list[Seen] = []

    def counted() -> Any:
        context = watching()
        seen = context.__enter__()
        found.append(seen)

        class Given:
            def __enter__(self) -> Seen:
                return seen

            def __exit__(self, *exc: Any) -> None:
                context.__exit__(*exc)

        return Given()

    monkeypatch.setattr(kept_pages, "watching", counted)
    return found


def test_kept_addresses_are_pages_with_a_line_of_their_own() -> None:
    assert {p.path for p in PERMISSIONS if p.method == "GET"} >= kept_pages.KEPT


def test_every_kept_page_is_given_again(
    client: TestClient, visits: tuple[str, str], made: list[Seen]
) -> None:
    client.get(f"/visits/{visits[0]}")  # keeps that it was opened, so it is a change
    client.get("/fleet")  # sums up
    for path in _addresses(visits[0]).values():
        first = client.get(path)
        assert first.status_code == 200, path
        count = len(made)
        again = client.get(path)
        assert (again.text, len(made)) == (first.text, count), path
        wanted = {k: v for k, v in first.headers.items() if k != "x-request-id"}
        assert {k: v for k, v in again.headers.items() if k != "x-request-id"} == wanted
        assert again.headers["x-request-id"] != first.headers["x-request-id"]


def test_each_change_shows_in_every_page_that_tells_of_it(
    client: TestClient, intake: Intake, visits: tuple[str, str], clock: HandClock
) -> None:
    visit = visits[0]
    site, boiler = SITES[0], BOILERS[0]
    pages = _addresses(visit)
    one, life, limits = "/visits/{visit_id}", "/boilers/{boiler_id}", "/boilers/{boiler_id}/limits"
    named = {**BOILER, "site_id": site}
    flag = client.get(f"/v1/visits/{visit}").json()["judgement"]["flags"][0]

    def company() -> None:
        stated = LimitsDocument.model_validate({"co_air_free_fix": 90, "source": "company"})
        intake.keep_company_limits(stated, "office", "as agreed")

    def by_another_program() -> None:
        with Book(intake.book.path, durable=False) as other:
            intake_there = Intake(other)
            intake_there.send_back(UUID(visit), "R. Lind", "Look at the damper")

    def let_stand() -> Any:
        asked = {
            "boiler_id": boiler,
            "rule": flag["rule"],
            "reason": "economizer is ordered",
            "severity": flag["severity"],
            "until": "2026-11-03",
            "who": "R. Two",
        }
        return client.post("/v1/standing-acceptances", json=asked)

    def next_day() -> None:
        clock.now += timedelta(days=1)

    def corrected() -> Any:
        reading = intake.visit(UUID(visit)).readings[0].id
        better = {"values": {"o2_dry": 3.0, "co_dry": 900}, "firing_rate": 100, "phase": "as_left"}
        body = {"reading": better, "why": "typed wrong"}
        return client.post(f"/v1/readings/{reading}/supersede", json=body)

    changes: list[tuple[str, Callable[[], Any], set[str]]] = [
        ("site", lambda: client.put(f"/v1/sites/{site}", json={"name": "Weir"}),
         {"/", "/boilers", life, one, "/fleet", "/audit"}),
        ("boiler", lambda: client.put(f"/v1/boilers/{boiler}", json={**named, "name": "B-9"}),
         {"/", "/boilers", life, one, "/fleet", limits}),
        ("limits", company, {"/limits", limits}),
        ("stand", let_stand, {"/", life, one}),
        ("day", next_day, {"/", life, one, "/plans"}),
        ("accept", lambda: client.post(
            f"/v1/visits/{visits[1]}/accept", json={"who": "R. Lind", "why": "Seen"}), {"/"}),
        ("send back", by_another_program, {"/", one, life}),
        ("correct", corrected, {"/", one}),
        ("hand in", lambda: client.post(f"/v1/visits/{visit}/hand-in", json={"who": "T. Hale"}),
         {"/", one, life, "/fleet"}),
        ("duty", lambda: client.post(
            "/v1/duty", json={"name": "A. Mayer", "email": "duty@heat.example"}), {"/duty"}),
    ]  # fmt: skip
    before = {name: client.get(path).text for name, path in pages.items()}
    for what, change, told in changes:
        answer = change()
        assert getattr(answer, "status_code", 200) < 300, (what, answer.text)
        for name, path in pages.items():
            # First the fresh one: a visit's keeps that it was opened, the fleet's sums up.
            fresh = _fresh(client, path)
            after = client.get(path).text
            assert after == fresh, (what, name)
            if name in told:
                assert after != before[name], (what, name)
            before[name] = after


def test_a_change_elsewhere_leaves_a_page_as_it_is(
    client: TestClient, visits: tuple[str, str], made: list[Seen]
) -> None:
    address = f"/visits/{visits[0]}"
    client.get(address)
    client.get(address)
    count = len(made)
    client.put(f"/v1/sites/{SITES[1]}", json={"name": "Elsewhere"})
    assert client.get(address).status_code == 200
    assert len(made) == count
    client.put(f"/v1/sites/{SITES[0]}", json={"name": "Here"})
    assert "Here" in client.get(address).text
    assert len(made) == count + 1


def test_nobody_is_given_the_page_of_another(intake: Intake) -> None:
    alone = TestClient(create_app(intake, Settings(alone=True, requests_a_minute=0)))
    for site, boiler in zip(SITES, BOILERS, strict=True):
        alone.put(f"/v1/sites/{site}", json={"name": f"Site {site[-4:]}"})
        named = {**BOILER, "name": f"Boiler {boiler[-4:]}", "site_id": site}
        alone.put(f"/v1/boilers/{boiler}", json=named)
    here = _handed_in(alone, BOILERS[0], HOT)
    _handed_in(alone, BOILERS[1], CSV)
    app = create_app(intake, Settings(requests_a_minute=0))
    with TestClient(app) as client:
        desk = app.state.desk
        readers = [
            {"Authorization": f"Bearer {desk.add_key(name, 'test', role=role, sites=sites)[1]}"}
            for name, role, sites in (
                ("first", "reviewer", [UUID(SITES[0])]),
                ("second", "reviewer", [UUID(SITES[1])]),
                ("first's technician", "technician", [UUID(SITES[0])]),
            )
        ]
        ways = [{}, {"Accept-Language": "es-MX"}, {"Accept-Language": "es-ES"}]
        ways.append({"Cookie": "fluebook_units=si"})
        asked = [
            (path, {**who, **way, "Accept": "text/html"})
            for path in ("/", f"/boilers/{BOILERS[0]}", f"/visits/{here}")
            for who in readers
            for way in ways
        ]
        fresh = [_fresh(client, path, headers=headers) for path, headers in asked]
        assert len(set(fresh)) > 24, "what is not there is told alike to all"
        for _ in range(2):
            for (path, headers), wanted in zip(asked, fresh, strict=True):
                given = client.get(path, headers=headers)
                assert given.text == wanted, (path, headers)
                if headers["Authorization"] == readers[1]["Authorization"]:
                    assert here not in given.text or given.status_code == 404
                    assert (given.status_code == 404) == (path != "/")


def test_what_hangs_on_more_than_rows_is_not_kept(
    client: TestClient, intake: Intake, visits: tuple[str, str], made: list[Seen]
) -> None:
    for path in ("/audit?verify=yes", "/?units=si", "/?units=us"):
        client.get(path)
        count = len(made)
        client.get(path)
        assert len(made) == count + 1, path
    reader = intake.book.reader
    for doing in (intake.book.clock, intake.book.verify, lambda: _changed(intake.book)):
        with watching() as seen:
            reader.execute("SELECT id FROM site").fetchall()
            assert seen.still(reader)
            doing()
        assert not seen.still(reader), doing


def _changed(book: Book) -> None:
    with book.change("test"):
        pass


def test_what_is_seen_tells_texts_numbers_and_bytes_apart(intake: Intake) -> None:
    sql = intake.book.reader
    given = [("1", 1), (1, 1.0), ("ab", b"\xab"), (None, ""), (None, 0)]
    for one, other in given:
        with watching() as seen:
            values = {"v": one}
            assert sql.execute("SELECT :v", values).fetchone() == (one,)
            values["v"] = other  # what was asked is kept as it was asked
            assert seen.still(sql)
        changed, before = Seen(), "SELECT ?"
        changed.note(before, [other], [(one,)])
        assert not changed.still(sql), (one, other)
