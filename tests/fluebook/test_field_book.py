"""A field book and its office: sent up, fetched down, repeated, in conflict, out of signal."""

from __future__ import annotations

import json
import sqlite3
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from uuid import UUID

import httpx
import pytest
from typer.testing import CliRunner

from api.command import main
from fluebook import Refused
from ingest.identifiers import new_id
from ingest.intake import Intake, Statement
from ingest.models import Visit
from ingest.store import Book
from parsers import Reading
from tests.api.conftest import CSV
from tests.api.report_case import png
from tests.fluebook.field_case import (
    PERSON,
    PICTURE,
    Office,
    meeting,
    opened_visit,
    reading,
    same,
    sent_over_a_lossy_line,
)


def worked(field: Intake) -> UUID:
    """Hand in a visit with a file, a typed reading and a picture; return its id."""
    visit_id = opened_visit(field)
    statement = Statement(rates=(100.0, 25.0), phase="as_left")
    field.add_file(visit_id, CSV, "after tuning.csv", PERSON, statement=statement)
    field.add_readings(visit_id, [(new_id(), reading(4.1))], PERSON)
    field.add_photo(visit_id, PICTURE, "seat.png", PERSON, caption="the seat")
    field.hand_in(visit_id, PERSON)
    return visit_id


def test_everything_goes_up_and_a_repeat_changes_nothing(field: Intake, office: Office) -> None:
    visit_id = worked(field)
    first = meeting(field, office).send()
    assert first.clean, first
    same(field, office.intake, visit_id)
    before = len(office.intake.trail(visit_id))
    second = meeting(field, office).send()
    assert second.clean and not second.done
    assert len(office.intake.trail(visit_id)) == before
    assert office.intake.book.verify() == []


def test_each_sending_of_one_field_book_tells_of_itself_alone(
    field: Intake, office: Office
) -> None:
    worked(field)
    book = meeting(field, office)
    assert len(book.send().done) > 1
    (site,) = field.sites()
    field.put_site(site.model_copy(update={"name": "Weir Road"}), PERSON)
    assert book.send().done == ["site Weir Road sent"]
    assert book.send().done == book.fetch().done == []


def test_a_link_that_loses_four_calls_in_ten_gets_it_all_through_once(
    field: Intake, office: Office
) -> None:
    visit_id = worked(field)
    sent_over_a_lossy_line(field, office, 20261102, most=30)
    same(field, office.intake, visit_id)
    actions = [line["action"] for line in office.intake.trail(visit_id)]
    assert actions.count("visit_opened") == actions.count("handed_in") == 1
    assert actions.count("readings_added") == 1
    assert office.intake.book.verify() == []


def test_both_changed_a_document_shows_both_and_overwrites_neither(
    field: Intake, office: Office
) -> None:
    visit_id = worked(field)
    meeting(field, office).send()
    boiler = field.visit(visit_id).boiler
    assert boiler is not None and boiler.id is not None
    field.put_boiler(boiler.model_copy(update={"name": "Named here"}), PERSON)
    office.intake.put_boiler(boiler.model_copy(update={"name": "Named there"}), "L. Sorrel")
    for act in (meeting(field, office).send, meeting(field, office).fetch):
        (conflict,) = act().conflicts
        assert conflict.differences == {"/name": ("Named here", "Named there")}
    assert field.boiler(boiler.id).document.name == "Named here"
    assert office.intake.boiler(boiler.id).document.name == "Named there"
    outcome = meeting(field, office, whose={boiler.id: "mine"}).send()
    assert outcome.clean
    assert office.intake.boiler(boiler.id).document.name == "Named here"


def test_the_office_stands_where_the_technician_says_so(field: Intake, office: Office) -> None:
    visit_id = worked(field)
    meeting(field, office).send()
    boiler = field.visit(visit_id).boiler
    assert boiler is not None and boiler.id is not None
    field.put_boiler(boiler.model_copy(update={"name": "Named here"}), PERSON)
    office.intake.put_boiler(boiler.model_copy(update={"name": "Named there"}), "L. Sorrel")
    assert meeting(field, office, whose={boiler.id: "office"}).fetch().clean
    assert field.boiler(boiler.id).document.name == "Named there"


