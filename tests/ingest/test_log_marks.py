"""Firing rates recorded by words or steps, shares called percent, and the hour told twice."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from typer.testing import CliRunner

from api.command import main as command
from api.problems import problem_of_read_error
from api.refusals import page_said, told
from api.words import speaking, words_of
from ingest.cut_logs import forget_held_logs
from ingest.intake import Intake, Statement
from ingest.intake_cuts import LogCut
from ingest.models import Boiler, Visit
from ingest.store import Book
from parsers import ReadOptions, UnitsMissing, read
from parsers.rate_marks import mark_of, percent_of
from parsers.table import TabledReadings
from samples.plant_log import Step
from tests import logs

WHO = "T. One"
MADE = logs.made(
    (Step("purge", 45), Step("fire", 220, 30), Step("fire", 220, 100), Step("fire", 200, 30))
)
RATED = logs.as_csv(MADE, rate=True).decode().splitlines()


@pytest.fixture
def intake(tmp_path: Path) -> Iterator[Intake]:
    with Book(tmp_path / "book.db", durable=False) as book:
        yield Intake(book)


def marked(mark: Callable[[float], str], heading: str = "Firing rate %") -> bytes:
    """Return the log with what a mark makes of its rate [%]; the servo's way counts to its end."""
    lines = [RATED[0].replace("Firing rate %", heading)]
    for line in RATED[1:]:
        rest, _, rate = line.rpartition(",")
        lines.append(f"{rest},{mark(float(rate or 0))}")
    return "\n".join([*lines, ""]).encode()


def two(low: str, high: str, off: str = "") -> Callable[[float], str]:
    return lambda rate: high if rate > 65 else low if rate > 15 else off


def numbers_behind_a_word(rate: float) -> str:
    return f"{rate:.0f}" if rate > 65 else "low" if rate > 15 else ""


def taken(intake: Intake, data: bytes, rates: list[float], **options: Any) -> LogCut:
    unit = intake.put_boiler(Boiler(name="Test boiler", zone="Europe/Berlin", rates=rates), WHO)
    visit = Visit(boiler_id=unit.document.id, started=datetime.fromisoformat("2026-11-02T08:00Z"))
    identity = intake.put_visit(visit, WHO).document.id
    assert identity is not None
    given = ReadOptions(**options) if options else None
    return intake.add_log(
        identity, data, "log.csv", WHO, statement=Statement(phase="as_left"), options=given
    )[0]


def test_what_rates_are_called_in_four_languages() -> None:
    # Trade words as common practice has them (memory).
    low = ("low", "LF", "Low fire", "min.", "Kleinlast", "Grundlast", "petite allure", "fuego bajo")
    high = ("HIGH", "HF", "max", "Volllast", "grande allure", "fuego máximo", "llama alta")
    assert {mark_of(w) for w in (*low, "mínimo")} == {"low"}
    assert {mark_of(w) for w in high} == {"high"}
    assert [mark_of(w) for w in ("Teillast", "medio", "Stufe 2", "off", "low/high")] == [
        "part",
        "mid",
        "2",
        None,
        None,
    ]


@pytest.mark.parametrize(
    ("marks", "rates", "said"),
    [
        (("low", "high"), [25, 50, 100], {"low": 25, "high": 100}),
        (("low", "mid", "high"), [100, 60, 30], {"low": 30, "mid": 60, "high": 100}),
        (("low", "mid", "high"), [25, 50, 75, 100], None),
        (("part", "high"), [30, 100], {"part": 30, "high": 100}),
        (("low", "part", "mid", "high"), [30, 60, 100], None),
        (("0", "1", "2", "3"), [30, 60, 100], {"1": 30, "2": 60, "3": 100}),
        (("1", "2"), [30, 60, 100], None),
        (("low", "eco"), [30, 100], None),
        (("low", "high"), [100], None),
        (("high",), [], None),
    ],
)
def test_marks_are_told_by_the_rates_where_nothing_is_left_open(
    marks: tuple[str, ...], rates: list[float], said: dict[str, float] | None
) -> None:
    assert percent_of(marks, rates) == said


