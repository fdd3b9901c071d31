"""Plans of the book: kept by version, followed by every judging, named by what was frozen."""

from __future__ import annotations

import json
import sqlite3
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from api.command import main
from ingest.intake import Intake
from ingest.judgement import Judgement
from ingest.service.office import SHIPPED, office_plans
from ingest.store import Book, NotFound, StateConflict
from samples.service import filled_document, two_yearly_plan
from tests.ingest.books import CLEAN, RATES, open_book, with_boiler, with_visit

START = datetime(2026, 3, 4, 8, tzinfo=UTC)
PLAN = two_yearly_plan()


def lacking_gasket() -> dict[str, Any]:
    """Return a record in which a mandatory task of the plan was left out."""
    record = filled_document(PLAN, START)
    record["tasks"] = [t for t in record["tasks"] if t["task"] != "burner_gasket"]
    return record


def missing_tasks(judgement: Judgement) -> list[str]:
    return [f.message for f in judgement.flags if f.rule == "task_missing"]


def handed_in(intake: Intake, record: dict[str, Any], **boiler: object) -> Any:
    visit = with_visit(intake, with_boiler(intake, condensing=True, **boiler), service=record)
    intake.add_file(visit, CLEAN, "boiler.csv", "T. Hale", statement=RATES)
    intake.hand_in(visit, "T. Hale")
    return visit


def test_a_plan_is_kept_once_and_a_changed_one_needs_a_version_of_its_own(tmp_path: Path) -> None:
    with open_book(tmp_path) as book:
        intake = Intake(book)
        assert intake.put_plan(PLAN, "office")
        assert not intake.put_plan(PLAN, "office")
        changed = PLAN.model_copy(update={"title": "Another"})
        with pytest.raises(StateConflict, match="version of its own"):
            intake.put_plan(changed, "office")
        newer = changed.model_copy(update={"version": "2027.1"})
        assert intake.put_plan(newer, "office")
        assert intake.plans() == {PLAN.key: newer}
        assert intake.plan(PLAN.key, PLAN.version) == PLAN
        assert book.verify() == []


def test_a_removed_plan_is_out_of_use_until_it_is_brought_in_again(tmp_path: Path) -> None:
    office = office_plans(SHIPPED)
    assert "condensing-gas-yearly" in PLAN.includes
    with open_book(tmp_path) as book:
        intake = Intake(book)
        boiler = with_boiler(intake, condensing=True)
        yearly = office["condensing-gas-yearly"]
        with pytest.raises(StateConflict, match=f"is included by {PLAN.key};"):
            intake.remove_plan(yearly.key, "B. Lund", intake.plans_in_force(office))
        assert intake.removed_plans() == {} == intake.plans()
        # A plan of the office's files comes into the book with its removal.
        name = book.reader.execute("SELECT name FROM boiler").fetchone()[0]
        assert intake.look_at_removal(PLAN.key, intake.plans_in_force(office)) == [name]
        intake.remove_plan(PLAN.key, "B. Lund", intake.plans_in_force(office))
        assert PLAN.key not in {**intake.plans_in_force(office), **intake.plans()}
        assert intake.plan(PLAN.key, PLAN.version) == PLAN
        with pytest.raises(NotFound):
            intake.remove_plan(PLAN.key, "B. Lund", intake.plans_in_force(office))
        assert book.verify() == []
        # What followed it is judged by it, and what is nowhere removed by that nothing else is.
        visit = handed_in(intake, lacking_gasket())
        assert missing_tasks(intake.visit(visit).judgement)
        assert intake.put_plan(PLAN, "office")
        assert not intake.put_plan(PLAN, "office")
        assert intake.plans() == {PLAN.key: PLAN}
        assert boiler is not None
        with_boiler(intake, condensing=True, name="Named", plans=[PLAN.key])
        with pytest.raises(StateConflict, match=r"of 1 boiler\(s\), such as Named;"):
            intake.remove_plan(PLAN.key, "B. Lund", intake.plans_in_force(office))
        assert book.verify() == []
        trail = [
            x["action"] for x in intake.trail_lines(most=50) if x["subject"].startswith("plan")
        ]
        assert sorted(trail) == ["plan_added", "plan_brought_back", "plan_removed"]


