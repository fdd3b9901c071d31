"""Corrections of single readings and jobs between a field book and its office, both ways."""

from __future__ import annotations

from pathlib import Path
from uuid import UUID

import pytest
from typer.testing import CliRunner

from api.command import main
from fluebook.field_book import conflict_lines
from ingest.documents import job_from
from ingest.identifiers import new_id
from ingest.intake import Intake, Statement
from tests.api.conftest import CSV
from tests.fluebook.field_case import (
    JOB,
    PERSON,
    Office,
    corrections,
    meeting,
    opened_visit,
    reading,
    running_office,
    same,
)


@pytest.fixture
def sent(field: Intake, office: Office) -> tuple[UUID, UUID]:
    """A visit that both have, with a typed reading and a file; and the typed reading's id."""
    visit_id, typed = opened_visit(field), new_id()
    field.add_readings(visit_id, [(typed, reading(4.1))], PERSON)
    statement = Statement(rates=(100.0, 25.0), phase="as_left")
    field.add_file(visit_id, CSV, "after tuning.csv", PERSON, statement=statement)
    assert meeting(field, office).send().clean
    return visit_id, typed


def of_file(intake: Intake, visit_id: UUID) -> UUID:
    """Return the first reading of the visit's file, as this book knows it."""
    return next(k.id for k in intake.visit(visit_id).readings if k.attachment_id is not None)


def test_a_correction_goes_up_once_with_who_when_and_why(
    field: Intake, office: Office, sent: tuple[UUID, UUID]
) -> None:
    visit_id, typed = sent
    field.supersede_reading(typed, reading(4.7), "T. Ortiz", "digits exchanged")
    field.supersede_reading(of_file(field, visit_id), None, PERSON, "the probe fell out")
    for _ in range(2):
        assert meeting(field, office).send().clean
        same(field, office.intake, visit_id)
    (there,) = [k for k in office.intake.all_readings(visit_id) if k.id == typed]
    (here,) = [k for k in field.all_readings(visit_id) if k.id == typed]
    assert there.superseded_who == "T. Ortiz (laptop 1)"
    assert there.superseded_at == here.superseded_at
    assert there.superseded_by == here.superseded_by
    lines = office.intake.trail(visit_id)
    (line,) = [one for one in lines if one["details"].get("old") == str(typed)]
    assert line["at"] > line["details"]["made_at"] == here.superseded_at


def test_a_correction_of_the_office_comes_down_once(
    field: Intake, office: Office, sent: tuple[UUID, UUID]
) -> None:
    visit_id, typed = sent
    first = of_file(office.intake, visit_id)
    office.intake.supersede_reading(typed, reading(4.7), "L. Sorrel", "digits exchanged")
    office.intake.supersede_reading(first, None, "L. Sorrel", "not this boiler")
    fetched = meeting(field, office).fetch()
    assert fetched.clean and sum("corrected at the office" in line for line in fetched.done) == 2
    same(field, office.intake, visit_id)
    (here,) = [k for k in field.all_readings(visit_id) if k.id == typed]
    assert (here.superseded_who, here.superseded_why) == ("office: L. Sorrel", "digits exchanged")
    again = meeting(field, office).fetch()
    assert again.clean and not again.done
    assert meeting(field, office).send().clean
    same(field, office.intake, visit_id)