@pytest.mark.parametrize(
    ("mark", "heading"),
    [
        (two("low", "high"), "Firing rate %"),
        (two("LF", "HF", "off"), "Burner stage"),
        (two("mínimo", "máximo"), "Nivel de fuego"),
        (two("Kleinlast", "Volllast", "aus"), "Laststufe"),
        (two("1", "2", "0"), "Firing rate"),
    ],
)
def test_words_and_steps_name_the_rates_of_a_log(
    intake: Intake, mark: Callable[[float], str], heading: str
) -> None:
    cut = taken(intake, marked(mark, heading), [30.0, 100.0])
    assert [s.firing_rate for s in cut.plateaus] == [30.0, 100.0, 30.0]
    assert {s.rate_basis for s in cut.plateaus} == {"file"}
    (note,) = cut.notes
    assert "= 30 %" in note
    assert "= 100 %" in note
    # Looked at again after a restart, by what is kept beside the cut and from the evidence.
    forget_held_logs()
    again = intake.log_cut(cut.attachment.visit_id, cut.attachment.id)
    assert (again.notes, again.segments) == (cut.notes, cut.segments)
    points = intake.confirm_cut(cut.attachment.visit_id, cut.attachment.id, WHO)[0]
    assert [p.key.firing_rate for p in points] == [30.0, 100.0, 30.0]


@pytest.mark.parametrize(
    ("rates", "words"),
    [([30.0, 60.0, 100.0, 80.0], "(30, 60, 80, 100 %) do not settle"), ([], "no firing rates")],
)
def test_marks_that_no_rate_settles_are_left_out_and_that_is_said(
    intake: Intake, rates: list[float], words: str
) -> None:
    cut = taken(intake, marked(two("1", "2")), rates)
    assert all(s.rate_basis != "file" for s in cut.plateaus)
    assert "firing_rate" not in cut.log.columns
    (note,) = cut.notes
    assert "marks (1, 2) and not in percent" in note
    assert words in note
    with speaking(words_of("es")):
        assert "marks" not in page_said(note)


def test_a_log_in_percent_says_nothing(intake: Intake) -> None:
    cut = taken(intake, logs.as_csv(MADE, rate=True), [30.0, 100.0])
    assert cut.notes == []
    assert [s.firing_rate for s in cut.plateaus] == [30.0, 100.0, 30.0]


def shares(rate: float) -> str:
    return f"{rate / 100:.2f}"


def test_shares_under_percent_are_asked_about_and_a_statement_decides(intake: Intake) -> None:
    data = marked(shares)
    with pytest.raises(UnitsMissing) as refused:
        taken(intake, data, [30.0, 100.0])
    (problem,) = refused.value.problems
    assert problem.code == "unit_doubtful"
    assert "firing_rate=1 for shares" in problem.next_step
    with speaking(words_of("es")):
        said = told(problem_of_read_error(refused.value).details.errors)[0].next_step or ""
        assert "--unit" not in said
        assert "firing_rate=%" in said
    cut = taken(intake, data, [30.0, 100.0], units={"firing_rate": "1"}, site_zone="Europe/Berlin")
    assert [s.firing_rate for s in cut.plateaus] == [30.0, 100.0, 30.0]
    as_it_says = read(data, "log.csv", options=ReadOptions(units={"firing_rate": "%"}))
    assert max(r.firing_rate or 0 for r in as_it_says.readings) == 1.0


