"""Bringing in a list of boilers and past visits: understood whole, or refused whole by line."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from typer.testing import CliRunner

from api.command import main
from ingest.bring import ImportRefused, bring_boilers, bring_visits, read_boilers, read_visits
from ingest.bring.table import read_table
from ingest.intake import Intake
from ingest.store import Book, StateConflict
from ingest.store.lists import Wanted
from parsers import ReadError
from tests.ingest.books import CLEAN, RATES, open_book, with_visit

BOILERS = b"""Site,Boiler,Asset no,Fuel,Rated input [MBH],Condensing,Elevation [ft],Turndown,Colour
Mill Lane,B-1,A-1,natural gas,2000,no,400,4:1,red
Mill Lane,B-2,A-2,propane,"1,500",yes,400,5,blue
Quay,B-1,A-3,oil,900 kW,no,,,grey
"""
VISITS = """Site;Boiler;Date;Technician;Condition;Firing rate [%];O2 [%];CO [ppm];Stack temp [°F]
Mill Lane;B-1;2024-03-04;J. Orr;as found;100;4,1;20;356,0
Mill Lane;B-1;2024-03-04;J. Orr;as left;100;4,0;n/a;350
Mill Lane;B-1;2025-03-05;J. Orr;as left;100;4,0;21;352
Quay;B-1;2025-03-06;J. Orr;as left;40;4,4;22;350
""".encode()


@pytest.fixture
def intake(tmp_path: Path) -> Iterator[Intake]:
    with open_book(tmp_path) as book:
        yield Intake(book)
        assert book.verify() == []


def _boilers(intake: Intake, data: bytes = BOILERS) -> object:
    return bring_boilers(intake, read_boilers(read_table(data, "boilers.csv")), "office")


def _visits(intake: Intake, data: bytes = VISITS) -> object:
    table = read_table(data, "visits.csv")
    return bring_visits(intake, table, read_visits(table, data), data, "office")


def test_a_list_of_boilers_is_understood_with_its_units(intake: Intake) -> None:
    _boilers(intake)
    assert sorted(s.name for s in intake.sites()) == ["Mill Lane", "Quay"]
    found = {b.external_id: b for b in intake.boilers()}
    # 1 MBH = 1000 Btu/h; NIST SP 811 (2008) appendix B.8: 1 Btu_IT/h = 0.2930711 W [memory].
    assert found["A-1"].rated_input == pytest.approx(2000 * 0.2930711, rel=1e-6)
    assert found["A-2"].rated_input == pytest.approx(1500 * 0.2930711, rel=1e-6)
    assert found["A-3"].rated_input == 900.0
    # 1 ft = 0.3048 m exactly; NIST SP 811 (2008) appendix B.8 [memory].
    assert found["A-1"].altitude == pytest.approx(400 * 0.3048)
    assert [found[k].condensing for k in ("A-1", "A-2", "A-3")] == [False, True, False]
    assert [found[k].turndown for k in ("A-1", "A-2", "A-3")] == [4.0, 5.0, None]


def test_the_same_list_again_changes_nothing_and_a_changed_one_only_what_it_says(
    intake: Intake,
) -> None:
    _boilers(intake)
    one = next(b for b in intake.boilers() if b.external_id == "A-1")
    intake.put_boiler(one.model_copy(update={"serial": "S-77"}), "office")
    lines = intake.book.reader.execute("SELECT COUNT(*) FROM audit").fetchone()
    _boilers(intake)
    assert intake.book.reader.execute("SELECT COUNT(*) FROM audit").fetchone() == lines
    _boilers(intake, BOILERS.replace(b"2000", b"2200"))
    again = next(b for b in intake.boilers() if b.external_id == "A-1")
    assert again.id == one.id and again.serial == "S-77"
    assert again.rated_input == pytest.approx(2200 * 0.2930711, rel=1e-6)
    assert len(intake.boilers()) == 3


@pytest.mark.parametrize(
    ("before", "after", "line", "said"),
    [
        (b"natural gas,2000", b"plutonium,2000", 2, "plutonium"),
        (b",900 kW,", b",900 degC,", 4, "degC"),
        (b",no,400", b",perhaps,400", 2, "yes or no"),
        (b"Quay,B-1,A-3", b"Quay,,", 4, "names no boiler"),
        (b"B-2,A-2", b"B-1,A-1", 3, "already on line 2"),
        (b"4:1", b"four", 2, "ratio"),
    ],
)
def test_a_wrong_cell_is_named_and_nothing_comes_in(
    intake: Intake, before: bytes, after: bytes, line: int, said: str
) -> None:
    assert before in BOILERS
    with pytest.raises(ImportRefused) as refused:
        _boilers(intake, BOILERS.replace(before, after, 1))
    assert [p.line for p in refused.value.problems] == [line]
    assert said in str(refused.value)
    assert intake.boilers() == []


def test_an_input_without_a_unit_is_refused(intake: Intake) -> None:
    with pytest.raises(ImportRefused, match=r"line 2, column 5.*unit"):
        _boilers(intake, BOILERS.replace(b"Rated input [MBH]", b"Rated input"))


def test_a_number_that_means_two_things_is_refused(intake: Intake) -> None:
    data = b"Boiler;Rated input [kW]\nB-1;1.500\n"
    with pytest.raises(ImportRefused, match="two ways"):
        _boilers(intake, data)


@pytest.mark.parametrize("data", [b"", b"\n\n", b"hello\n", b"O2;CO\n4;5\n"])
def test_a_file_without_a_boiler_column_is_refused(intake: Intake, data: bytes) -> None:
    with pytest.raises(ImportRefused, match="names a boiler"):
        _boilers(intake, data)


def test_past_visits_feed_history_and_never_stand_on_the_review_list(intake: Intake) -> None:
    _boilers(intake)
    _visits(intake)
    boiler = next(b for b in intake.boilers() if b.external_id == "A-1")
    this = with_visit(intake, boiler)
    intake.add_file(this, CLEAN, "a.csv", "t", statement=RATES)
    intake.hand_in(this, "t")
    history = intake.visit(this).history
    assert [e.visit.started and e.visit.started.year for e in history] == [2024, 2025]
    assert [(p.key.phase, p.key.firing_rate) for p in history[0].points] == [
        ("as_found", 100.0),
        ("as_left", 100.0),
    ]
    # (356 degF - 32) / 1.8 = 180 degC
    assert history[0].points[0].values["stack_temperature"].mean == pytest.approx(180.0)
    assert "co_dry" not in history[0].points[1].values
    every = Wanted(states=("open", "handed_in", "accepted", "sent_back"))
    assert [r.visit_id for r in intake.review_list(every)] == [this]
    imported = [r for r in intake.boiler_visits(boiler.id) if r.imported]  # type: ignore[arg-type]
    assert len(imported) == 2
    assert intake.evidence(intake.visit(imported[0].id).attachments[0].sha256) == VISITS
    with pytest.raises(StateConflict):
        intake.hand_in(imported[0].id, "t")


def test_past_visits_again_change_nothing(intake: Intake) -> None:
    _boilers(intake)
    first, again = _visits(intake), _visits(intake)
    assert (first.visits, first.points) == (3, 4)  # type: ignore[attr-defined]
    assert (again.visits, again.there_already) == (0, 3)  # type: ignore[attr-defined]


def test_a_list_does_not_rewrite_the_past(intake: Intake) -> None:
    _boilers(intake)
    _visits(intake)
    with pytest.raises(StateConflict, match="other readings"):
        _visits(intake, VISITS.replace(b";4,1;", b";9,1;"))


@pytest.mark.parametrize(
    ("before", "after", "said"),
    [
        (b"2025-03-06", b"", "line 5, column 3: the row has no date"),
        (b";as left;40;", b";as left;;", "line 5: the row has no firing rate"),
        (b";as left;40;", b";;40;", "line 5: the row has no phase"),
        (b"4,4;22", b"abc;22", "line 5, column 7"),
        (b"Quay;B-1", b"Quay;B-9", "line 5: the book has no boiler B-9 at Quay"),
        (b"Quay;B-1", b";B-1", "line 5: 2 boilers of the book fit B-1"),
    ],
)
def test_a_wrong_row_of_past_visits_is_named_and_nothing_comes_in(
    intake: Intake, before: bytes, after: bytes, said: str
) -> None:
    _boilers(intake)
    assert VISITS.count(before) == 1
    with pytest.raises(ImportRefused) as refused:
        _visits(intake, VISITS.replace(before, after))
    assert said in str(refused.value)
    assert intake.book.reader.execute("SELECT COUNT(*) FROM visit").fetchone() == (0,)


def test_a_temperature_without_unit_is_refused_by_the_parser(intake: Intake) -> None:
    _boilers(intake)
    data = VISITS.replace(" [°F]".encode(), b"")
    with pytest.raises(ReadError, match="column 9"):
        _visits(intake, data)


def test_dates_whose_day_and_month_can_be_exchanged_are_refused(intake: Intake) -> None:
    _boilers(intake)
    data = VISITS.replace(b"2024-03-04", b"03/04/2024").replace(b"2025-03-05", b"03/05/2025")
    with pytest.raises(ReadError, match="day and month"):
        _visits(intake, data.replace(b"2025-03-06", b"03/06/2025"))


def test_the_commands_bring_in_check_and_copy(tmp_path: Path) -> None:
    run = CliRunner().invoke
    book = tmp_path / "office.db"
    (tmp_path / "boilers.csv").write_bytes(BOILERS)
    (tmp_path / "visits.csv").write_bytes(VISITS)
    files = [str(tmp_path / "boilers.csv"), str(tmp_path / "visits.csv")]
    done = run(main, ["import", *files, "--book", str(book), "--who", "office"])
    assert done.exit_code == 0, done.output
    assert "3 boilers and 2 new sites" in done.output
    assert "3 past visits with 4 firing points" in done.output
    assert "'Colour'" in done.output
    assert run(main, ["verify", str(book)]).exit_code == 0
    assert run(main, ["backup", str(tmp_path / "b.db"), "--book", str(book)]).exit_code == 0
    assert run(main, ["restore", str(tmp_path / "b.db"), str(tmp_path / "c.db")]).exit_code == 0
    assert run(main, ["restore", str(tmp_path / "b.db"), str(tmp_path / "c.db")]).exit_code == 2
    with Book(tmp_path / "c.db") as copy, copy.change("t") as change:
        assert len(Intake(copy).boilers()) == 3
        change.sql.execute("UPDATE audit SET who = 'x' WHERE seq = 2")
    found = run(main, ["verify", str(tmp_path / "c.db"), "--json"])
    assert found.exit_code == 1
    assert "audit line 2" in found.output
    assert run(main, ["verify", str(tmp_path / "nothing.db")]).exit_code == 2
    assert not (tmp_path / "nothing.db").exists()
    (tmp_path / "visits.csv").write_bytes(VISITS.replace(b"Quay;B-1", b"Quay;B-9"))
    assert run(main, ["import", files[1], "--book", str(book)]).exit_code == 2
