"""Every kind of entry that a technician can make travels, or is named as staying."""

from __future__ import annotations

from ingest.capture import HEADER
from ingest.capture_log import how_heard
from ingest.cut_operations import CutOperation
from ingest.intake import Intake
from ingest.service.office import office_plans
from parsers.maps import taught
from parsers.stream_events import StreamRules
from tests.fluebook.field_case import (
    PERSON,
    Office,
    hand_in_signed,
    meeting,
    opened_visit,
    same,
    sent_over_a_lossy_line,
    with_everything,
)


def test_all_of_a_visit_is_at_the_office_as_it_is_here(field: Intake, office: Office) -> None:
    visit_id = with_everything(field)
    first = meeting(field, office).send()
    assert first.clean, first
    same(field, office.intake, visit_id)
    lines = len(office.intake.trail(visit_id))
    again = meeting(field, office).send()
    assert again.clean and not again.done
    assert len(office.intake.trail(visit_id)) == lines
    assert office.intake.maps() == field.maps()
    hand_in_signed(field, visit_id)
    assert meeting(field, office).send().clean
    same(field, office.intake, visit_id)


def test_a_hand_in_keeps_who_signed_what_and_when(field: Intake, office: Office) -> None:
    visit_id = with_everything(field)
    hand_in_signed(field, visit_id)
    assert meeting(field, office).send().clean
    (mine,) = [one for one in field.trail(visit_id) if one["action"] == "handed_in"]
    (there,) = [one for one in office.intake.trail(visit_id) if one["action"] == "handed_in"]
    assert there["who"] == f"{PERSON} (laptop 1)"
    assert there["details"]["printed_name"] == "Jo Harrow"
    assert there["details"]["signed_at"] == mine["at"]
    assert there["details"]["signed_report_sha256"] == mine["details"]["report_sha256"]


def test_a_line_that_loses_four_calls_in_ten_brings_each_thing_once(
    field: Intake, office: Office
) -> None:
    visit_id = with_everything(field)
    hand_in_signed(field, visit_id)
    sent_over_a_lossy_line(field, office, 20261129, most=40)
    same(field, office.intake, visit_id)
    actions = [line["action"] for line in office.intake.trail(visit_id)]
    assert actions.count("visit_opened") == actions.count("handed_in") == 1
    assert actions.count("reading_superseded") == 4


HEADLESS = b"".join(
    b"@ 2026-11-02T09:%02d:%02d+00:00 %d\n%b\n" % (n // 12, n % 12 * 5, len(line), line)
    for n in range(120)
    for line in [b"%.1f;%d;%.1f\r\n" % (5.0 if n < 60 else 3.5, 20, 150.0 if n < 60 else 190.0)]
)


def test_a_capture_of_an_instrument_without_headings_is_heard_the_same_there(
    field: Intake, office: Office
) -> None:
    visit_id = opened_visit(field)
    headings = ("O2 %", "CO ppm", "Channel T")
    own = taught("port", headings, {"Channel T": "stack_temperature[degC]"})
    rules = StreamRules(headings=headings, delimiter=";", map=own)
    cut, _ = field.add_log(
        visit_id, HEADER + HEADLESS, "heard.capture", PERSON, options=how_heard(rules)
    )
    assert list(cut.log.columns) == ["o2_dry", "co_dry", "stack_temperature"]
    assert meeting(field, office).send().clean
    (there,) = office.intake.logs(visit_id)
    found = office.intake.log_cut(visit_id, there)
    assert found.log.sha256 == cut.log.sha256
    assert found.segments == cut.segments


def test_corrections_of_a_cut_made_at_the_office_come_down(field: Intake, office: Office) -> None:
    visit_id = with_everything(field)
    assert meeting(field, office).send().clean
    (there,) = office.intake.logs(visit_id)
    first = office.intake.log_cut(visit_id, there).plateaus[0]
    drop = CutOperation("drop", at=(first.start + first.end) / 2, why="not steady either")
    office.intake.correct_cut(visit_id, there, [drop], "L. Sorrel")
    office.intake.confirm_cut(visit_id, there, "L. Sorrel")
    fetched = meeting(field, office).fetch()
    assert fetched.clean, fetched
    same(field, office.intake, visit_id)


def test_a_plan_that_the_office_took_out_of_use_is_out_of_use_here(
    field: Intake, office: Office
) -> None:
    plan = office_plans()["call-out"]
    field.put_plan(plan, PERSON)
    assert meeting(field, office).send().clean
    office.intake.remove_plan(plan.key, "L. Sorrel", office.intake.plans())
    for _ in range(2):
        assert meeting(field, office).fetch().clean
        assert plan.key not in field.plans() and plan.key in field.removed_plans()
        assert meeting(field, office).send().clean
        assert plan.key not in office.intake.plans()
    office.intake.put_plan(plan, "L. Sorrel")
    assert meeting(field, office).fetch().clean
    assert plan.key in field.plans()


ELSEWHERE = {
    "travels": "site boiler job visit evidence attachment reading column_map plan removed_plan "
    "setting cut cut_correction cut_confirmation",
    "is made anew there": "point judgement flag boiler_trend cut_columns",
    "is of the book itself": "audit audit_seal office_copy opened_first _sqlite_migrations "
    "sqlite_sequence",
    "is named as staying": "waiting_readings standing_acceptance standing_stop",
    "belongs to the server": "account account_session access_key one_time_link kept_answer webhook "
    "duty_person message delivery delivery_try layout sealed_secret",
}
"""What becomes of each table of a field book, as docs/field-book.md tells it."""


def test_every_table_of_the_book_is_thought_of(field: Intake) -> None:
    rows = field.book.reader.execute("SELECT name FROM sqlite_schema WHERE type = 'table'")
    known = {name for names in ELSEWHERE.values() for name in names.split()}
    assert {row[0] for row in rows} - known == set()