def test_a_removal_put_in_behind_the_trail_is_found(tmp_path: Path) -> None:
    with open_book(tmp_path) as book:
        Intake(book).put_plan(PLAN, "office")
        path = book.path
    connection = sqlite3.connect(path)
    with connection:
        connection.execute("INSERT INTO removed_plan VALUES (?, '2026-01-01', 'x')", (PLAN.key,))
    connection.close()
    with Book(path) as book:
        assert [f.where for f in book.verify()] == [f"removed_plan {PLAN.key}"]


def test_hand_in_freezes_what_the_plan_misses_and_names_plan_and_version(tmp_path: Path) -> None:
    with open_book(tmp_path) as book:
        intake = Intake(book)
        intake.put_plan(PLAN, "office")
        visit = handed_in(intake, lacking_gasket())
        view = intake.visit(visit)
        frozen = view.judgements[-1]
        assert missing_tasks(frozen.judgement)
        assert (frozen.plan, frozen.plan_version) == (PLAN.key, PLAN.version)
        (line,) = [t for t in intake.trail(visit) if t["action"] == "handed_in"]
        assert line["details"]["plan"] == PLAN.key
        assert line["details"]["plan_version"] == PLAN.version
        assert intake.review_list()[0].worst == frozen.judgement.worst
        assert book.verify() == []


def test_a_later_version_of_the_plan_does_not_judge_work_done_under_the_earlier(
    tmp_path: Path,
) -> None:
    with open_book(tmp_path) as book:
        intake = Intake(book)
        intake.put_plan(PLAN, "office")
        visit = handed_in(intake, filled_document(PLAN, START))
        extra = PLAN.task[0].model_copy(update={"key": "new_task"})
        update = {"version": "2027.1", "task": [*PLAN.task, extra]}
        intake.put_plan(PLAN.model_copy(update=update), "office")
        again = intake.judge_again(visit, "office", "a new plan came")
        assert again.plan_version == PLAN.version
        assert missing_tasks(again.judgement) == []


def test_a_record_that_names_no_plan_is_held_to_the_only_one_of_its_boiler(tmp_path: Path) -> None:
    record = lacking_gasket()
    del record["plan"], record["plan_version"]
    with open_book(tmp_path) as book:
        intake = Intake(book)
        intake.put_plan(PLAN, "office")
        visit = handed_in(intake, record, plans=[PLAN.key])
        assert missing_tasks(intake.visit(visit).judgement)


@pytest.mark.parametrize("version", ["2031.4", None])
def test_without_its_plan_in_the_book_the_service_part_says_not_judged(
    tmp_path: Path, version: str | None
) -> None:
    record = lacking_gasket() | {"plan_version": version}
    with open_book(tmp_path) as book:
        intake = Intake(book)
        if version is not None:
            intake.put_plan(PLAN, "office")
        frozen = intake.visit(handed_in(intake, record)).judgements[-1]
        assert frozen.plan is None
        assert "task_missing" in {n.rule for n in frozen.judgement.not_judged}
        assert missing_tasks(frozen.judgement) == []


def test_a_book_from_before_plans_is_opened_and_keeps_its_judgements(tmp_path: Path) -> None:
    with open_book(tmp_path) as book:
        visit = handed_in(Intake(book), filled_document(PLAN, START))
    raw = sqlite3.connect(tmp_path / "book.db")
    raw.executescript(
        "DROP TABLE plan; ALTER TABLE judgement DROP COLUMN plan; "
        "ALTER TABLE judgement DROP COLUMN plan_version; "
        "DELETE FROM _sqlite_migrations WHERE name LIKE 'm003%'"
    )
    raw.close()
    with Book(tmp_path / "book.db") as book:
        intake = Intake(book)
        assert intake.visit(visit).judgements[-1].plan is None
        assert intake.plans() == {}
        assert book.verify() == []


def test_command_checks_adds_and_lists_plans(tmp_path: Path) -> None:
    run = CliRunner().invoke
    book = ["--book", str(tmp_path / "b.db")]
    added = run(main, ["plans", "add", str(SHIPPED), *book])
    assert added.exit_code == 0, added.output
    assert len(added.output.splitlines()) == len(office_plans())
    assert "was there already" in run(main, ["plans", "add", str(SHIPPED), *book]).output
    assert PLAN.title in run(main, ["plans", "list", *book]).output
    gone = run(main, ["plans", "remove", "call-out", *book])
    assert gone.output == "call-out is out of use; 0 boiler(s) were kept by it\n"
    assert "call-out" not in run(main, ["plans", "list", *book]).output
    again = run(main, ["plans", "remove", "call-out", *book])
    assert again.exit_code == 2
    assert "there is no plan call-out" in again.output
    wrong = tmp_path / "own.toml"
    wrong.write_text('format = "fluebook.plan/1"\nkey = "own"\nversion = "1"\n', encoding="utf-8")
    for arguments in (["check", str(wrong)], ["add", str(wrong), *book]):
        refused = run(main, ["plans", *arguments])
        assert refused.exit_code == 2
        assert "own.toml, line " in refused.output
    with Book(tmp_path / "b.db") as opened:
        assert "own" not in Intake(opened).plans()