@pytest.mark.parametrize("marks", [{}, {"low": 30.0, "high": 100.0, "1": 30.0, "2": 100.0}])
@pytest.mark.parametrize(
    "mark",
    [
        two("low", "high", "off"),
        two("LF", "eco", "---"),
        two("1", "2", "0"),
        two("1", "2"),
        numbers_behind_a_word,
    ],
)
def test_a_long_log_is_read_as_a_short_one(
    monkeypatch: pytest.MonkeyPatch, mark: Callable[[float], str], marks: dict[str, float]
) -> None:
    data = marked(mark)
    data += b"2026-11-02 10:00:00,>21,10,150.0,20.0,high\n"  # one row that needs a look
    options = ReadOptions(site_zone="Europe/Berlin", marks=marks)
    slow = read(data, "log.csv", options=options)
    monkeypatch.setattr("parsers.reader.BULK_BYTES", 1)
    monkeypatch.setattr("parsers.bulk._HEAD", 1 << 13)
    quick = read(data, "log.csv", options=options)
    numbers = mark(100).isdigit()  # numbers and a word in one column: each row is looked at
    assert isinstance(quick.readings, TabledReadings) is not numbers or numbers
    assert list(quick.readings) == list(slow.readings)
    assert sorted(quick.rate_marks) == sorted(slow.rate_marks)


def test_many_shares_in_a_long_log_are_asked_about_too(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("parsers.reader.BULK_BYTES", 1)
    monkeypatch.setattr("parsers.bulk._HEAD", 1 << 11)  # the purge alone, at 0
    with pytest.raises(UnitsMissing, match="shares of the range"):
        read(marked(shares), "log.csv", options=ReadOptions())


def hour(start: str) -> bytes:
    """Return a log of the wall clock of Berlin, without its offset."""
    first = datetime.fromisoformat(start).astimezone(ZoneInfo("Europe/Berlin"))
    lines = RATED[:1]
    for n, line in enumerate(RATED[1:]):
        at = (first.astimezone(ZoneInfo("UTC")) + timedelta(seconds=n)).astimezone(first.tzinfo)
        lines = [*lines, f"{at:%Y-%m-%d %H:%M:%S},{line.split(',', 1)[1]}"]
    return "\n".join([*lines, ""]).encode()


def test_a_log_within_the_hour_told_twice_says_which_it_is_taken_for(intake: Intake) -> None:
    # Central European Time: clocks go back at 01:00 UTC on 25 October 2026 (Directive 2000/84/EC,
    # article 3; memory).
    data = hour("2026-10-25T01:10:00+00:00")
    cut = taken(intake, data, [30.0, 100.0])
    (note,) = cut.notes
    assert "taken for the first of the two (UTC+02:00)" in note
    # Hands of a clock that are shown twice equal no other zone's: seconds are compared.
    first = datetime.fromisoformat("2026-10-25T00:10:00+00:00")
    assert cut.log.started.timestamp() == first.timestamp()
    with speaking(words_of("es")):
        assert "hour" not in page_said(note)
    stated = taken(intake, data, [30.0, 100.0], site_zone="+01:00")
    assert stated.notes == []
    assert stated.log.started == datetime.fromisoformat("2026-10-25T01:10:00+00:00")
    forget_held_logs()
    assert np.array_equal(stated.log.times, cut.log.times)


def test_a_log_that_leaves_the_hour_needs_no_note(intake: Intake) -> None:
    assert taken(intake, hour("2026-10-25T00:55:00+00:00"), [30.0, 100.0]).notes == []


def test_the_command_says_it_too(tmp_path: Path) -> None:
    file = tmp_path / "log.csv"
    file.write_bytes(marked(two("low", "high")))
    run = CliRunner()
    shown = run.invoke(
        command, ["read", str(file), "--cut", "--rates", "30,100"], env={"COLUMNS": "160"}
    )
    assert shown.exit_code == 0, shown.output
    assert "low = 30 %, high = 100 %" in " ".join(shown.output.split())
    assert "100?" not in shown.output
    bare = run.invoke(command, ["read", str(file), "--cut"], env={"COLUMNS": "160"})
    assert "it is cut without them" in " ".join(bare.output.split())
