"""The one way in: what it takes, what it refuses, and that a repeat changes nothing."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from uuid import UUID

import pytest

from ingest.identifiers import new_id
from ingest.intake import Intake, Statement, WordsMissing
from ingest.judge_json import judge_json
from ingest.judgement import Case
from ingest.models import Boiler, Visit
from ingest.store import NotFound, StateConflict, VersionConflict
from ingest.store.lists import Wanted
from ingest.validator import judge
from parsers import LineRange, PointsUnclear, ReadError, firing_points
from tests.ingest.books import CLEAN, DIRTY, RATES, open_book, reading, with_boiler, with_visit


@pytest.fixture
def intake(tmp_path: Path) -> Iterator[Intake]:
    with open_book(tmp_path) as book:
        yield Intake(book)
        assert book.verify() == []


@pytest.fixture
def boiler(intake: Intake) -> Boiler:
    return with_boiler(intake)


@pytest.fixture
def visit(intake: Intake, boiler: Boiler) -> UUID:
    return with_visit(intake, boiler)


def _lines(intake: Intake) -> int:
    found: tuple[int] = intake.book.reader.execute("SELECT COUNT(*) FROM audit").fetchone()
    return found[0]


def test_a_file_becomes_points_with_their_lines_and_a_judgement(
    intake: Intake, visit: UUID
) -> None:
    taken = intake.add_file(visit, DIRTY, "a.csv", "t", statement=RATES)
    assert taken.readings == 4
    assert [p.key.firing_rate for p in taken.points] == [100.0, 75.0, 50.0, 25.0]
    assert taken.judgement.worst == "stop"
    view = intake.visit(visit)
    assert [p.lines for p in view.points] == [(2,), (3,), (4,), (5,)]
    assert view.points[0].values["co_dry"].mean == 900.0
    assert view.readings[0].reading.at["co_dry"] == (2, 2)
    assert judge_json(view.judgement) == judge_json(taken.judgement)
    assert intake.evidence(taken.result.sha256) == DIRTY


def test_the_book_judges_as_the_one_function_does(
    intake: Intake, boiler: Boiler, visit: UUID
) -> None:
    taken = intake.add_file(visit, DIRTY, "a.csv", "t", statement=RATES)
    live = [k.reading for k in intake.visit(visit).readings]
    case = Case(boiler=boiler, visit=intake.visit(visit).visit, points=firing_points(live))
    assert {(f.rule, f.severity) for f in taken.judgement.flags} == {
        (f.rule, f.severity) for f in judge(case).flags
    }
    judgement, _ = intake.hand_in(visit, "t")
    assert judge_json(judgement) == judge_json(taken.judgement)


def test_the_same_file_again_gives_the_same_answer_and_changes_nothing(
    intake: Intake, visit: UUID
) -> None:
    first = intake.add_file(visit, CLEAN, "a.csv", "t", statement=RATES)
    lines = _lines(intake)
    again = intake.add_file(visit, CLEAN, "renamed.csv", "t", statement=RATES)
    assert again.already_there and not first.already_there
    assert (again.attachment_id, again.version) == (first.attachment_id, first.version)
    assert judge_json(again.judgement) == judge_json(first.judgement)
    assert [p.key for p in again.points] == [p.key for p in first.points]
    assert len(intake.visit(visit).readings) == 4
    assert _lines(intake) == lines


def test_the_same_file_with_another_statement_is_refused(intake: Intake, visit: UUID) -> None:
    intake.add_file(visit, CLEAN, "a.csv", "t", statement=RATES)
    other = replace(RATES, rates=(25.0, 50.0, 75.0, 100.0))
    with pytest.raises(StateConflict, match="withdraw it first"):
        intake.add_file(visit, CLEAN, "a.csv", "t", statement=other)


def test_a_withdrawn_file_can_come_again_otherwise_stated(intake: Intake, visit: UUID) -> None:
    first = intake.add_file(visit, DIRTY, "a.csv", "t", statement=RATES)
    with pytest.raises(WordsMissing):
        intake.withdraw_file(visit, first.attachment_id, "t", " ")
    assert intake.withdraw_file(visit, first.attachment_id, "t", "wrong order").worst != "stop"
    assert not intake.visit(visit).points
    other = replace(RATES, rates=(25.0, 50.0, 75.0, 100.0))
    intake.add_file(visit, DIRTY, "a.csv", "t", statement=other)
    view = intake.visit(visit)
    assert [p.key.firing_rate for p in view.points] == [25.0, 50.0, 75.0, 100.0]
    assert [a.withdrawn_why for a in view.attachments] == ["wrong order", None]


@pytest.mark.parametrize(
    ("data", "statement", "error"),
    [
        (b"%PDF-1.7 nothing", RATES, ReadError),
        (b"", RATES, ReadError),
        (b"a;b\n1;2\n", RATES, ReadError),
        (b"O2 [%];Stack temperature\n4;180\n", RATES, ReadError),
        (CLEAN, replace(RATES, rates=(100.0, 50.0)), PointsUnclear),
        (CLEAN, replace(RATES, phase=None), PointsUnclear),
        (CLEAN, Statement(phase="as_left"), PointsUnclear),
        (
            CLEAN,
            replace(RATES, rates=(), line_ranges=(LineRange(70, 80, firing_rate=5.0),)),
            PointsUnclear,
        ),
    ],
)
def test_what_cannot_be_read_leaves_nothing_behind(
    intake: Intake, visit: UUID, data: bytes, statement: Statement, error: type[Exception]
) -> None:
    lines = _lines(intake)
    with pytest.raises(error):
        intake.add_file(visit, data, "a.csv", "t", statement=statement)
    assert _lines(intake) == lines
    assert intake.book.reader.execute("SELECT COUNT(*) FROM evidence").fetchone() == (0,)
    assert intake.visit(visit).attachments == []


def test_readings_with_ids_can_be_sent_again_in_any_batches(intake: Intake, visit: UUID) -> None:
    given = [(new_id(), reading(rate)) for rate in (100.0, 60.0, 30.0)]
    ids, _, _ = intake.add_readings(visit, given[:2], "t")
    assert ids == [given[0][0], given[1][0]]
    intake.add_readings(visit, given, "t")
    lines = _lines(intake)
    again = intake.add_readings(visit, [given[2], given[0], given[2]], "t")
    assert again[0] == [given[2][0], given[0][0], given[2][0]]
    assert _lines(intake) == lines
    assert len(intake.visit(visit).readings) == 3


def test_one_id_for_two_readings_is_refused_whole(intake: Intake, visit: UUID) -> None:
    one = new_id()
    with pytest.raises(StateConflict, match=str(one)):
        intake.add_readings(visit, [(one, reading(100.0)), (one, reading(50.0))], "t")
    assert intake.visit(visit).readings == []


@pytest.mark.parametrize("value", [float("nan"), float("inf"), float("-inf")])
def test_a_value_that_is_no_number_is_refused(intake: Intake, visit: UUID, value: float) -> None:
    with pytest.raises(ValueError, match="co_dry"):
        intake.add_readings(visit, [(None, reading(co_dry=value))], "t")
    assert intake.visit(visit).readings == []


def test_whole_numbers_come_back_as_they_went_in(intake: Intake, visit: UUID) -> None:
    sent = reading(100.0, o2_dry=4.0, co_dry=0.0, stack_draft=-12.0)
    intake.add_readings(visit, [(None, sent)], "t")
    kept = intake.visit(visit).readings[0].reading
    assert kept.values == sent.values
    assert {type(v) for v in kept.values.values()} == {float}


def test_a_corrected_reading_stands_beside_the_one_it_replaces(intake: Intake, visit: UUID) -> None:
    (old,), judgement, _ = intake.add_readings(visit, [(None, reading(co_dry=900.0))], "t")
    assert judgement.worst == "stop"
    new = intake.supersede_reading(old, reading(co_dry=90.0), "R. Voss", "a digit too many")
    assert [k.id for k in intake.visit(visit).readings] == [new]
    assert intake.visit(visit).judgement.worst != "stop"
    from ingest.store import readings

    both = readings.readings(intake.book.reader, visit, superseded=True)
    gone = next(k for k in both if k.id == old)
    assert gone.reading.values["co_dry"] == 900.0
    assert (gone.superseded_by, gone.superseded_who, gone.superseded_why) == (
        new, "R. Voss", "a digit too many",
    )  # fmt: skip
    with pytest.raises(StateConflict, match="already superseded"):
        intake.supersede_reading(old, None, "R. Voss", "again")


def test_hand_in_freezes_and_judging_again_keeps_both(
    intake: Intake, boiler: Boiler, visit: UUID
) -> None:
    intake.add_file(visit, CLEAN, "a.csv", "t", statement=RATES)
    frozen, _ = intake.hand_in(visit, "t")
    stricter = boiler.model_copy(
        update={"limits": boiler.limits.model_copy(update={"stack_temperature_max": 150.0})}
    )
    intake.put_boiler(stricter, "office")
    assert judge_json(intake.visit(visit).judgement) == judge_json(frozen)
    again = intake.judge_again(visit, "R. Voss", "the limit was wrong")
    assert again.judgement.worst != frozen.worst
    kept = intake.visit(visit).judgements
    assert [k.kind for k in kept if k.kind != "current"] == ["hand_in", "again"]
    assert kept[-1].limits["limits"]["stack_temperature_max"]["value"] == 150.0
    assert kept[-2].limits["limits"].get("stack_temperature_max", {}).get("value") != 150.0
    assert intake.trail(visit)[-1]["details"]["why"] == "the limit was wrong"


def test_states_allow_what_they_should(intake: Intake, visit: UUID) -> None:
    intake.add_file(visit, CLEAN, "a.csv", "t", statement=RATES)
    for too_early in (intake.accept, intake.send_back):
        with pytest.raises(StateConflict):
            too_early(visit, "R. Voss", "words")
    intake.hand_in(visit, "t")
    with pytest.raises(StateConflict):
        intake.hand_in(visit, "t")
    with pytest.raises(StateConflict):
        intake.add_readings(visit, [(None, reading())], "t")
    with pytest.raises(WordsMissing):
        intake.send_back(visit, "R. Voss", "  ")
    intake.send_back(visit, "R. Voss", "low fire is missing")
    intake.add_readings(visit, [(None, reading(10.0))], "t")
    intake.hand_in(visit, "t")
    intake.accept(visit, "R. Voss", "seen")
    with pytest.raises(StateConflict):
        intake.send_back(visit, "R. Voss", "changed my mind")
    assert intake.visit(visit).state == "accepted"


def test_a_stop_is_not_accepted_without_words(intake: Intake, visit: UUID) -> None:
    intake.add_file(visit, DIRTY, "a.csv", "t", statement=RATES)
    intake.hand_in(visit, "t")
    with pytest.raises(WordsMissing):
        intake.accept(visit, "R. Voss")
    intake.accept(visit, "R. Voss", "isolated and tagged; replacement ordered")


def test_of_two_reviewers_at_once_one_wins_and_the_other_is_told(
    intake: Intake, visit: UUID
) -> None:
    intake.add_file(visit, CLEAN, "a.csv", "t", statement=RATES)
    _, version = intake.hand_in(visit, "t")
    told: list[str] = []
    gate = threading.Barrier(2)

    def decide(accepting: bool) -> None:
        gate.wait()
        try:
            if accepting:
                intake.accept(visit, "A", "fine", expected_version=version)
            else:
                intake.send_back(visit, "B", "look again", expected_version=version)
            told.append("done")
        except (VersionConflict, StateConflict):
            told.append("refused")

    both = [threading.Thread(target=decide, args=(a,)) for a in (True, False)]
    for one in both:
        one.start()
    for one in both:
        one.join()
    assert sorted(told) == ["done", "refused"]


def test_a_change_decided_on_an_older_version_is_refused(
    intake: Intake, boiler: Boiler, visit: UUID
) -> None:
    with pytest.raises(VersionConflict):
        intake.add_file(visit, CLEAN, "a.csv", "t", statement=RATES, expected_version=99)
    renamed = boiler.model_copy(update={"name": "B-1 left"})
    assert intake.put_boiler(renamed, "t", expected_version=1).version == 2
    with pytest.raises(VersionConflict):
        intake.put_boiler(boiler, "t", expected_version=1)


def test_the_review_list_is_worst_first_then_oldest_and_pages_by_key(
    intake: Intake, boiler: Boiler
) -> None:
    start = datetime(2026, 1, 1, 8, tzinfo=UTC)
    order = []
    for n in range(7):
        data = (DIRTY if n % 3 == 2 else CLEAN) + b"\n" * n
        one = with_visit(intake, boiler, started=start + timedelta(days=7 - n))
        intake.add_file(one, data, "a.csv", "t", statement=RATES)
        judgement, _ = intake.hand_in(one, "t")
        order.append((judgement.worst != "stop", start + timedelta(days=7 - n), one))
    whole = intake.review_list()
    assert [r.visit_id for r in whole][:2] == [v for _, _, v in sorted(order)][:2]
    assert {r.visit_id for r in whole} == {v for _, _, v in order}
    paged, after = [], None
    while page := intake.review_list(after=after, most=2):
        paged += page
        after = page[-1].position
    assert [r.visit_id for r in paged] == [r.visit_id for r in whole]
    stops = intake.review_list(Wanted(severities=("stop",)))
    assert [r.worst for r in stops] == ["stop", "stop"]
    intake.accept(whole[0].visit_id, "R. Voss", "isolated")
    assert whole[0].visit_id not in {r.visit_id for r in intake.review_list()}


def test_a_visit_waits_for_its_boiler_and_is_judged_when_it_comes(intake: Intake) -> None:
    waiting = Visit(id=new_id(), boiler_external_id="A-7", fuel="natural_gas")
    assert waiting.id is not None
    intake.put_visit(waiting, "app")
    intake.add_file(waiting.id, CLEAN, "a.csv", "app", statement=RATES)
    assert intake.visit(waiting.id).boiler is None
    document = {
        "name": "B-7",
        "external_id": "A-7",
        "limits": {"stack_temperature_max": "120 degC"},
    }
    boiler = intake.put_boiler(Boiler.model_validate(document), "office").document
    view = intake.visit(waiting.id)
    assert view.boiler == boiler
    assert "stack_temperature_max" in {f.rule for f in view.judgement.flags} or any(
        f.quantity == "stack_temperature" for f in view.judgement.flags
    )
    # The sender repeats its own document: nothing changes.
    assert intake.put_visit(waiting, "app").version == view.version


def test_an_external_id_names_one_thing(intake: Intake, boiler: Boiler) -> None:
    intake.put_boiler(boiler.model_copy(update={"external_id": "X"}), "t")
    with pytest.raises(StateConflict, match="'X'"):
        intake.put_boiler(Boiler(name="other", external_id="X"), "t")
    intake.put_boiler(Boiler(name="other", external_id="X"), "t", owner="another integrator")
    assert intake.by_external_id("boiler", "X") == boiler.id


def test_what_is_not_there_is_said_so(intake: Intake) -> None:
    nobody = new_id()
    for look in (intake.visit, intake.site, intake.boiler, intake.boiler_visits):
        with pytest.raises(NotFound, match=str(nobody)):
            look(nobody)  # type: ignore[operator]
    with pytest.raises(NotFound):
        intake.put_visit(Visit(boiler_id=nobody), "t")


def test_earlier_visits_feed_the_judgement_and_later_or_open_ones_do_not(
    intake: Intake, boiler: Boiler
) -> None:
    now = datetime(2026, 6, 1, tzinfo=UTC)
    days = {"before": -300, "after": 10, "open": -100}
    ids = {}
    for name, day in days.items():
        ids[name] = with_visit(intake, boiler, started=now + timedelta(days=day))
        intake.add_file(ids[name], CLEAN, "a.csv", "t", statement=RATES)
        if name != "open":
            intake.hand_in(ids[name], "t")
    this = with_visit(intake, boiler, started=now)
    assert [e.visit.id for e in intake.visit(this).history] == [ids["before"]]
    assert [r.id for r in intake.boiler_visits(_id(boiler))] == [
        ids["after"], this, ids["open"], ids["before"],
    ]  # fmt: skip


def _id(boiler: Boiler) -> UUID:
    assert boiler.id is not None
    return boiler.id


def test_a_long_log_comes_back_with_every_place(intake: Intake, visit: UUID) -> None:
    rows = 3_000
    body = "Load [%];O2 [%];CO [ppm]\n" + "".join(
        f"{(100, 50)[n // 1_500]};{4 + n % 7 / 10:.1f};{n % 30}\n" for n in range(rows)
    )
    taken = intake.add_file(
        visit, body.encode(), "log.csv", "t", statement=Statement(phase="as_left")
    )
    assert taken.readings == rows
    kept = intake.visit(visit).readings
    assert kept[-1].reading.lines == (rows + 1,)
    assert kept[-1].reading.at["co_dry"] == (rows + 1, 3)
    assert kept[2_345].reading.values["co_dry"] == 2_345 % 30