def test_command_lets_plans_that_include_a_changed_one_take_it_in(tmp_path: Path) -> None:
    run, book = CliRunner().invoke, ["--book", str(tmp_path / "b.db")]
    assert run(main, ["plans", "add", str(SHIPPED), *book]).exit_code == 0
    (key,) = PLAN.includes
    text = (SHIPPED / f"{key}.toml").read_text(encoding="utf-8")
    own = tmp_path / f"{key}.toml"
    now = office_plans()[key].version
    for version, options in (("own.1", []), ("own.2", ["--take-in"])):
        changed = text.replace(f'version = "{now}"', f'version = "{version}"')
        own.write_text(
            changed.replace("interval_months = 12", "interval_months = 6", 1), encoding="utf-8"
        )
        added = run(main, ["plans", "add", str(own), *options, *book])
        assert added.exit_code == 0, added.output
        with Book(tmp_path / "b.db") as opened:
            held = Intake(opened).plans()
        taken = f"{PLAN.version}+own.2" if options else PLAN.version
        assert (held[key].version, held[PLAN.key].version) == (version, taken)
    assert f"{PLAN.key} {PLAN.version}+own.2" in added.output
    assert f"takes it in, after {PLAN.version}" in added.output


def test_a_book_of_a_program_that_took_no_plan_out_of_use_is_sound(tmp_path: Path) -> None:
    for removed in (False, True):
        path = tmp_path / f"{removed}.db"
        with Book(path) as book:
            intake = Intake(book)
            intake.put_plan(PLAN, "L. Sorrel")
            if removed:
                intake.remove_plan(PLAN.key, "L. Sorrel", intake.plans())
        with closing(sqlite3.connect(path)) as raw:
            raw.execute("DROP TABLE removed_plan")
        told = CliRunner().invoke(main, ["verify", str(path)])
        # One that did take it out of use, and says so in its trail, lacks a row.
        assert told.exit_code == int(removed), told.output
        assert ("removed_plan" in told.output) == removed


BOILER = {"name": "B-1", "fuel": "natural_gas", "condensing": True, "units": {}}


def a_folder(tmp_path: Path, record: dict[str, Any]) -> Path:
    folder = tmp_path / "visit"
    folder.mkdir()
    visit = {"started": START.isoformat(), "rates": [100, 75, 50, 25], "service": record}
    (folder / "visit.json").write_text(json.dumps(visit), encoding="utf-8")
    (folder / "boiler.json").write_text(json.dumps(BOILER), encoding="utf-8")
    (folder / "as-left.csv").write_bytes(CLEAN)
    return folder


def by_command(folder: Path) -> dict[str, Any]:
    shown = CliRunner().invoke(main, ["judge", str(folder), "--json"])
    assert shown.exit_code in (0, 1, 3), shown.output
    found: dict[str, Any] = json.loads(shown.stdout)
    return found


def test_judging_a_folder_follows_the_plan_its_record_names(tmp_path: Path) -> None:
    found = by_command(a_folder(tmp_path, lacking_gasket()))
    assert "task_missing" in {f["rule"] for f in found["flags"]}


def test_a_plan_beside_the_visit_comes_before_the_one_named(tmp_path: Path) -> None:
    folder = a_folder(tmp_path, lacking_gasket())
    own = (
        'format = "fluebook.plan/1"\nkey = "own"\nversion = "1"\ntitle = "Own"\n'
        'purpose = "call_out"\nfuels = ["natural_gas"]\njurisdiction_note = "Local code decides."\n'
    )
    (folder / "plan.toml").write_text(own, encoding="utf-8")
    assert "task_missing" not in {f["rule"] for f in by_command(folder)["flags"]}
    (folder / "plan.toml").write_text(own + "steps = 3\n", encoding="utf-8")
    refused = CliRunner().invoke(main, ["judge", str(folder)])
    assert refused.exit_code == 2
    assert "plan.toml, line 8, steps" in refused.output
