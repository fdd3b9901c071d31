"""Report and due list of a real book: the chain holds the content, commands say the same."""

from __future__ import annotations

import io
import json
import sqlite3
from datetime import datetime, timedelta, timezone
from pathlib import Path
from typing import Any
from uuid import UUID

import pytest
from pypdf import PdfReader
from typer.testing import CliRunner

from api.command import main
from api.due_list import due_in_book
from api.pages.show import Shown
from api.report.content import content
from api.report.from_book import MADE, make_report, report_input, signed_report, signing
from api.report.from_folder import folder_input
from api.report.given import ReportOptions
from api.report.service import service_blocks
from api.words import Words
from ingest.folder import Stated
from ingest.identifiers import new_id
from ingest.intake import Intake, Signing, Statement
from ingest.models import Boiler, Visit
from ingest.service.intervals import end_of_month
from ingest.service.office import office_plans
from ingest.store import Book, NotFound, verify_file
from samples.service import filled_document, two_yearly_plan
from tests.api.report_case import png

START = datetime(2026, 11, 20, 7, 30, tzinfo=timezone(timedelta(hours=1)))
CSV = b"O2 %,CO ppm,Stack temperature degC,Air temperature degC\n4.2,30,70,18\n6.1,12,52,18\n"
PLANS = office_plans()


@pytest.fixture
def place(tmp_path: Path) -> Path:
    return tmp_path / "book.db"


def filled(place: Path, *, hand_in: bool = True, **more: Any) -> UUID:
    """Make a book with one handed-in two-yearly visit; return the visit's id."""
    boiler = Boiler.model_validate(
        {
            "id": str(new_id()),
            "name": "Boiler 2",
            "condensing": True,
            "installed": "2024-11-15",
            "van": "van 3",
        }
    )
    visit = Visit.model_validate(
        {
            "id": str(new_id()),
            "boiler_id": str(boiler.id),
            "started": START.isoformat(),
            "how_left": "running",
            "adjusted": False,
            "service": filled_document(two_yearly_plan(), START),
        }
        | more
    )
    assert visit.id is not None
    with Book(place) as book:
        intake = Intake(book)
        intake.put_boiler(boiler, "office")
        intake.put_visit(visit, "ilka")
        statement = Statement(rates=(100.0, 20.0), phase="as_left", fuel="natural_gas")
        intake.add_file(visit.id, CSV, "log.csv", "ilka", statement=statement)
        if hand_in:
            intake.hand_in(visit.id, "ilka")
    return visit.id


def test_the_same_visit_gives_the_same_bytes_and_one_line_in_the_chain(place: Path) -> None:
    identity = filled(place)
    with Book(place) as book:
        intake = Intake(book)
        first = make_report(intake, identity, PLANS, "ilka")
        again = make_report(intake, identity, PLANS, "head")
        lines = [r for r in intake.trail(identity) if r["action"] == MADE]
    assert first == again
    assert [r["details"]["content_sha256"] for r in lines] == [first.content_sha256]
    assert verify_file(place) == []


def sign(intake: Intake, identity: UUID, name: str = "") -> Signing:
    return signing(intake, identity, PLANS, printed_name=name)


def test_hand_in_and_acceptance_keep_the_report_and_sign_its_content(place: Path) -> None:
    identity = filled(place, hand_in=False)
    with Book(place) as book:
        intake = Intake(book)
        intake.hand_in(identity, "ilka", sign=sign(intake, identity, "Ilka Brandvoll"))
        intake.accept(identity, "runa", "seen", sign=sign(intake, identity))
        made = make_report(intake, identity, PLANS, "runa")
        given = report_input(intake, intake.visit(identity), PLANS)
        lines = intake.trail(identity)
    assert [r["action"] for r in lines][-3:] == [MADE, "handed_in", "accepted"]
    kept, handed_in, accepted = (r["details"] for r in lines[-3:])
    assert kept["content_sha256"] == made.content_sha256
    for act in (handed_in, accepted):
        assert act["report_sha256"] == made.content_sha256
        assert act["report_id"] == made.report_id == f"{identity}/1"
    signed = {s.act: s for s in given.signatures}
    assert (signed["handed_in"].account, signed["handed_in"].name) == ("ilka", "Ilka Brandvoll")
    assert (signed["accepted"].account, signed["accepted"].name) == ("runa", "runa")
    text = "".join(p.extract_text() for p in PdfReader(io.BytesIO(made.data)).pages)
    assert "".join(text.split()).count(made.content_sha256) == 3
    assert "another content" not in text
    assert verify_file(place) == []


