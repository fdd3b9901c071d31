"""An answer about a visit is given again, and is never older than anything that it tells of."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import Any
from uuid import UUID

import pytest
from starlette.testclient import TestClient

from api import kept_visits
from api.shapes import visit_json
from ingest.identifiers import new_id
from ingest.intake import Intake
from ingest.models import LimitsDocument
from ingest.store.errors import NotFound
from ingest.store.reach import Reach, within
from tests.api.conftest import BOILER, CSV

Ask = Callable[..., Any]


@pytest.fixture
def made(monkeypatch: pytest.MonkeyPatch) -> list[UUID]:
    """Return the visits whose answer was made, not given again."""
    seen: list[UUID] = []

    def counting(view: Any) -> dict[str, Any]:
        seen.append(view.visit.id)
        return visit_json(view)

    monkeypatch.setattr(kept_visits, "visit_json", counting)
    return seen


@pytest.fixture
def whole(client: TestClient) -> str:
    """A visit with a site, a boiler, a job, readings and a file; its id."""
    site, boiler, job, visit = (str(new_id()) for _ in range(4))
    put: list[tuple[str, dict[str, Any]]] = [
        (f"/v1/sites/{site}", {"name": "Mill Lane"}),
        (f"/v1/boilers/{boiler}", {**BOILER, "site_id": site}),
        (f"/v1/jobs/{job}", {"people": "A. Mayer", "site_id": site}),
        (
            f"/v1/visits/{visit}",
            {
                "boiler_id": boiler,
                "job_id": job,
                "started": "2026-11-02T08:00:00+00:00",
                "phase": "as_left",
                "readings": [{"values": {"o2_dry": 4.5, "co_dry": 12}, "firing_rate": 75}],
            },
        ),
    ]
    for address, document in put:
        answer = client.put(address, json=document)
        assert answer.status_code in (200, 201), answer.text
    return visit


def test_same_answer_is_given_again(client: TestClient, whole: str, made: list[UUID]) -> None:
    first = client.get(f"/v1/visits/{whole}")
    second = client.get(f"/v1/visits/{whole}")
    assert (first.content, first.headers["ETag"]) == (second.content, second.headers["ETag"])
    assert made == [UUID(whole)]


def test_each_change_shows_in_the_next_answer(
    client: TestClient, intake: Intake, whole: str, made: list[UUID]
) -> None:
    address = f"/v1/visits/{whole}"
    before = client.get(address).json()
    site, boiler = before["site"]["id"], before["boiler"]["id"]
    job, reading = before["visit"]["job_id"], str(intake.visit(UUID(whole)).readings[0].id)

    def document(**more: Any) -> dict[str, Any]:
        return {**client.get(address).json()["visit"], "units": "canonical", **more}

    def held_to_less() -> Any:
        limits = LimitsDocument.model_validate(
            {"co_air_free_fix": 10, "co_air_free_stop": 20, "source": "company"}
        )
        intake.keep_company_limits(limits, "office", "as agreed")
        return client.put(address, json=document(note="Filter cleaned"))

    co = {"values": {"o2_dry": 3.0, "co_dry": 900}, "firing_rate": 100, "phase": "as_left"}
    corrected = {"reading": {**co, "firing_rate": 75}, "why": "typed wrong"}
    changes: list[tuple[str, Callable[[], Any], tuple[str, ...]]] = [
        ("site", lambda: client.put(f"/v1/sites/{site}", json={"name": "Weir"}), ("site",)),
        (
            "boiler",
            lambda: client.put(
                f"/v1/boilers/{boiler}", json={**BOILER, "site_id": site, "name": "B-9"}
            ),
            ("boiler",),
        ),
        (
            "job",
            lambda: client.put(f"/v1/jobs/{job}", json={"people": "K. Ott", "site_id": site}),
            ("job",),
        ),
        (
            "document",
            lambda: client.put(address, json=document(note="Filter changed")),
            ("visit", "version"),
        ),
        ("limits", held_to_less, ("judgement",)),
        (
            "reading",
            lambda: client.post(f"{address}/readings", json={"readings": [co]}),
            ("points", "judgement", "version"),
        ),
        (
            "supersede",
            lambda: client.post(f"/v1/readings/{reading}/supersede", json=corrected),
            ("points", "judgement"),
        ),
        (
            "file",
            lambda: client.post(
                f"{address}/files",
                files={"file": ("log.csv", CSV)},
                data={"rates": "50, 25", "phase": "as_left"},
            ),
            ("files", "points"),
        ),
        (
            "withdraw",
            lambda: intake.withdraw_file(
                UUID(whole),
                UUID(client.get(address).json()["files"][0]["id"]),
                "office",
                "wrong boiler",
            ),
            ("files", "points"),
        ),
        (
            "hand in",
            lambda: client.post(f"{address}/hand-in", json={"who": "T. Hale"}),
            ("state", "handed_in_at"),
        ),
        (
            "send back",
            lambda: client.post(f"{address}/send-back", json={"who": "R. Lind", "why": "Look"}),
            ("state", "version"),
        ),
    ]
    for what, change, parts in changes:
        count = len(made)
        answer = change()
        assert getattr(answer, "status_code", 200) < 300, (what, answer.text)
        after = client.get(address).json()
        assert after == visit_json(intake.visit(UUID(whole))), what
        for part in parts:
            assert after[part] != before[part], (what, part)
        assert len(made) > count, what
        before = after


def test_kept_answer_is_not_given_out_of_reach(intake: Intake, whole: str) -> None:
    async def ask() -> None:
        kept = kept_visits.KeptVisits(intake)
        assert (await kept.answer(UUID(whole)))[0].startswith(b"{")
        with within(Reach(frozenset(), "elsewhere")), pytest.raises(NotFound):
            await kept.answer(UUID(whole))

    asyncio.run(ask())


def test_many_at_once_wait_for_one_making(intake: Intake, whole: str, made: list[UUID]) -> None:
    async def ask() -> list[tuple[bytes, int]]:
        kept = kept_visits.KeptVisits(intake)
        return await asyncio.gather(*(kept.answer(UUID(whole)) for _ in range(20)))

    assert len(set(asyncio.run(ask()))) == 1
    assert made == [UUID(whole)]


def test_answer_of_an_older_programs_visit_is_not_kept(
    client: TestClient, intake: Intake, whole: str, made: list[UUID]
) -> None:
    with intake.book.change("test") as change:
        change.sql.execute("UPDATE visit SET points_stamp = NULL")
    for _ in range(2):
        assert client.get(f"/v1/visits/{whole}").status_code == 200
    assert len(made) == 2


def test_what_changed_while_it_was_read_is_not_kept(
    client: TestClient, intake: Intake, whole: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    real, changed = intake.visit, []

    def meanwhile(visit_id: UUID) -> Any:
        view = real(visit_id)
        if not changed:
            changed.append(client.put(f"/v1/sites/{view.site.id}", json={"name": "Weir"}))  # type: ignore[union-attr]
        return view

    monkeypatch.setattr(intake, "visit", meanwhile)
    client.get(f"/v1/visits/{whole}")
    assert client.get(f"/v1/visits/{whole}").json()["site"]["name"] == "Weir"
