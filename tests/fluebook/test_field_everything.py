"""Every kind of entry that a technician can make travels, or is named as staying."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from ingest.intake import Intake
from ingest.store import Book
from tests.fluebook.field_case import (
    PERSON,
    Office,
    hand_in_signed,
    meeting,
    running_office,
    same,
    with_everything,
)


@pytest.fixture
def office(tmp_path: Path) -> Iterator[Office]:
    with running_office(tmp_path / "office.db") as opened:
        yield opened


@pytest.fixture
def field(tmp_path: Path) -> Iterator[Intake]:
    with Book(tmp_path / "field.db") as book:
        yield Intake(book)


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