@pytest.mark.parametrize("whose", ["mine", "office"])
@pytest.mark.parametrize(
    ("here", "there"),
    [(reading(4.7), reading(4.9)), (None, reading(4.9)), (reading(4.7), None)],
    ids=["two versions", "taken out here", "taken out there"],
)
def test_both_corrected_a_reading_shows_both_until_a_person_says(
    field: Intake,
    office: Office,
    sent: tuple[UUID, UUID],
    here: object,
    there: object,
    whose: str,
) -> None:
    visit_id, typed = sent
    field.supersede_reading(typed, here, PERSON, "mine is right")  # type: ignore[arg-type]
    office.intake.supersede_reading(typed, there, "L. Sorrel", "no, mine")  # type: ignore[arg-type]
    for act in (meeting(field, office).send, meeting(field, office).fetch):
        (conflict,) = act().conflicts
        text = "\n".join(conflict_lines(conflict))
        assert "mine is right" in text and "no, mine" in text
        assert conflict.id == str(typed) and f"--theirs {typed}" in text
    decided = meeting(field, office, whose={typed: whose})
    outcome = decided.send() if whose == "mine" else decided.fetch()
    assert outcome.clean, outcome
    stands = here if whose == "mine" else there
    for book in (field, office.intake):
        loose = [k for k in book.visit(visit_id).readings if k.attachment_id is None]
        wanted = [] if stands is None else [stands.values["o2_dry"]]  # type: ignore[attr-defined]
        assert [k.reading.values["o2_dry"] for k in loose] == wanted
        assert book.book.verify() == []
    for last in (meeting(field, office).send(), meeting(field, office).fetch()):
        assert last.clean, last


def test_a_visit_corrected_and_finished_at_the_office_is_so_here(
    field: Intake, office: Office, sent: tuple[UUID, UUID]
) -> None:
    visit_id, typed = sent
    field.hand_in(visit_id, PERSON)
    assert meeting(field, office).send().clean
    office.intake.send_back(visit_id, "L. Sorrel", "look at 75 %")
    office.intake.supersede_reading(typed, reading(4.7), "L. Sorrel", "digits exchanged")
    office.intake.hand_in(visit_id, "L. Sorrel")
    office.intake.accept(visit_id, "L. Sorrel", "seen with the owner")
    assert meeting(field, office).fetch().clean
    assert field.visit(visit_id).state == "accepted"
    same(field, office.intake, visit_id)
    for quiet in (meeting(field, office).fetch(), meeting(field, office).send()):
        assert quiet.clean and not quiet.done


def test_what_was_changed_here_after_the_office_finished_it_is_said_and_not_lost(
    field: Intake, office: Office, sent: tuple[UUID, UUID]
) -> None:
    visit_id, typed = sent
    office.intake.hand_in(visit_id, "L. Sorrel")
    field.supersede_reading(typed, reading(4.7), PERSON, "digits exchanged")
    for act in (meeting(field, office).send, meeting(field, office).fetch):
        (said,) = act().refused
        assert "have it sent back" in said
    office.intake.send_back(visit_id, "L. Sorrel", "yes, correct it")
    assert any("yes, correct it" in line for line in meeting(field, office).fetch().done)
    assert meeting(field, office).send().clean
    field.hand_in(visit_id, PERSON)
    assert meeting(field, office).send().clean
    same(field, office.intake, visit_id)


def test_history_that_was_corrected_before_it_was_accepted_comes_down_corrected(
    field: Intake, office: Office
) -> None:
    there = office.intake
    past, typed = opened_visit(there), new_id()
    there.add_readings(past, [(typed, reading(4.1)), (new_id(), reading(5.0, 50.0))], "L. Sorrel")
    there.hand_in(past, "L. Sorrel")
    assert meeting(field, office).fetch().clean
    there.send_back(past, "L. Sorrel", "look at 75 %")
    there.supersede_reading(typed, reading(4.7), "L. Sorrel", "digits exchanged")
    there.hand_in(past, "L. Sorrel")
    assert meeting(field, office).fetch().clean
    assert corrections(field, past) == corrections(there, past)
    assert field.visit(past).points == there.visit(past).points
    assert field.book.verify() == []