def test_a_signed_content_that_is_lost_from_the_book_is_found(place: Path) -> None:
    identity = filled(place, hand_in=False)
    with Book(place) as book:
        intake = Intake(book)
        intake.hand_in(identity, "ilka", sign=sign(intake, identity))
        made = next(e for e in intake.trail(identity) if e["action"] == MADE)["details"]
    sha256 = made["content_sha256"]
    with sqlite3.connect(place) as connection:
        connection.execute("DELETE FROM evidence WHERE sha256 = ?", (sha256,))
    connection.close()
    assert [f.where for f in verify_file(place)] == [f"evidence {sha256}"]


def test_a_picture_withdrawn_since_still_stands_in_what_was_signed(place: Path) -> None:
    identity = filled(place, hand_in=False)
    with Book(place) as book:
        intake = Intake(book)
        intake.add_photo(identity, png(30, 20), "head.png", "ilka")
        intake.hand_in(identity, "ilka", sign=sign(intake, identity))
        lines = intake.trail(identity)
        sha256 = next(e for e in lines if e["action"] == MADE)["details"]["content_sha256"]
        before = signed_report(intake, identity, sha256)
        intake.send_back(identity, "runa", "the wrong picture")
        picture = next(a for a in intake.visit(identity).attachments if a.kind == "photo")
        intake.withdraw_file(identity, picture.id, "ilka", "the wrong picture")
        after = signed_report(intake, identity, sha256)
    images = [sum(len(p.images) for p in PdfReader(io.BytesIO(d)).pages) for d in (before, after)]
    assert images[0] == images[1] > 0


def test_an_act_that_kept_no_report_says_so(place: Path) -> None:
    identity = filled(place)
    with Book(place) as book:
        given = report_input(Intake(book), Intake(book).visit(identity), PLANS)
    assert [s.report_sha256 for s in given.signatures] == [""]


def test_a_number_counts_contents_and_a_later_report_names_the_one_it_replaces(
    place: Path,
) -> None:
    identity = filled(place, hand_in=False)
    with Book(place) as book:
        intake = Intake(book)
        intake.hand_in(identity, "ilka", sign=sign(intake, identity))
        us = make_report(intake, identity, PLANS, "ilka", options=ReportOptions(units="us"))
        first = make_report(intake, identity, PLANS, "ilka")
        assert us.report_id == first.report_id  # the same facts in other units
        assert us.content_sha256 != first.content_sha256
        intake.send_back(identity, "runa", "Check the drain.")
        same = make_report(intake, identity, PLANS, "ilka")
        assert (same.report_id, same.content_sha256) == (first.report_id, first.content_sha256)
        visit = intake.visit(identity).visit
        intake.put_visit(visit.model_copy(update={"note": "Drain re-hung."}), "ilka")
        intake.hand_in(identity, "ilka", sign=sign(intake, identity))
        second = make_report(intake, identity, PLANS, "ilka")
        given = report_input(intake, intake.visit(identity), PLANS)
    assert (first.report_id, second.report_id) == (f"{identity}/1", f"{identity}/2")
    acts = [s.report_sha256 for s in given.signatures if s.act == "handed_in"]
    assert acts == [first.content_sha256, second.content_sha256]
    text = "".join(p.extract_text() for p in PdfReader(io.BytesIO(second.data)).pages)
    text = "".join(text.split())
    assert f"Replaces{first.report_id}" in text
    assert first.content_sha256 in text and second.content_sha256 in text
    assert "anothercontentthanthisone" in text  # the first hand-in signed the report replaced


