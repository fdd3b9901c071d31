"""The demo: one address, the cooperative behind it, gone afterwards."""

from __future__ import annotations

import re
import urllib.request
from pathlib import Path

from typer.testing import CliRunner

from api.command import main
from api.demo import fill
from api.report.from_book import make_report
from api.report.given import ReportOptions
from ingest.intake import Intake
from ingest.store import Book
from samples.cooperative import COMPANY, visits
from tests.browser import running_demo


def test_demo_says_how_many_visits_are_flagged_and_ends() -> None:
    shown = CliRunner().invoke(main, ["demo", "--no-serve"])
    assert shown.exit_code == 0
    assert re.search(r"5 visits are flagged and wait for review, 2 with a stop", shown.stdout)
    assert "http" not in shown.stdout


def test_demo_prints_one_address_that_shows_the_flagged_visits() -> None:
    opener = urllib.request.build_opener(urllib.request.HTTPCookieProcessor())
    with running_demo("--port", "0") as address, opener.open(address) as answer:
        text = answer.read().decode()
    assert "A. Merrow" in text
    assert "5 visits wait with findings" in text
    assert text.count('class="visit edge stop"') == 2


def test_cooperative_goes_in_by_the_one_door_and_its_trail_holds(tmp_path: Path) -> None:
    made = list(visits())
    with Book(tmp_path / "book.db", durable=False) as book:
        intake = Intake(book)
        fill(intake)
        assert len(intake.boilers()) == 8
        assert len(intake.sites()) == 3
        files = sum(len(one.files) for _, one in made)
        kept = book.reader.execute("SELECT COUNT(*) FROM attachment").fetchone()[0]
        assert kept == files + 1  # and one log
        open_visit = next(one.visit.id for _, one in made if not one.handed_in)
        assert open_visit is not None
        ((log, taken),) = intake.logs(open_visit).items()
        cut = intake.log_cut(open_visit, log)
        assert not taken
        assert len(cut.plateaus) == len(cut.waiting) == 7  # five rates up, one again, one down
        told = {str(one.visit.id): one.story for _, one in made if one.story and one.story.rule}
        flagged = {str(v.visit_id) for v in intake.review_list() if v.worst not in (None, "info")}
        assert flagged == set(told)
        # What the page shows of a visit that waits is what was signed of it.
        waits = next(one.visit_id for one in intake.review_list())
        options = ReportOptions(language="en")
        shown = make_report(
            intake, waits, intake.plans(), "R. Calder", options=options, company=COMPANY, keep=False
        )
        assert shown.report_id == f"{waits}/1"
        assert book.verify() == []