def test_only_one_side_changed_needs_nobody(field: Intake, office: Office) -> None:
    visit_id = worked(field)
    meeting(field, office).send()
    boiler = field.visit(visit_id).boiler
    assert boiler is not None and boiler.id is not None
    office.intake.put_boiler(boiler.model_copy(update={"name": "Named there"}), "L. Sorrel")
    assert meeting(field, office).fetch().clean
    assert field.boiler(boiler.id).document.name == "Named there"
    now = field.boiler(boiler.id).document
    field.put_boiler(now.model_copy(update={"serial": "K-77"}), PERSON)
    assert meeting(field, office).send().clean
    assert office.intake.boiler(boiler.id).document.serial == "K-77"


def test_a_visit_sent_back_comes_down_with_its_words_and_goes_up_again(
    field: Intake, office: Office
) -> None:
    visit_id = worked(field)
    meeting(field, office).send()
    office.intake.send_back(visit_id, "L. Sorrel", "low fire is missing")
    fetched = meeting(field, office).fetch()
    assert any("low fire is missing" in line for line in fetched.done)
    assert field.visit(visit_id).state == "sent_back"
    low = Reading(
        values={"o2_dry": 5.6, "co_dry": 20.0, "stack_temperature": 120.0},
        phase="as_left",
        firing_rate=50.0,
    )
    field.add_readings(visit_id, [(new_id(), low)], PERSON)
    field.hand_in(visit_id, PERSON)
    assert meeting(field, office).send().clean
    same(field, office.intake, visit_id)
    office.intake.accept(visit_id, "L. Sorrel", "seen with the owner")
    meeting(field, office).fetch()
    assert field.visit(visit_id).state == "accepted"


def test_history_comes_down_and_judges_here_as_there(field: Intake, office: Office) -> None:
    past = worked(office.intake)
    office.intake.accept(past, "L. Sorrel", "seen with the owner")
    fetched = meeting(field, office).fetch()
    assert fetched.clean
    here, there = (
        [(p.key, p.values) for p in intake.visit(past).points] for intake in (field, office.intake)
    )
    assert here == there
    again = meeting(field, office).fetch()
    assert again.clean and not again.done
    assert not any("past visits" in line for line in meeting(field, office).send().stays)
    boiler_id = field.visit(past).visit.boiler_id
    document = {"boiler_id": boiler_id, "started": "2027-11-02T08:00:00+00:00"}
    for intake in (field, office.intake):
        visit = intake.put_visit(Visit.model_validate({**document, "id": VISIT}), "x").document
        assert visit.id is not None
        statement = Statement(rates=(100.0, 25.0), phase="as_left")
        intake.add_file(visit.id, CSV, "next year.csv", "x", statement=statement)
    assert field.visit(VISIT).judgement.flags == office.intake.visit(VISIT).judgement.flags


VISIT = new_id()


def test_a_wrong_key_says_what_to_check(field: Intake, office: Office) -> None:
    worked(field)
    office.secret = "flk_unknown"
    with pytest.raises(Refused, match="opens nothing"):
        meeting(field, office).send()


