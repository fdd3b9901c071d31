"""A field book and its office: sent up, fetched down, repeated, in conflict, out of signal."""

from __future__ import annotations

import json
from pathlib import Path
from uuid import UUID

import pytest
from typer.testing import CliRunner

from api.command import main
from fluebook import Refused
from ingest.identifiers import new_id
from ingest.intake import Intake, Statement
from ingest.models import Boiler, Site, Visit
from parsers import Reading
from tests.api.conftest import BOILER, CSV
from tests.fluebook.field_case import PICTURE, Office, meeting, same, sent_over_a_lossy_line


def worked(field: Intake) -> Visit:
    """A visit with a site, a boiler, a file, a typed reading and a picture, handed in."""
    site = field.put_site(Site.model_validate({"name": "Weir Lane"}), "J. Harrow").document
    boiler = field.put_boiler(
        Boiler.model_validate({**BOILER, "site_id": str(site.id)}), "J. Harrow"
    ).document
    visit = field.put_visit(
        Visit.model_validate(
            {"boiler_id": boiler.id, "started": "2026-11-02T08:00:00+00:00", "adjusted": False}
        ),
        "J. Harrow",
    ).document
    assert visit.id is not None
    statement = Statement(rates=(100.0, 25.0), phase="as_left")
    field.add_file(visit.id, CSV, "after tuning.csv", "J. Harrow", statement=statement)
    typed = Reading(
        values={"o2_dry": 4.1, "co_dry": 40.0, "stack_temperature": 190.0},
        phase="as_left",
        firing_rate=75.0,
    )
    field.add_readings(visit.id, [(new_id(), typed)], "J. Harrow")
    field.add_photo(visit.id, PICTURE, "seat.png", "J. Harrow", caption="the seat")
    field.hand_in(visit.id, "J. Harrow")
    return visit


def known(visit: Visit) -> UUID:
    """Return the id that the book gave a visit."""
    assert visit.id is not None
    return visit.id


def test_everything_goes_up_and_a_repeat_changes_nothing(field: Intake, office: Office) -> None:
    visit = worked(field)
    first = meeting(field, office).send()
    assert first.clean, first
    same(field, office.intake, known(visit))
    assert visit.id is not None
    before = len(office.intake.trail(visit.id))
    second = meeting(field, office).send()
    assert second.clean and not second.done
    assert len(office.intake.trail(visit.id)) == before
    assert office.intake.book.verify() == []


def test_each_sending_of_one_field_book_tells_of_itself_alone(
    field: Intake, office: Office
) -> None:
    worked(field)
    book = meeting(field, office)
    assert len(book.send().done) > 1
    (site,) = field.sites()
    field.put_site(site.model_copy(update={"name": "Weir Road"}), "J. Harrow")
    assert book.send().done == ["site Weir Road sent"]
    assert book.send().done == book.fetch().done == []


def test_a_link_that_loses_four_calls_in_ten_gets_it_all_through_once(
    field: Intake, office: Office
) -> None:
    visit = worked(field)
    sent_over_a_lossy_line(field, office, 20261102, most=30)
    same(field, office.intake, known(visit))
    assert visit.id is not None
    actions = [line["action"] for line in office.intake.trail(visit.id)]
    assert actions.count("visit_opened") == actions.count("handed_in") == 1
    assert actions.count("readings_added") == 1
    assert office.intake.book.verify() == []


def test_both_changed_a_document_shows_both_and_overwrites_neither(
    field: Intake, office: Office
) -> None:
    visit = worked(field)
    meeting(field, office).send()
    boiler = field.visit(visit.id).boiler  # type: ignore[arg-type]
    assert boiler is not None and boiler.id is not None
    field.put_boiler(boiler.model_copy(update={"name": "Named here"}), "J. Harrow")
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
    visit = worked(field)
    meeting(field, office).send()
    boiler = field.visit(visit.id).boiler  # type: ignore[arg-type]
    assert boiler is not None and boiler.id is not None
    field.put_boiler(boiler.model_copy(update={"name": "Named here"}), "J. Harrow")
    office.intake.put_boiler(boiler.model_copy(update={"name": "Named there"}), "L. Sorrel")
    assert meeting(field, office, whose={boiler.id: "office"}).fetch().clean
    assert field.boiler(boiler.id).document.name == "Named there"


def test_only_one_side_changed_needs_nobody(field: Intake, office: Office) -> None:
    visit = worked(field)
    meeting(field, office).send()
    boiler = field.visit(visit.id).boiler  # type: ignore[arg-type]
    assert boiler is not None and boiler.id is not None
    office.intake.put_boiler(boiler.model_copy(update={"name": "Named there"}), "L. Sorrel")
    assert meeting(field, office).fetch().clean
    assert field.boiler(boiler.id).document.name == "Named there"
    now = field.boiler(boiler.id).document
    field.put_boiler(now.model_copy(update={"serial": "K-77"}), "J. Harrow")
    assert meeting(field, office).send().clean
    assert office.intake.boiler(boiler.id).document.serial == "K-77"


def test_a_visit_sent_back_comes_down_with_its_words_and_goes_up_again(
    field: Intake, office: Office
) -> None:
    visit = worked(field)
    assert visit.id is not None
    meeting(field, office).send()
    office.intake.send_back(visit.id, "L. Sorrel", "low fire is missing")
    fetched = meeting(field, office).fetch()
    assert any("low fire is missing" in line for line in fetched.done)
    assert field.visit(visit.id).state == "sent_back"
    low = Reading(
        values={"o2_dry": 5.6, "co_dry": 20.0, "stack_temperature": 120.0},
        phase="as_left",
        firing_rate=50.0,
    )
    field.add_readings(visit.id, [(new_id(), low)], "J. Harrow")
    field.hand_in(visit.id, "J. Harrow")
    assert meeting(field, office).send().clean
    same(field, office.intake, known(visit))
    office.intake.accept(visit.id, "L. Sorrel", "seen with the owner")
    meeting(field, office).fetch()
    assert field.visit(visit.id).state == "accepted"


def test_history_comes_down_and_judges_here_as_there(field: Intake, office: Office) -> None:
    past = worked(office.intake)
    assert past.id is not None
    office.intake.accept(past.id, "L. Sorrel", "seen with the owner")
    fetched = meeting(field, office).fetch()
    assert fetched.clean
    here, there = (
        [(p.key, p.values) for p in intake.visit(past.id).points]
        for intake in (field, office.intake)
    )
    assert here == there
    again = meeting(field, office).fetch()
    assert again.clean and not again.done
    assert not any("past visits" in line for line in meeting(field, office).send().stays)
    document = {"boiler_id": past.boiler_id, "started": "2027-11-02T08:00:00+00:00"}
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
    visit = worked(field)
    monkeypatch.setenv("FLUEBOOK_KEY", office.secret)
    book = str(tmp_path / "field.db")
    given = ["--book", book, "--office", office.address, "--who", "J. Harrow"]
    sent = CliRunner().invoke(main, ["send", *given])
    assert sent.exit_code == 0, sent.output
    same(field, office.intake, known(visit))
    fetched = CliRunner().invoke(main, ["fetch", *given])
    assert fetched.exit_code == 0, fetched.output
    gone = ["--book", book, "--office", "http://127.0.0.1:9", "--who", "J. Harrow"]
    monkeypatch.setattr("fluebook.connection._FIRST_WAIT_S", 0.0)
    lost = CliRunner().invoke(main, ["send", *gone])
    assert lost.exit_code == 2
    assert "No signal" in lost.output
    assert json.dumps(office.secret) not in lost.output