def test_a_visit_changed_and_changed_back_is_the_same_report(place: Path) -> None:
    identity = filled(place, hand_in=False)
    with Book(place) as book:
        intake = Intake(book)
        first = make_report(intake, identity, PLANS, "ilka")
        visit = intake.visit(identity).visit
        intake.put_visit(visit.model_copy(update={"note": "x"}), "ilka")
        assert make_report(intake, identity, PLANS, "ilka", keep=False).report_id[-2:] == "/2"
        intake.put_visit(visit, "ilka")
        assert make_report(intake, identity, PLANS, "head") == first


def test_the_service_part_is_judged_and_its_plan_is_named(place: Path) -> None:
    identity = filled(place)
    with Book(place) as book:
        intake = Intake(book)
        given = report_input(intake, intake.visit(identity), PLANS)
        rules = {f.rule for f in given.judgement.flags}
        assert {"finding_open", "safety_test_simulated"} <= rules
        assert "task_missing" not in {n.rule for n in given.judgement.not_judged}
        without = report_input(intake, intake.visit(identity), {})
    assert {"task_missing", "safety_test_missing"} <= {n.rule for n in without.judgement.not_judged}
    assert content(given, ReportOptions()).sha256 != content(without, ReportOptions()).sha256


def test_the_report_never_judges_by_another_version_of_the_plan(place: Path) -> None:
    record = filled_document(two_yearly_plan(), START) | {"plan_version": "1999.1"}
    identity = filled(place, service=record)
    with Book(place) as book:
        intake = Intake(book)
        given = report_input(intake, intake.visit(identity), PLANS)
    assert given.plan is None
    assert "task_missing" in {n.rule for n in given.judgement.not_judged}


def test_a_folder_is_never_judged_by_another_version_of_the_plan(place: Path) -> None:
    record = filled_document(two_yearly_plan(), START) | {"plan_version": "1999.1"}
    stated = Stated(rates=(100.0, 20.0), phase="as_left")
    given = folder_input(folder_of(place, service=record), PLANS, stated=stated)
    assert given.plan is None
    assert "task_missing" in {n.rule for n in given.judgement.not_judged}


def test_no_such_visit(place: Path) -> None:
    filled(place)
    with Book(place) as book, pytest.raises(NotFound):
        make_report(Intake(book), new_id(), PLANS, "x")


def test_the_report_command_writes_pdf_and_html_with_one_content(
    place: Path, tmp_path: Path
) -> None:
    identity, run = filled(place), CliRunner()
    said = []
    for name in ("r.pdf", "r.html"):
        out = tmp_path / name
        given = ["report", str(identity), "--book", str(place), "--out", str(out), "--units", "si"]
        answer = run.invoke(main, given)
        assert answer.exit_code == 0, answer.output
        said.append(answer.output.split("SHA-256 ")[1].strip())
        assert out.read_bytes().startswith(b"%PDF" if name == "r.pdf" else b"<!doctype html>")
    assert said[0] == said[1]


@pytest.mark.parametrize(
    ("given", "status"),
    [
        (["report", "x"], 64),
        (["report", str(UUID(int=1)), "--paper", "a5"], 64),
        (["report", str(UUID(int=1)), "--language", "de"], 64),
        (["report", str(UUID(int=1))], 2),
        (["due", "--until", "soon"], 64),
        (["due", "--until", "2027-03", "--plans", "nowhere"], 2),
    ],
)
def test_wrong_usage_is_told_apart_from_what_is_not_there(
    place: Path, given: list[str], status: int
) -> None:
    filled(place)
    answer = CliRunner().invoke(main, [*given, "--book", str(place)])
    assert answer.exit_code == status, answer.output


