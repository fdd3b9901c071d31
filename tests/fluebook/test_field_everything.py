"""Every kind of entry that a technician can make travels, or is named as staying."""

from __future__ import annotations

import httpx

from fluebook import Unreachable
from ingest.intake import Intake
from tests.fluebook.field_case import (
    PERSON,
    Lossy,
    Office,
    hand_in_signed,
    meeting,
    same,
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
    with httpx.Client(transport=Lossy(20261129)) as http:
        for _ in range(40):
            try:
                outcome = meeting(field, office, http=http, tries=2).send()
            except Unreachable:
                continue
            assert outcome.clean, outcome
            break
        else:
            raise AssertionError("never through")
    same(field, office.intake, visit_id)
    actions = [line["action"] for line in office.intake.trail(visit_id)]
    assert actions.count("visit_opened") == actions.count("handed_in") == 1
    assert actions.count("reading_superseded") == 4
