"""A log's cut that was corrected in the field book, at the office, or on both sides."""

from __future__ import annotations

import random
from uuid import UUID

import pytest

from fluebook.field_book import conflict_lines
from ingest.cut_operations import CutOperation, standing
from ingest.intake import Intake
from ingest.intake_cuts import LogCut
from tests.fluebook.field_case import LOG, PERSON, Office, meeting, opened_visit, same

RATES = (25.0, 50.0, 50.0, 100.0, 75.0)


def _cut(book: Intake, visit_id: UUID) -> LogCut:
    (identity,) = book.logs(visit_id)
    return book.log_cut(visit_id, identity)


def _correct(book: Intake, visit_id: UUID, *operations: CutOperation, confirm: bool = True) -> None:
    cut = _cut(book, visit_id)
    book.correct_cut(visit_id, cut.attachment.id, operations, PERSON)
    if confirm:
        book.confirm_cut(visit_id, cut.attachment.id, PERSON)


def _rate(cut: LogCut, plateau: int, rate: float) -> CutOperation:
    s = cut.plateaus[plateau]
    return CutOperation("rate", at=(s.start + s.end) / 2, rate=rate)


def _alike(field: Intake, office: Intake, visit_id: UUID) -> None:
    mine, theirs = _cut(field, visit_id), _cut(office, visit_id)
    assert theirs.segments == mine.segments and theirs.phases == mine.phases
    assert theirs.confirmed == mine.confirmed
    assert office.visit(visit_id).points == field.visit(visit_id).points
    assert field.book.verify() == [] and office.book.verify() == []


@pytest.fixture
def both(field: Intake, office: Office) -> UUID:
    """A visit with a log whose cut was named, confirmed and sent."""
    visit_id = opened_visit(field)
    cut, _ = field.add_log(visit_id, LOG, "log.csv", PERSON)
    named = [_rate(cut, n, rate) for n, rate in enumerate(RATES)]
    _correct(field, visit_id, *named, CutOperation("phase", phase="as_left"))
    assert meeting(field, office).send().clean
    same(field, office.intake, visit_id)
    return visit_id


@pytest.mark.parametrize(("whose", "act"), [("mine", "send"), ("office", "fetch")])
def test_a_cut_that_both_corrected_shows_both_until_a_person_says(
    field: Intake, office: Office, both: UUID, whose: str, act: str
) -> None:
    cut = _cut(field, both)
    identity = cut.attachment.id
    drop = CutOperation("drop", at=cut.plateaus[-1].start + 30, why="not yet steady")
    _correct(field, both, drop)
    _correct(office.intake, both, _rate(cut, 1, 40.0), _rate(cut, 2, 60.0))
    for look in (meeting(field, office).send, meeting(field, office).fetch):
        outcome = look()
        (conflict,) = outcome.conflicts
        assert not outcome.refused
        text = "\n".join(conflict_lines(conflict))
        assert "is left out (not yet steady)" in text and "was fired at 40 %" in text
        assert f"--theirs {identity}" in text and "correction 1:" not in text
    decided = meeting(field, office, whose={identity: whose})
    assert getattr(decided, act)().clean
    _alike(field, office.intake, both)
    dropped = len(_cut(field, both).plateaus) == len(cut.plateaus) - 1
    assert dropped == (whose == "mine")
    assert meeting(field, office).send().clean and meeting(field, office).fetch().clean
    # From here on each side's corrections go to the other again, taking back included.
    _correct(office.intake, both, CutOperation("undo"))
    assert meeting(field, office).fetch().clean
    _alike(field, office.intake, both)
    _correct(field, both, _rate(_cut(field, both), 0, 30.0))
    assert meeting(field, office).send().clean
    _alike(field, office.intake, both)


def test_a_cut_that_only_the_office_confirmed_is_confirmed_here(
    field: Intake, office: Office
) -> None:
    visit_id = opened_visit(field)
    cut, _ = field.add_log(visit_id, LOG, "log.csv", PERSON)
    named = [_rate(cut, n, rate) for n, rate in enumerate(RATES)]
    _correct(field, visit_id, *named, CutOperation("phase", phase="as_left"), confirm=False)
    assert meeting(field, office).send().clean
    office.intake.confirm_cut(visit_id, next(iter(office.intake.logs(visit_id))), "L. Sorrel")
    assert meeting(field, office).fetch().clean
    _alike(field, office.intake, visit_id)
    assert _cut(field, visit_id).confirmed


def test_a_cut_that_is_not_confirmed_does_not_take_the_place_of_one_that_is(
    field: Intake, office: Office
) -> None:
    visit_id = opened_visit(field)
    cut, _ = field.add_log(visit_id, LOG, "log.csv", PERSON)
    assert meeting(field, office).send().clean
    _correct(field, visit_id, _rate(cut, 0, 25.0), confirm=False)
    named = [_rate(cut, 1, 50.0), CutOperation("phase", phase="as_left")]
    _correct(office.intake, visit_id, *named)
    decided = meeting(field, office, whose={cut.attachment.id: "mine"})
    (said,) = decided.send().refused
    assert "confirm it here first" in said
    assert len(_cut(office.intake, visit_id).corrections) == len(named)


def test_one_cut_that_cannot_be_looked_at_stops_nothing_else(
    field: Intake, office: Office, both: UUID, monkeypatch: pytest.MonkeyPatch
) -> None:
    other = opened_visit(field)
    _correct(field, both, _rate(_cut(field, both), 0, 30.0))
    client = type(meeting(field, office).office)

    def broken(self: object, visit_id: object, attachment_id: object) -> object:
        from fluebook import Refused

        raise Refused(409, {"title": "the file is read otherwise", "detail": "withdraw it"})

    monkeypatch.setattr(client, "log_cut", broken)
    outcome = meeting(field, office).send()
    (said,) = outcome.refused
    assert "the cut of log.csv" in said and "read otherwise" in said
    assert any(f"visit {other} is with the office" in line for line in outcome.done)


@pytest.mark.parametrize("seed", [0])
def test_two_cuts_come_together_whatever_both_sides_do(
    field: Intake, office: Office, both: UUID, seed: int
) -> None:
    chance = random.Random(seed)
    identity = _cut(field, both).attachment.id
    for _ in range(3):
        for book in (field, office.intake):
            for _ in range(chance.randrange(3)):
                cut = _cut(book, both)
                n = chance.randrange(len(RATES))
                one = _rate(cut, n, chance.choice([20.0, 30.0, 45.0]))
                undoable = standing([CutOperation(**c.operation) for c in cut.corrections])
                if chance.random() < 0.3 and len(undoable) > 6:
                    one = CutOperation("undo")
                _correct(book, both, one, confirm=chance.random() < 0.7)
        whose = chance.choice(["mine", "office"])
        for act in ("send", "fetch", "send"):
            getattr(meeting(field, office, whose={identity: whose}), act)()
        assert meeting(field, office).send().clean and meeting(field, office).fetch().clean
        _alike(field, office.intake, both)
