"""Cuts of continuous logs in the book: proposals judge nothing, corrections only grow."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any
from uuid import UUID

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from typer.testing import CliRunner

from api.command import main as command
from ingest.cut_logs import forget_held_logs, log_and_readings, read_log
from ingest.cut_operations import CutOperation, applied, operation_from, standing
from ingest.how_read import HowRead
from ingest.intake import Intake, Statement
from ingest.intake_cuts import LogCut, proposed, rate_aims
from ingest.log_points import counted
from ingest.models import Boiler, Visit
from ingest.store import Book, StateConflict
from ingest.store.cuts import segment_from, segment_json
from parsers import FiringPoint, PointKey, PointsUnclear, ReadOptions
from parsers.cut_corrections import CorrectionError
from parsers.maps import taught
from parsers.rate_match import RateAim
from tests import logs

LOG = logs.as_csv(logs.made())
WHO = "T. One"


@pytest.fixture
def intake(tmp_path: Path) -> Iterator[Intake]:
    with Book(tmp_path / "book.db", durable=False) as book:
        yield Intake(book)


def opened(intake: Intake, **boiler: Any) -> UUID:
    """An open visit to a boiler tested at four rates."""
    given_rates = {"rates": [25.0, 50.0, 75.0, 100.0], **boiler}
    unit = intake.put_boiler(Boiler(name="Test boiler", **given_rates), WHO).document
    visit = Visit(boiler_id=unit.id, started=datetime.fromisoformat("2026-11-02T08:00:00Z"))
    identity = intake.put_visit(visit, WHO).document.id
    assert identity is not None
    return identity


def taken(intake: Intake, visit: UUID, data: bytes = LOG, **statement: Any) -> LogCut:
    return intake.add_log(visit, data, "log.csv", WHO, statement=Statement(**statement))[0]


ELAPSED = b"Elapsed s;K1;K2;Stack\n" + b"".join(
    b"%d;%.1f;%d;%.1f\n" % (2 * n, 20.9 if n < 20 else 5.1 + n % 2 / 10, n % 3, 320 + n % 5 / 10)
    for n in range(200)
)


def test_a_log_honours_maps_units_zone_and_a_stated_start(intake: Intake) -> None:
    visit = opened(intake)
    intake.put_map(
        taught("mine", ["Elapsed s", "K1", "K2", "Stack"], {"K1": "o2_dry[%]", "K2": "co_dry"}), WHO
    )
    options = ReadOptions(site_zone="Europe/Berlin", units={"stack_temperature": "degF"})
    with pytest.raises(PointsUnclear, match="count from a start") as refused:
        intake.add_log(visit, ELAPSED, "log.csv", WHO, options=options)
    assert "State when it started" in refused.value.problems[0].next_step
    whole = replace(options, started=datetime.fromisoformat("2026-03-04T09:30"))
    cut, there = intake.add_log(visit, ELAPSED, "log.csv", WHO, options=whole)
    assert not there
    assert cut.log.started.isoformat() == "2026-03-04T09:30:00+01:00"
    assert set(cut.log.columns) == {"o2_dry", "co_dry", "stack_temperature"}
    assert cut.log.columns["stack_temperature"][0] == pytest.approx((320 - 32) / 1.8)
    forget_held_logs()
    intake.forget_map(intake.maps()[0].fingerprint, WHO)
    again = intake.log_cut(visit, cut.attachment.id)  # by the map that was kept with the cut
    assert again.log.sha256 == cut.log.sha256
    assert intake.add_log(visit, ELAPSED, "log.csv", WHO, options=whole)[1]
    later = replace(whole, started=datetime.fromisoformat("2026-03-04T10:30"))
    with pytest.raises(StateConflict, match="another statement"):
        intake.add_log(visit, ELAPSED, "log.csv", WHO, options=later)


def named(cut: LogCut) -> list[CutOperation]:
    """Every rate as proposed, and as left for all."""
    rates = [CutOperation("rate", (s.start + s.end) / 2, rate=s.firing_rate) for s in cut.plateaus]
    return [*rates, CutOperation("phase", phase="as_left")]


def test_a_proposal_brings_no_reading_and_no_point(intake: Intake) -> None:
    visit = opened(intake)
    cut = taken(intake, visit)
    assert len(cut.plateaus) == len(cut.waiting) == 5
    view = intake.visit(visit)
    assert (list(view.points), list(view.readings)) == ([], [])
    assert intake.logs(visit) == {cut.attachment.id: False}


def test_two_signals_that_agree_need_no_name_and_keep_their_basis(intake: Intake) -> None:
    # The boiler's record aims at the O2 that this burner gives: a second signal beside the stack.
    truth = {s.firing_rate: s.values["o2_dry"] for s in logs.made().truth if s.kind == "fire"}
    targets = [
        {"firing_rate": rate, "o2_dry": {"low": o2 - 1, "aim": o2, "high": o2 + 1}}
        for rate, o2 in truth.items()
    ]
    visit = opened(intake, limits={"targets": targets})
    cut = taken(intake, visit, phase="as_left")
    assert {s.rate_basis for s in cut.plateaus} == {"two_signals"}
    assert cut.waiting == []
    points, _, _ = intake.confirm_cut(visit, cut.attachment.id, WHO)
    assert {p.rate_basis for p in points} == {"two_signals"}


def test_the_figures_judged_are_those_of_the_settled_part(intake: Intake) -> None:
    visit = opened(intake)
    cut = taken(intake, visit)
    intake.correct_cut(visit, cut.attachment.id, named(cut), WHO)
    points, _, _ = intake.confirm_cut(visit, cut.attachment.id, WHO)
    again = intake.visit(visit).points
    assert [p.values for p in again] == [p.values for p in points]
    first = cut.plateaus[0]
    assert points[0].values["o2_dry"] == first.values["o2_dry"]
    # The readings kept for the point start where the last of its quantities had settled.
    since = cut.log.started + timedelta(seconds=max(first.settled_from.values()))
    assert min(r.time for r in points[0].readings if r.time) >= since
    assert set(points[0].lines) <= set(range(2, len(cut.log.times) + 2))


def test_what_stands_in_the_file_is_left_as_it_was_read(intake: Intake) -> None:
    visit = opened(intake)
    cut = taken(intake, visit)
    before = LOG
    intake.correct_cut(visit, cut.attachment.id, named(cut), WHO)
    intake.confirm_cut(visit, cut.attachment.id, WHO)
    assert intake.evidence(cut.attachment.sha256) == before
    by_line = {r.lines: r for r in log_and_readings(LOG, "log.csv", HowRead())[1]}
    for kept in intake.visit(visit).readings:
        read = by_line[kept.reading.lines]
        assert kept.reading.values == read.values
        assert kept.reading.time == read.time


@pytest.mark.parametrize(
    ("change", "where"),
    [
        ("UPDATE cut_confirmation SET segments = '[]'", "cut of audit line"),
        ("DELETE FROM cut_confirmation", "cut of audit line"),
        ("UPDATE cut_correction SET operation = '{}' WHERE number = 2", "correction of audit line"),
        ("UPDATE reading SET firing_rate = 10 WHERE seq = 4", "readings of audit line"),
        ("DELETE FROM reading WHERE seq = 4", "readings of audit line"),
    ],
)
def test_a_cut_changed_behind_the_trails_back_is_found(
    intake: Intake, change: str, where: str
) -> None:
    visit = opened(intake)
    cut = taken(intake, visit)
    intake.correct_cut(visit, cut.attachment.id, named(cut), WHO)
    intake.confirm_cut(visit, cut.attachment.id, WHO)
    drop = CutOperation("drop", cut.plateaus[0].start + 10)
    intake.correct_cut(visit, cut.attachment.id, [drop], WHO)
    intake.confirm_cut(visit, cut.attachment.id, WHO)
    assert intake.book.verify() == []
    with sqlite3.connect(intake.book.path) as other:
        other.execute(change)
    other.close()
    found = intake.book.verify()
    assert found
    assert all(f.where.startswith(where) for f in found)


def test_a_refused_change_leaves_nothing_behind(intake: Intake) -> None:
    visit = opened(intake)
    cut = taken(intake, visit)
    lines = len(intake.trail(visit))
    bad = [*named(cut), CutOperation("move", 312.0, to=1.0)]
    with pytest.raises(CorrectionError, match="can move between"):
        intake.correct_cut(visit, cut.attachment.id, bad, WHO)
    with pytest.raises(CorrectionError, match="more than a proposal"):
        intake.confirm_cut(visit, cut.attachment.id, WHO)
    assert len(intake.trail(visit)) == lines
    assert intake.log_cut(visit, cut.attachment.id).corrections == []


def test_a_book_from_before_cuts_gets_their_tables(tmp_path: Path) -> None:
    path = tmp_path / "old.db"
    Book(path, durable=False).close()
    with sqlite3.connect(path) as old:
        for table in ("cut_confirmation", "cut_correction", "cut"):
            old.execute(f"DROP TABLE {table}")
        old.execute("DELETE FROM _sqlite_migrations WHERE name = 'm002_cuts_of_logs'")
    old.close()
    with Book(path, durable=False) as book:
        intake = Intake(book)
        visit = opened(intake)
        assert taken(intake, visit).plateaus


def test_a_log_in_the_sites_zone_is_read_the_same_way_again(intake: Intake) -> None:
    visit = opened(intake, zone="America/Chicago")
    cut = taken(intake, visit)
    assert cut.log.started.isoformat() == "2026-11-02T09:00:00-06:00"
    forget_held_logs()
    again = intake.log_cut(visit, cut.attachment.id)
    assert again.segments == cut.segments
    assert again.log.sha256 == cut.log.sha256


def test_readings_without_times_are_no_log(intake: Intake) -> None:
    with pytest.raises(PointsUnclear, match="no times of day"):
        taken(intake, opened(intake), b"O2 %,CO ppm\n4.0,10\n4.1,11\n")


def test_too_few_samples_are_one_stretch_and_no_guess() -> None:
    few = b"\n".join(LOG.splitlines()[:6])
    log = read_log(few, "few.csv", HowRead())
    segments = proposed(log, [], None)
    assert [(s.kind, s.start, s.end) for s in segments] == [("ramp", 0.0, 4.0)]
    assert "too few samples" in segments[0].why


def test_the_rates_asked_about_are_the_boilers_own() -> None:
    bands = [
        {"firing_rate": 25, "o2_dry": {"low": 4.0, "aim": 5.0, "high": 6.0}},
        {"firing_rate": 100, "o2_dry": {"low": 3.0, "high": 4.0}},
    ]
    boiler = Boiler(rates=[25, 100], limits={"targets": bands})
    # The middle of a band is no statement: only an aim is.
    assert rate_aims(boiler) == [RateAim(25, 5.0), RateAim(100, None)]
    assert rate_aims(None) == []


def test_stretches_survive_the_book_unchanged() -> None:
    log = read_log(LOG, "log.csv", HowRead())
    for segment in proposed(log, [25.0, 50.0, 75.0, 100.0], 30.0):  # type: ignore[list-item]
        assert segment_from(segment_json(segment)) == segment


_SECONDS = st.floats(0, 1300, allow_nan=False)
_OPERATIONS = st.lists(
    st.builds(
        CutOperation,
        st.sampled_from(["move", "split", "join", "rate", "drop", "keep", "phase", "undo"]),
        st.one_of(st.none(), _SECONDS),
        st.one_of(st.none(), _SECONDS),
        st.one_of(st.none(), st.floats(-10, 130)),
        st.sampled_from([None, "as_found", "trial", "as_left"]),
    ),
    max_size=6,
)
_SHORT = read_log(
    logs.as_csv(logs.made(logs.STAYS[1:4])), "short.csv", HowRead()
)  # purge and two stays: quick to cut again and again


@settings(max_examples=60, deadline=None)
@given(_OPERATIONS)
def test_whatever_is_asked_the_cut_stays_whole_or_is_refused(
    operations: list[CutOperation],
) -> None:
    proposal = proposed(_SHORT, [], 30.0)
    try:
        segments, phases, _ = applied(proposal, operations, _SHORT.times, _SHORT.columns)
    except CorrectionError:
        return
    assert segments[0].start == proposal[0].start
    assert segments[-1].end == proposal[-1].end
    assert all(a.end == b.start and a.start < a.end for a, b in pairwise(segments))
    assert set(phases) <= {s.start for s in segments if s.kind == "plateau"}
    assert all(operation_from(one.as_json()) == one for one in operations)


def test_undo_takes_back_one_after_the_other() -> None:
    one, two, undo = CutOperation("drop", 1.0), CutOperation("keep", 1.0), CutOperation("undo")
    assert standing([one, two, undo]) == [one]
    assert standing([one, two, undo, undo]) == []
    assert standing([one, undo, two]) == [two]
    with pytest.raises(CorrectionError):
        standing([one, undo, undo])


def test_passes_are_counted_over_all_sources_in_order_of_time() -> None:
    begin = datetime.fromisoformat("2026-11-02T09:00:00+00:00")
    key = PointKey("1", "natural_gas", "as_left", 50.0)
    points = [
        FiringPoint(replace(key, firing_rate=rate), {}, 1, begin + timedelta(minutes=after))
        for rate, after in ((50.0, 20), (100.0, 10), (50.0, 0))
    ]
    found = [(p.key.firing_rate, p.key.pass_number) for p in counted(points)]
    assert found == [(50.0, 1), (100.0, 1), (50.0, 2)]
    untimed = [replace(points[0], started=None), *points[1:]]
    assert [p.key.pass_number for p in counted(untimed)] == [1, 1, 2]


def test_the_command_shows_the_cut_as_a_table(tmp_path: Path) -> None:
    file = tmp_path / "log.csv"
    file.write_bytes(LOG)
    run = CliRunner()
    shown = run.invoke(
        command, ["read", str(file), "--cut", "--rates", "25,50,75,100"], env={"COLUMNS": "160"}
    )
    assert shown.exit_code == 0, shown.output
    assert shown.output.count("plateau ") == 5
    assert "100?" in shown.output
    assert "The firing rate of 5 is not sure" in shown.output
    file.write_bytes(logs.as_csv(logs.made(logs.COLD)))
    none = run.invoke(command, ["read", str(file), "--cut"], env={"COLUMNS": "160"})
    assert "No plateau was found, and nothing is guessed." in none.output
    file.write_bytes(b"O2 %,CO ppm\n4.0,10\n")
    assert run.invoke(command, ["read", str(file), "--cut"]).exit_code == 2
    assert run.invoke(command, ["read", str(file), "--cut", "--json"]).exit_code == 64
