"""The outbox and the standing stops of a book that grew from an older one."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest

from ingest.documents import boiler_from
from ingest.identifiers import new_id
from ingest.intake import Intake, Statement
from ingest.models import Visit
from ingest.store import Book, StateConflict
from ingest.store.webhooks import Subscription
from tests.api.conftest import BOILER, CSV

TABLES = (
    "delivery_try",
    "delivery",
    "message",
    "webhook",
    "duty_person",
    "standing_stop",
)


def hand_in_a_stop(intake: Intake) -> Visit:
    boiler = intake.put_boiler(boiler_from(BOILER, "test"), "test").document
    visit = Visit(id=new_id(), boiler_id=boiler.id, technician="J. Harrow")
    assert visit.id is not None
    intake.put_visit(visit, "J. Harrow")
    statement = Statement(rates=(100.0, 25.0), phase="as_left")
    intake.add_file(visit.id, CSV, "after.csv", "J. Harrow", statement=statement)
    intake.hand_in(visit.id, "J. Harrow")
    return visit


def test_a_stop_handed_in_before_there_was_the_list_stands_on_it(tmp_path: Path) -> None:
    path = tmp_path / "book.db"
    with Book(path) as book:
        visit = hand_in_a_stop(Intake(book))
        told = Intake(book).standing_stops()[0].flags
    # As the book was before the step of the tables.
    older = sqlite3.connect(path)
    for table in TABLES:
        older.execute(f"DROP TABLE {table}")
    gone = older.execute("DELETE FROM _sqlite_migrations WHERE name = 'm006_notices'")
    assert gone.rowcount == 1
    older.commit()
    older.close()
    with Book(path) as book:
        (stop,) = Intake(book).standing_stops()
        assert (stop.visit_id, stop.handed_in_by, stop.flags) == (visit.id, "J. Harrow", told)
        assert book.verify() == []


def test_two_people_take_a_stop_at_the_same_instant_and_one_is_told(tmp_path: Path) -> None:
    import threading

    with Book(tmp_path / "book.db") as book:
        intake = Intake(book)
        visit = hand_in_a_stop(intake)
        assert visit.id is not None
        identity = visit.id
        gate, lost = threading.Barrier(2), list[str]()

        def take(name: str) -> None:
            gate.wait(10)
            try:
                intake.take_stop(identity, name)
            except StateConflict as error:
                lost.append(str(error))

        both = [threading.Thread(target=take, args=(name,)) for name in ("A. Merrow", "B. Tarn")]
        for one in both:
            one.start()
        for one in both:
            one.join(20)
        lines = [line for line in intake.trail(identity) if line["action"] == "stop_taken"]
        assert len(lines) == len(lost) == 1
        assert f"{lines[0]['who']} took this stop" in lost[0]


def test_nobody_subscribed_means_nothing_is_kept(tmp_path: Path) -> None:
    with Book(tmp_path / "book.db") as book:
        intake = Intake(book)
        hand_in_a_stop(intake)
        assert book.reader.execute("SELECT COUNT(*) FROM message").fetchone() == (0,)


def test_a_subscription_of_one_site_hears_of_that_site_only(tmp_path: Path) -> None:
    from ingest.models import Site

    with Book(tmp_path / "book.db") as book:
        intake = Intake(book)
        here, there = (intake.put_site(Site(name=n), "test").document for n in ("Here", "There"))
        intake.add_webhook(
            Subscription("https://x.example/", "", ("visit.handed_in",), here.id), "test"
        )
        for site in (here, there, None):
            site_id = None if site is None else site.id
            boiler = boiler_from(BOILER, "test").model_copy(update={"site_id": site_id})
            kept = intake.put_boiler(boiler, "test").document
            visit = Visit(id=new_id(), boiler_id=kept.id)
            intake.put_visit(visit, "test")
            assert visit.id is not None
            intake.hand_in(visit.id, "test")
        (one,) = intake.deliveries()
        assert one.content["data"]["site"] == "Here"


@pytest.mark.parametrize("name", ["", "   "])
def test_a_stop_is_not_taken_by_nobody(tmp_path: Path, name: str) -> None:
    from ingest.intake import WordsMissing

    with Book(tmp_path / "book.db") as book:
        intake = Intake(book)
        visit = hand_in_a_stop(intake)
        assert visit.id is not None
        with pytest.raises(WordsMissing):
            intake.take_stop(visit.id, name)
        assert len(intake.standing_stops()) == 1
