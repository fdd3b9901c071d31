"""A finding reads the same wherever it stands: on its visit, in lists, among stops, in mails."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import UTC, datetime
from email.message import EmailMessage
from html import unescape
from pathlib import Path
from typing import Any, get_args

import pytest
from starlette.testclient import TestClient

from api.app import create_app
from api.demo import fill
from api.notify.mail import figures_of_mail, mail_of
from api.pages.duty import sentences_of, stop_view
from api.pages.facts import figures_behind, finding_shown, flag_view, verdict
from api.pages.review import row_views
from api.pages.show import Shown
from api.pages.trial_view import trial_view
from api.settings import Settings, UnitSystem
from api.words import speaking, words_of
from ingest.documents import boiler_from
from ingest.identifiers import new_id
from ingest.intake import Intake, Statement
from ingest.models import LimitsDocument, Visit
from ingest.store import Book
from ingest.store.lists import Wanted
from tests.api.conftest import BOILER

ALL = Wanted(states=("open", "sent_back", "handed_in", "accepted"), imported=None)
READERS = [(lang, units) for lang in ("en", "es") for units in get_args(UnitSystem)]
HOT = (66.6, 71.6, 74.4, 76.4, 80.5, 81.6)
"""degC. Rounded, then converted to degF, each is one off: 66.6 degC is 151.9 degF, 67 is 152.6."""


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Intake]:
    with Book(tmp_path_factory.mktemp("demo") / "book.db", durable=False) as book:
        fill(intake := Intake(book))
        yield intake


@pytest.fixture
def hot(tmp_path: Path) -> Iterator[Intake]:
    """Visits to one boiler with a plastic vent, each with its flue gas too hot for it."""
    given: dict[str, Any] = {**BOILER, "vent": "pvc", "limits": None, "condensing": True}
    with Book(tmp_path / "book.db", durable=False) as book:
        intake = Intake(book)
        boiler = intake.put_boiler(boiler_from(given), "A. Merrow").document
        intake.put_duty_person("A. Merrow", "merrow@heat.example", "A. Merrow")
        for n, stack in enumerate(HOT):
            day = datetime(2026, 11, 2 + n, 8, tzinfo=UTC)
            visit = Visit(id=new_id(), boiler_id=boiler.id, started=day, technician="J. Harrow")
            assert visit.id is not None
            intake.put_visit(visit, "J. Harrow")
            data = f"O2 %,CO ppm,Stack temperature degC,Air temperature degC\n5.0,12,{stack},21\n"
            said = Statement(rates=(100.0,), phase="as_left")
            intake.add_file(visit.id, data.encode(), "after.csv", "J. Harrow", statement=said)
            intake.hand_in(visit.id, "J. Harrow")
        yield intake


def _as_on_its_page(intake: Intake, visit: Any, shown: Shown) -> dict[str, str]:
    view = intake.visit(visit)
    return {
        f.message: flag_view(f, view.points, shown, lambda point, quantity: None).message
        for f in view.judgement.flags
    }


@pytest.mark.parametrize(("language", "units"), READERS)
def test_every_visit_of_the_demo_reads_in_the_list_as_on_its_page(
    demo: Intake, language: str, units: UnitSystem
) -> None:
    shown, listed = Shown(units), demo.review_list(ALL, most=200)
    told = 0
    with speaking(words_of(language)):
        for one, row in zip(listed, row_views(demo, listed, shown), strict=True):
            view = demo.visit(one.visit_id)
            if one.worst is not None:
                assert row.sentence == verdict(view.judgement, view.points, shown)[0]
                told += 1
            for message, there in _as_on_its_page(demo, one.visit_id, shown).items():
                said = (one.visit_id, message)
                behind = figures_behind(demo, [said]).get(said, ())
                (severity,) = {f.severity for f in view.judgement.flags if f.message == message}
                assert finding_shown(message, severity, shown, behind) == there
    assert told == 5  # the stories of the demo


@pytest.mark.parametrize(("language", "units"), READERS)
def test_list_stops_and_mails_say_the_number_of_the_visits_page(
    hot: Intake, language: str, units: UnitSystem
) -> None:
    shown, listed, stops = Shown(units), hot.review_list(ALL), hot.standing_stops()
    otherwise = 0
    with speaking(words_of(language)):
        pages = {one.visit_id: _as_on_its_page(hot, one.visit_id, shown) for one in listed}
        behind = figures_behind(hot, sentences_of(stops))
        rows = row_views(hot, listed, shown)
        waiting = {one.visit_id: stop_view(one, shown, behind).sentences for one in stops}
        for one, row in zip(listed, rows, strict=True):
            message = one.worst_message or ""
            assert row.sentence == pages[one.visit_id][message]
            assert row.sentence in waiting[one.visit_id]
            otherwise += row.sentence != finding_shown(message, "stop", shown)
    # Were each converted from its written sentence, these would say another number.
    assert otherwise == (len(HOT) if units == "us" else 0)
    office = Settings(language=language, units=units, smtp_from="book@heat.example")
    for mail in hot.deliveries(channel="email"):
        told: EmailMessage = mail_of(mail, office, datetime.now(UTC), figures_of_mail(hot, mail))
        for sentence in waiting.pop(next(v for v in waiting if str(v) in mail.body)):
            assert f"- {sentence}\n" in told.get_content().replace("\r\n", "\n")
    assert not waiting


def test_the_pages_themselves_say_it_alike(hot: Intake) -> None:
    with TestClient(create_app(hot, Settings(alone=True, requests_a_minute=0))) as client:
        listed = unescape(client.get("/?units=us").text)
        for one in hot.review_list(ALL):
            text = unescape(client.get(f"/visits/{one.visit_id}").text)
            found = re.search(r"Flue gas is \d+ °F at 100 %[^<]*", text)
            assert found is not None
            assert listed.count(found.group(0)) == 2  # among the stops, and in its row


def test_a_trial_of_limits_says_the_number_of_the_visits_page(hot: Intake) -> None:
    boiler = hot.boilers()[0].id
    assert boiler is not None
    # 110 degC: then none of them is too hot, and each finding goes.
    other = LimitsDocument.model_validate({"vent_temperature_max": "110 degC"})
    trial = hot.try_limits(other, boiler_id=boiler)
    shown = Shown("us")
    pages = [_as_on_its_page(hot, one.visit_id, shown) for one in hot.review_list(ALL)]
    gone = [
        said
        for _title, _count, changed in trial_view(trial, shown)["lists"]
        for one in changed
        for severity, said in one.gone
        if severity == "stop"
    ]
    assert sorted(gone) == sorted(s for page in pages for s in page.values() if s in gone)
    assert len(gone) == len(HOT)


def test_a_book_from_before_reads_alike(hot: Intake) -> None:
    """What lists hold is as it was: no figures beside a sentence, in no table but the judgement."""
    tables = ("flag", "standing_stop", "message")
    held = [
        str(row) for table in tables for row in hot.book.reader.execute(f"SELECT * FROM {table}")
    ]
    assert held
    assert not [row for row in held if re.search(r"\b(66\.6|80\.5)\b", row)]
