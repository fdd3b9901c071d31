"""Lists by pages, over HTTP and within reach."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Any
from uuid import UUID

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from starlette.testclient import TestClient

from ingest.identifiers import new_id
from ingest.intake import Intake
from ingest.models import Boiler, Site, Visit
from ingest.store.pages import NotACursor, Sort, cursor, keys_of
from ingest.store.reach import Reach, within
from parsers import Reading

START = datetime(2026, 3, 2, 8, tzinfo=UTC)
DIRTY = {"o2_dry": 3.0, "co_dry": 900.0}
CLEAN = {"o2_dry": 4.5, "co_dry": 12.0}


@pytest.fixture
def filled(intake: Intake) -> list[UUID]:
    """Two sites, three boilers, twelve visits; every third one far beyond the CO limit."""
    ids = []
    sites = [intake.put_site(Site(name=n), "o").document for n in ("Mill Lane", "Quay")]
    boilers = [
        intake.put_boiler(Boiler(name=f"B-{n}", site_id=sites[n % 2].id), "o").document
        for n in range(3)
    ]
    for n in range(12):
        started = START + timedelta(days=n // 2)
        visit = Visit(id=new_id(), boiler_id=boilers[n % 3].id, started=started)
        intake.put_visit(visit, "T. Hale")
        values = DIRTY if n % 3 == 0 else CLEAN
        readings = [
            (None, Reading(values=values, firing_rate=rate, phase="as_left"))
            for rate in (100.0, 50.0)
        ]
        assert visit.id is not None
        intake.add_readings(visit.id, readings, "T. Hale")
        ids.append(visit.id)
    return ids


def _pages(client: TestClient, kind: str, **asked: Any) -> Iterator[list[dict[str, Any]]]:
    key = kind.replace("firing-", "")
    after: dict[str, str] = {}
    while True:
        answer = client.get(f"/v1/{kind}", params={**asked, **after})
        assert answer.status_code == 200, answer.text
        yield answer.json()[key]
        if answer.json()["next"] is None:
            return
        after = {"after": answer.json()["next"]}


SORTS = [
    ("visits", "started"),
    ("visits", "-started"),
    ("visits", "severity"),
    ("visits", "-changed_at"),
    ("visits", "id"),
    ("readings", "visit_id"),
    ("firing-points", "-visit_id"),
    ("boilers", "-name"),
    ("sites", "changed_at"),
]


def test_pages_of_any_size_add_up_to_the_whole_list(client: TestClient, filled: list[UUID]) -> None:
    counts = {"visits": 12, "readings": 24, "firing-points": 24, "boilers": 3, "sites": 2}
    for kind, sort in SORTS:
        (whole,) = _pages(client, kind, sort=sort, limit=1000)
        assert len(whole) == counts[kind]
        for limit in (1, 5, 12):
            paged = [row for one in _pages(client, kind, sort=sort, limit=limit) for row in one]
            assert paged == whole, (kind, sort, limit)


def test_what_is_added_between_two_pages_shows_no_row_twice(
    client: TestClient, intake: Intake, filled: list[UUID]
) -> None:
    first = client.get("/v1/visits", params={"limit": 6}).json()
    intake.put_visit(Visit(id=new_id(), started=START - timedelta(days=9)), "T. Hale")
    rest = client.get("/v1/visits", params={"limit": 100, "after": first["next"]}).json()
    assert [v["id"] for v in first["visits"] + rest["visits"]] == [str(i) for i in filled]


def test_filters_agree_with_looking_at_every_visit(
    client: TestClient, intake: Intake, filled: list[UUID]
) -> None:
    views = {str(i): intake.visit(i) for i in filled}

    def shown(**asked: Any) -> set[str]:
        return {v["id"] for v in client.get("/v1/visits", params=asked).json()["visits"]}

    worst = {i for i, v in views.items() if v.judgement.worst == "stop"}
    assert worst
    assert shown(severity="stop") == worst
    rule = next(v for v in views.values() if v.judgement.worst == "stop").judgement.flags[0].rule
    by_rule = {i for i, v in views.items() if rule in [f.rule for f in v.judgement.flags]}
    assert shown(rule=rule) == by_rule
    site = views[str(filled[0])].site
    assert site is not None
    assert shown(site_id=str(site.id)) == {i for i, v in views.items() if v.site == site}
    boiler = views[str(filled[1])].boiler
    assert boiler is not None
    assert shown(boiler_id=str(boiler.id)) == {i for i, v in views.items() if v.boiler == boiler}
    day = (START + timedelta(days=2)).date()
    later = {i for i, v in views.items() if v.visit.started and v.visit.started.date() >= day}
    assert shown(started_from=day.isoformat()) == later
    assert shown(started_until=day.isoformat()) == set(views) - later
    assert shown(state="handed_in") == set()
    intake.hand_in(filled[4], "T. Hale")
    assert shown(state="handed_in") == {str(filled[4])}


def test_what_changed_since_a_moment_is_what_was_changed(
    client: TestClient, intake: Intake, filled: list[UUID]
) -> None:
    last = client.get("/v1/visits", params={"sort": "-changed_at", "limit": 1}).json()["visits"][0]
    intake.hand_in(filled[3], "T. Hale")
    asked = {"changed_since": last["changed_at"], "fields": "id,state"}
    found = client.get("/v1/visits", params=asked).json()["visits"]
    assert {"id": str(filled[3]), "state": "handed_in"} in found
    assert {v["id"] for v in found} == {str(filled[3]), last["id"]}


def test_visits_whose_boiler_is_not_known_are_listed(
    client: TestClient, intake: Intake, filled: list[UUID]
) -> None:
    waits = intake.put_visit(Visit(id=new_id(), boiler_external_id="A-7"), "x").document
    (found,) = client.get("/v1/visits", params={"unassigned": True}).json()["visits"]
    assert (found["id"], found["boiler_external_id"]) == (str(waits.id), "A-7")


def test_lists_leave_out_what_is_not_within_reach(intake: Intake, filled: list[UUID]) -> None:
    from ingest.store import listings
    from ingest.store.lists import Wanted

    site = next(s for s in intake.sites() if s.name == "Quay")
    assert site.id is not None
    everything = Wanted(states=(), imported=None)
    with within(Reach(frozenset({site.id}), "key")):
        for listing in (listings.VISIT_ROWS, listings.READING_ROWS, listings.POINT_ROWS):
            rows, _ = listings.visit_page(intake.book.reader, listing, everything)
            assert {r["site"] for r in rows} == {"Quay"}, listing.name
        boilers, _ = listings.place_page(intake.book.reader, listings.BOILER_ROWS)
        assert {b["site_id"] for b in boilers} == {str(site.id)}
        sites, _ = listings.place_page(intake.book.reader, listings.SITE_ROWS)
        assert [s["name"] for s in sites] == ["Quay"]
    with within(Reach(frozenset())):
        assert listings.visit_page(intake.book.reader, listings.VISIT_ROWS, everything) == (
            [],
            None,
        )
        assert listings.place_page(intake.book.reader, listings.SITE_ROWS) == ([], None)


@pytest.mark.parametrize(
    ("asked", "parameter"),
    [
        ({"after": "x"}, "after"),
        ({"after": cursor(Sort("id", ("v.id",)), ["x"])}, "after"),
        ({"after": cursor(Sort("started", ("a", "b")), [10**30, "x"])}, "after"),
        ({"sort": "colour"}, "sort"),
        ({"fields": "id,colour"}, "fields"),
        ({"fields": ","}, "fields"),
        ({"limit": 0}, "limit"),
        ({"colour": "red"}, "colour"),
        ({"started_from": "2026-03-02T08:00:00"}, "started_from"),
    ],
)
def test_what_is_asked_wrongly_is_refused_by_its_name(
    client: TestClient, asked: dict[str, Any], parameter: str
) -> None:
    answer = client.get("/v1/visits", params=asked)
    assert answer.status_code == 422, answer.text
    assert parameter in {e.get("parameter") for e in answer.json()["errors"]}


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(st.lists(st.one_of(st.text(), st.integers(), st.floats(allow_nan=False)), max_size=4))
def test_a_cursor_gives_back_its_keys(keys: list[Any]) -> None:
    sort = Sort("s", tuple("c" for _ in keys))
    assert keys_of(cursor(sort, keys), sort) == keys


@given(st.text(max_size=60))
def test_any_text_is_a_cursor_or_refused_as_none(text: str) -> None:
    try:
        keys = keys_of(text, Sort("s", ("c",)))
    except NotACursor:
        return
    assert len(keys) == 1