def test_the_commands(
    field: Intake, office: Office, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    visit_id = worked(field)
    monkeypatch.setenv("FLUEBOOK_KEY", office.secret)
    book = str(tmp_path / "field.db")
    given = ["--book", book, "--office", office.address, "--who", PERSON]
    sent = CliRunner().invoke(main, ["send", *given])
    assert sent.exit_code == 0, sent.output
    same(field, office.intake, visit_id)
    fetched = CliRunner().invoke(main, ["fetch", *given])
    assert fetched.exit_code == 0, fetched.output
    gone = ["--book", book, "--office", "http://127.0.0.1:9", "--who", PERSON]
    monkeypatch.setattr("fluebook.connection._FIRST_WAIT_S", 0.0)
    lost = CliRunner().invoke(main, ["send", *gone])
    assert lost.exit_code == 2
    assert "No signal" in lost.output
    assert json.dumps(office.secret) not in lost.output


def test_an_id_that_is_in_no_clash_is_refused_with_those_that_are_and_decides_nothing(
    field: Intake, office: Office, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    visit_id = worked(field)
    meeting(field, office).send()
    view = field.visit(visit_id)
    boiler, site = view.boiler, view.site
    assert boiler is not None and boiler.id is not None
    assert site is not None and site.id is not None
    field.put_boiler(boiler.model_copy(update={"name": "Named here"}), PERSON)
    office.intake.put_boiler(boiler.model_copy(update={"name": "Named there"}), "L. Sorrel")
    office.intake.put_site(site.model_copy(update={"name": "Weir Road"}), "L. Sorrel")
    monkeypatch.setenv("FLUEBOOK_KEY", office.secret)
    given = ["--book", str(tmp_path / "field.db"), "--office", office.address, "--who", PERSON]
    # The site was changed there alone: it is in no clash, and is not overwritten.
    for wrong in ("0198-mistyped", str(site.id)):
        refused = CliRunner().invoke(main, ["send", *given, "--mine", wrong])
        assert refused.exit_code == 64, refused.output
        assert f"no clash with the id {wrong}" in refused.output
        assert f"Open: {boiler.id}, boiler Named here" in refused.output
        assert office.intake.site(site.id).document.name == "Weir Road"
    twice = ["--mine", str(boiler.id), "--theirs", str(boiler.id).upper()]
    said = CliRunner().invoke(main, ["fetch", *given, *twice])
    assert said.exit_code != 0 and "either yours stands or theirs" in said.output
    mine = CliRunner().invoke(main, ["fetch", *given, "--mine", str(boiler.id).upper()])
    assert mine.exit_code == 0, mine.output
    assert "goes up with the next sending" in mine.output
    assert CliRunner().invoke(main, ["send", *given]).exit_code == 0
    assert office.intake.boiler(boiler.id).document.name == "Named here"
    assert field.site(site.id).document.name == "Weir Road"


def test_a_key_that_is_revoked_meanwhile_ends_the_sending_and_nothing_is_half_sent(
    field: Intake, office: Office
) -> None:
    visits = [worked(field), worked(field)]
    book = meeting(field, office)
    asked, left = book.office._answered, iter(range(14))

    def answered(*given: Any, **named: Any) -> Any:
        if next(left, None) is None:
            book.office._key = "flk_revoked"
        return asked(*given, **named)

    book.office._answered = answered  # type: ignore[method-assign]
    with pytest.raises(Refused, match="revoked"):
        book.send()
    assert book.outcome.done and not book.outcome.refused
    assert meeting(field, office).send().clean
    for visit_id in visits:
        same(field, office.intake, visit_id)


def test_what_cannot_be_used_is_said_in_a_sentence_and_the_key_is_never_told(
    field: Intake, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "list.csv").write_text("a,b\n", encoding="utf-8")
    book, nowhere = str(tmp_path / "field.db"), "http://127.0.0.1:9"
    monkeypatch.setattr("fluebook.connection._FIRST_WAIT_S", 0.0)
    for key, given, status, said in (
        ("flk_é1", [book, nowhere, PERSON], 64, "signs that no key has"),
        ("flk_1 2", [book, nowhere, PERSON], 64, "signs that no key has"),
        ("flk_1\r\n", [book, nowhere, PERSON], 2, "No signal"),
        ("flk_1", [book, "https://", PERSON], 64, "names a host"),
        ("flk_1", [book, nowhere, " "], 64, "a name is needed"),
        ("flk_1", [str(tmp_path / "list.csv"), nowhere, PERSON], 1, "cannot be used"),
    ):
        monkeypatch.setenv("FLUEBOOK_KEY", key)
        options = zip(("--book", "--office", "--who"), given, strict=True)
        told = CliRunner().invoke(main, ["send", *(one for pair in options for one in pair)])
        assert told.exit_code == status, told.output
        assert said in told.output and key.strip() not in told.output


@pytest.mark.parametrize("command", ["send", "fetch"])
def test_a_key_goes_over_http_to_another_host_only_where_somebody_says_so(
    field: Intake, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, command: str
) -> None:
    asked: list[str] = []

    def ask(_: object, request: httpx.Request) -> httpx.Response:
        asked.append(request.headers.get("authorization", ""))
        raise httpx.ConnectError("nobody")

    monkeypatch.setattr("httpx.HTTPTransport.handle_request", ask)
    monkeypatch.setattr("fluebook.connection._FIRST_WAIT_S", 0.0)
    given = [command, "--book", str(tmp_path / "field.db"), "--who", PERSON, "--office"]
    monkeypatch.setenv("FLUEBOOK_KEY", "flk_secret")
    refused = CliRunner().invoke(main, [*given, "http://book.example"])
    assert refused.exit_code == 64, refused.output
    said = " ".join(refused.stderr.replace("│", " ").split())
    assert "use the office's https:// address, or add --in-clear" in said
    assert "flk_secret" not in refused.output
    assert asked == []
    for address, more in (
        ("http://book.example", ["--in-clear"]),
        ("https://book.example", []),
        ("http://127.0.0.2:9", []),
        ("http://[::1]:9", []),
    ):
        asked.clear()
        assert CliRunner().invoke(main, [*given, address, *more]).exit_code == 2
        assert set(asked) == {"Bearer flk_secret"}, address
    monkeypatch.delenv("FLUEBOOK_KEY")  # nothing is given away where nobody signs in
    assert CliRunner().invoke(main, [*given, "http://book.example"]).exit_code == 2


def test_a_clock_that_is_two_years_off_is_told_and_loses_nothing(
    office: Office, tmp_path: Path
) -> None:
    def clock() -> datetime:
        return datetime.now(UTC) + timedelta(days=730)

    with Book(tmp_path / "late.db", clock=clock) as book:
        visit_id = worked(Intake(book))
        sent = meeting(Intake(book), office).send()
        assert sent.clean and "730 days ahead of the office's" in str(sent.stays)
        same(Intake(book), office.intake, visit_id)
    (line,) = [one for one in office.intake.trail(visit_id) if one["action"] == "handed_in"]
    assert line["details"]["signed_at"][:4] > line["at"][:4]


def test_a_full_disk_at_fetching_is_said_and_a_repeat_goes_on(
    field: Intake, office: Office, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    visit_id = worked(field)
    assert meeting(field, office).send().clean
    office.intake.send_back(visit_id, "L. Sorrel", "one more picture")
    office.intake.add_photo(visit_id, png(900, 700), "vent.png", "L. Sorrel")
    sql = field.book._writer
    pages = sql.execute("PRAGMA page_count").fetchone()[0]
    monkeypatch.setenv("FLUEBOOK_KEY", office.secret)
    kept = Book._connect

    def small(book: Book, *given: Any) -> sqlite3.Connection:
        connection: sqlite3.Connection = kept(book, *given)
        connection.execute(f"PRAGMA max_page_count = {pages}")
        return connection

    given = ["--book", str(tmp_path / "field.db"), "--office", office.address, "--who", PERSON]
    with monkeypatch.context() as full:
        full.setattr(Book, "_connect", small)
        told = CliRunner().invoke(main, ["fetch", *given])
    assert told.exit_code == 1, told.output
    assert "field.db cannot be used: database or disk is full" in told.output
    again = CliRunner().invoke(main, ["fetch", *given])
    assert again.exit_code == 0, again.output
    assert len(field.visit(visit_id).attachments) == 3
    assert field.book.verify() == []