def folder_of(place: Path, **visit: Any) -> Path:
    folder = place.parent / "visit-7"
    folder.mkdir()
    (folder / "log.csv").write_bytes(CSV)
    (folder / "burner head.png").write_bytes(png(40, 30))
    (folder / "boiler.json").write_text(json.dumps({"name": "Boiler 2", "condensing": True}))
    document = {
        "started": START.isoformat(),
        "how_left": "running",
        "service": filled_document(two_yearly_plan(), START),
    } | visit
    (folder / "visit.json").write_text(json.dumps(document))
    return folder


def test_a_filled_folder_gives_the_same_service_part_as_the_book(place: Path) -> None:
    identity = filled(place)
    with Book(place) as book:
        intake = Intake(book)
        kept = report_input(intake, intake.visit(identity), PLANS)
    stated = Stated(rates=(100.0, 20.0), phase="as_left")
    given = folder_input(folder_of(place), PLANS, stated=stated)
    words, shown = Words(), Shown("si")
    assert service_blocks(given, shown, words) == service_blocks(kept, shown, words)
    assert [p.caption for p in given.photos] == ["burner head"]


def test_the_command_reports_a_folder_without_a_book(place: Path) -> None:
    folder = folder_of(place)
    out = place.parent / "r.pdf"
    given = ["report", str(folder), "--rates", "100,20", "--phase", "as-left", "--out", str(out)]
    answer = CliRunner().invoke(main, given)
    assert answer.exit_code == 0, answer.output
    assert "not in an audit chain" in answer.output
    text = "".join(p.extract_text() for p in PdfReader(io.BytesIO(out.read_bytes())).pages)
    assert "Not signed yet" in text
    assert "burner head" in text


@pytest.mark.parametrize(
    ("more", "visit", "status"),
    [
        (["--rates", "a,b"], {}, 64),
        (["--phase", "later"], {}, 64),
        ([], {}, 2),  # the readings state no rate
        (["--rates", "100,20", "--phase", "as-left"], {"started": None}, 2),
    ],
)
def test_a_folder_that_cannot_be_reported_says_why(
    place: Path, more: list[str], visit: dict[str, Any], status: int
) -> None:
    answer = CliRunner().invoke(main, ["report", str(folder_of(place, **visit)), *more])
    assert answer.exit_code == status, answer.output
    assert answer.output.strip()


def test_due_counts_from_the_finished_visit(place: Path) -> None:
    filled(place)
    with Book(place) as book:
        found = due_in_book(Intake(book), end_of_month("2027-11-19"), PLANS)
        # Everything was done on 20 November 2026: until the day before its anniversary only the
        # parts that were not replaced (two years since 15 November 2024) and the open finding wait.
        assert {i.kind for i in found.items} == {"part", "finding"}
        later = due_in_book(Intake(book), end_of_month("2027-11"), PLANS)
    assert {i.on.isoformat() for i in later.items if i.kind == "test"} == {"2027-11-20"}
    assert {p.van for p in later.picks} == {"van 3"}


def test_the_due_command_prints_json_and_a_calendar(place: Path, tmp_path: Path) -> None:
    filled(place)
    out = tmp_path / "due.ics"
    given = ["due", "--until", "2028-12", "--book", str(place)]
    plain = CliRunner().invoke(main, given)
    assert plain.exit_code == 0, plain.output
    assert "Parts to pick" in plain.output
    answer = CliRunner().invoke(main, [*given, "--json", "--ical", str(out)])
    document = json.loads(answer.output)
    assert document["format"] == "fluebook.due/1"
    assert len(document["due"]) > 20
    assert out.read_bytes().startswith(b"BEGIN:VCALENDAR\r\n")


def test_a_boiler_that_cannot_be_looked_at_is_named(place: Path) -> None:
    with Book(place) as book:
        intake = Intake(book)
        intake.put_boiler(Boiler(name="No date"), "office")
        intake.put_boiler(Boiler(name="No plan", plans=["own"]), "office")
        found = due_in_book(intake, end_of_month("2027"), PLANS)
    assert set(found.not_looked_at) == {"No date", "No plan"}