def test_a_job_comes_down_goes_up_and_two_versions_are_shown(
    field: Intake, office: Office, sent: tuple[UUID, UUID]
) -> None:
    visit_id, _ = sent
    site = field.visit(visit_id).site
    assert site is not None
    job = office.intake.put_job(
        job_from({**JOB, "site_id": str(site.id)}, "job"), "L. Sorrel"
    ).document
    assert job.id is not None
    assert meeting(field, office).fetch().clean
    assert field.job(job.id).document == job
    visit = field.visit(visit_id).visit
    field.put_visit(visit.model_copy(update={"job_id": job.id}), PERSON)
    mine = field.put_job(job.model_copy(update={"note": "key at the desk"}), PERSON).document
    assert meeting(field, office).send().clean
    assert office.intake.job(job.id).document == mine
    same(field, office.intake, visit_id)
    field.put_job(mine.model_copy(update={"note": "written here"}), PERSON)
    office.intake.put_job(mine.model_copy(update={"note": "written there"}), "L. Sorrel")
    for act in (meeting(field, office).send, meeting(field, office).fetch):
        (conflict,) = act().conflicts
        assert conflict.differences == {"/note": ("written here", "written there")}
    assert meeting(field, office, whose={job.id: "mine"}).send().clean
    assert office.intake.job(job.id).document.note == "written here"


def test_a_visit_is_handed_in_with_its_job_as_it_was_then(
    field: Intake, office: Office, sent: tuple[UUID, UUID]
) -> None:
    visit_id, _ = sent
    view = field.visit(visit_id)
    assert view.site is not None
    job = field.put_job(job_from({**JOB, "site_id": str(view.site.id)}, "job"), PERSON).document
    field.put_visit(view.visit.model_copy(update={"job_id": job.id}), PERSON)
    field.hand_in(visit_id, PERSON)
    later = field.put_job(job.model_copy(update={"people": ["A. Merrow"]}), PERSON).document
    assert meeting(field, office).send().clean
    assert job.id is not None
    assert office.intake.visit(visit_id).job == field.visit(visit_id).job == job
    assert office.intake.job(job.id).document == later


def test_a_technicians_key_sends_and_boilers_it_may_not_make_are_named(
    field: Intake, tmp_path: Path
) -> None:
    with running_office(tmp_path / "strict.db", role="technician") as office:
        known = opened_visit(office.intake)
        boiler = office.intake.visit(known).boiler
        assert boiler is not None
        assert meeting(field, office).fetch().clean
        allowed = opened_visit(field)
        new_boiler = field.visit(allowed).boiler
        field.put_visit(
            field.visit(allowed).visit.model_copy(update={"boiler_id": boiler.id}), PERSON
        )
        field.add_readings(allowed, [(new_id(), reading(4.1))], PERSON)
        field.hand_in(allowed, PERSON)
        other = opened_visit(field)
        outcome = meeting(field, office).send()
        assert office.intake.visit(allowed).state == "handed_in"
        assert new_boiler is not None
        assert any(f"visit {other}: stays here" in line for line in outcome.refused)
        assert sum("403" in line for line in outcome.refused) == 4  # two sites, two boilers
        office.intake.send_back(allowed, "L. Sorrel", "one more reading")
        assert "one more reading" in str(meeting(field, office).fetch().done)


def test_what_never_goes_up_is_named(
    field: Intake,
    office: Office,
    sent: tuple[UUID, UUID],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    visit_id, _ = sent
    (file,) = field.visit(visit_id).attachments
    field.withdraw_file(visit_id, file.id, PERSON, "the wrong boiler")
    field.hand_in(visit_id, PERSON)
    field.accept(visit_id, PERSON, "seen")
    monkeypatch.setenv("FLUEBOOK_KEY", office.secret)
    given = ["--book", str(tmp_path / "field.db"), "--office", office.address, "--who", PERSON]
    told = CliRunner().invoke(main, ["send", *given]).output
    assert "Stays where it is: 1 acceptances made on this book" in told
    assert "after tuning.csv was withdrawn here (the wrong boiler)" in told
    assert office.intake.visit(visit_id).state == "handed_in"


def test_a_name_in_any_script_signs(field: Intake, office: Office) -> None:
    visit_id, typed = opened_visit(field), new_id()
    field.add_readings(visit_id, [(typed, reading(4.1))], PERSON)
    field.supersede_reading(typed, reading(4.7), "Łucja Nuñez", "digits exchanged")
    assert meeting(field, office).send().clean
    (there,) = [k for k in office.intake.all_readings(visit_id) if k.id == typed]
    assert there.superseded_who == "Łucja Nuñez (laptop 1)"
