"""Exports against other readers of their formats: the standard library's csv, pyarrow, sqlite3."""

from __future__ import annotations

import csv
import io
import re
import sqlite3
import sys
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pyarrow.parquet
import pytest
from hypothesis import given
from hypothesis import strategies as st
from typer.testing import CliRunner

from api.command import main
from ingest.export import columns_of, guarded, unguarded, write_csv, write_export
from ingest.export.columns import KINDS, Kind
from ingest.export.write import NotInstalled
from ingest.intake import Intake
from ingest.store import Book
from ingest.store.reach import Reach, within
from tests.ingest.books import open_book, reading, with_boiler, with_visit

FORMULA = "=HYPERLINK(1)"


@pytest.fixture
def book(tmp_path: Path) -> Iterator[Book]:
    with open_book(tmp_path) as opened:
        intake = Intake(opened)
        visit = with_visit(intake, with_boiler(intake), technician=FORMULA)
        two = [(None, reading(100.0, o2_dry=4.25)), (None, reading(50.0))]
        ids, _, _ = intake.add_readings(visit, two, "T. Hale")
        intake.supersede_reading(ids[1], reading(50.0, o2_dry=6.125), "T. Hale", "typed wrongly")
        yield opened


def _csv(path: Path) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(path.read_text("utf-8"), newline="")))


@pytest.mark.parametrize("kind", KINDS)
def test_the_three_formats_hold_the_same_rows(book: Book, tmp_path: Path, kind: Kind) -> None:
    written = {}
    for form in ("csv", "parquet", "sqlite"):
        target = tmp_path / f"out.{form}"
        written[form] = write_export(book, kind, form, target)  # type: ignore[arg-type]
    columns = columns_of(kind)
    in_parquet = pyarrow.parquet.read_table(tmp_path / "out.parquet").to_pylist()
    with closing(sqlite3.connect(tmp_path / "out.sqlite")) as sql:
        sql.row_factory = sqlite3.Row
        in_sqlite = [dict(row) for row in sql.execute(f"SELECT * FROM {kind}")]
    assert in_parquet == in_sqlite
    assert set(written.values()) == {len(in_parquet)}
    assert in_parquet
    in_csv = _csv(tmp_path / "out.csv")
    for there, row in zip(in_csv, in_parquet, strict=True):
        for column in columns:
            text, value = there[column.heading], row[column.name]
            if value is None:
                assert text == ""
            elif column.kind == "text":
                assert unguarded(text) == value
            else:
                assert float(text) == value


def test_every_number_has_its_unit_in_all_three(book: Book, tmp_path: Path) -> None:
    for form in ("csv", "parquet", "sqlite"):
        write_export(book, "readings", form, tmp_path / f"out.{form}")  # type: ignore[arg-type]
    headings = (tmp_path / "out.csv").read_text("utf-8").splitlines()[0].split(",")
    assert "stack_temperature [degC]" in headings
    schema = pyarrow.parquet.read_schema(tmp_path / "out.parquet")
    assert schema.field("stack_draft").metadata[b"unit"] == b"Pa"
    with closing(sqlite3.connect(tmp_path / "out.sqlite")) as sql:
        units = dict(sql.execute("SELECT column_name, unit FROM units WHERE table_name='readings'"))
    assert units["o2_dry"] == "%"
    assert all(units[c.name] for c in columns_of("readings") if c.kind == "number")


def test_superseded_readings_come_only_where_asked_for(book: Book, tmp_path: Path) -> None:
    assert write_export(book, "readings", "csv", tmp_path / "a.csv") == 2
    assert write_export(book, "readings", "csv", tmp_path / "b.csv", superseded=True) == 3
    old = [r for r in _csv(tmp_path / "b.csv") if r["superseded_why"]]
    assert [r["superseded_why"] for r in old] == ["typed wrongly"]


def test_what_is_not_within_reach_is_not_exported(book: Book, tmp_path: Path) -> None:
    with within(Reach(frozenset())):
        for kind in KINDS:
            assert write_export(book, kind, "csv", tmp_path / f"{kind}.csv") == 0


def test_a_formula_is_not_one_in_the_csv(book: Book, tmp_path: Path) -> None:
    write_export(book, "visits", "csv", tmp_path / "out.csv")
    (row,) = _csv(tmp_path / "out.csv")
    assert row["technician"] == "'" + FORMULA
    assert not row["document"].startswith(tuple("=+-@"))


TROUBLE = st.text(st.sampled_from("=+-@'\"\t\r\n;, \uff1d\u3000a1"), max_size=9)
STARTS = re.compile("[=+@\uff1d\uff0b\uff0d\uff20]|-(?![0-9.]+$)")
"""Characters that start a formula, by OWASP "CSV Injection", tab and line ends aside; memory."""


@given(st.text() | TROUBLE)
def test_unguarding_gives_back_any_text_and_no_guarded_one_starts_a_formula(text: str) -> None:
    kept = guarded(text)
    assert unguarded(kept) == text
    assert not kept.startswith(("\t", "\r", "\n"))
    # However it is cut into cells, and whatever blanks and quotes are taken off them.
    for cell in re.split("[;\t\r\n]", kept):
        assert not STARTS.match(cell.lstrip(' "\u3000')), kept


@pytest.mark.parametrize("text", ["=1", "-cmd", "a;=1", "seen\n+2", ' "@x', "\uff1d1"])
def test_a_heading_is_guarded_like_a_cell(tmp_path: Path, text: str) -> None:
    write_csv(tmp_path / "x.csv", [text], [[text]])
    with (tmp_path / "x.csv").open(encoding="utf-8", newline="") as file:
        heading, cell = (row[0] for row in csv.reader(file))
    assert heading == cell == guarded(text) != text


def test_a_negative_number_stays_a_number(tmp_path: Path) -> None:
    write_csv(tmp_path / "x.csv", ["draft [Pa]"], [[-5.0]])
    assert (tmp_path / "x.csv").read_bytes() == b"draft [Pa]\r\n-5.0\r\n"


def test_an_export_is_of_one_moment(book: Book, tmp_path: Path) -> None:
    intake = Intake(book)
    with book.snapshot() as sql:
        with_visit(intake, intake.boilers()[0])
        assert sql.execute("SELECT COUNT(*) FROM visit").fetchone() == (1,)


def test_without_pyarrow_parquet_is_refused_in_plain_words(
    book: Book, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    monkeypatch.setitem(sys.modules, "pyarrow.parquet", None)
    with pytest.raises(NotInstalled, match="fluebook\\[parquet\\]"):
        write_export(book, "points", "parquet", tmp_path / "x.parquet")
    assert not (tmp_path / "x.parquet").exists()


def test_the_command_writes_and_never_overwrites_unasked(book: Book, tmp_path: Path) -> None:
    target = tmp_path / "points.csv"
    command = ["export", str(target), "--book", str(book.path)]
    done = CliRunner().invoke(main, command)
    assert (done.exit_code, "2 points written" in done.output) == (0, True), done.output
    assert len(_csv(target)) == 2
    assert CliRunner().invoke(main, command).exit_code == 64
    assert CliRunner().invoke(main, [*command, "--overwrite"]).exit_code == 0
    assert CliRunner().invoke(main, ["export", str(tmp_path / "x.xls")]).exit_code == 64
    nowhere = ["export", str(tmp_path / "x.csv"), "--book", str(tmp_path / "none.db")]
    assert CliRunner().invoke(main, nowhere).exit_code == 2
