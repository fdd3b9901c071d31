"""Readings that both sides corrected, each its own way: shown, or settled as a person says."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from functools import partial
from uuid import UUID

from fluebook.field_book.chains import Chain, Step, fetched
from fluebook.field_book.meeting import Meeting
from ingest.dimensions import CANONICAL_UNITS

_DECIDED = "decided between two corrections"


def reading_conflict(meeting: Meeting, name: str, mine: Chain, office: Chain) -> None:
    """Show both versions of a reading."""
    rate = mine.root.body.get("firing_rate")
    where = "" if rate is None else f" at {rate:g} %"
    identity = mine.root.id
    meeting.conflict("reading", identity, f"{name}, reading{where}", mine.shown(), office.shown())


def settling(
    meeting: Meeting, visit_id: UUID, mine: Chain, office: Chain
) -> Callable[[], None] | None:
    """Return what puts the version in force that a person let stand, None where nobody said."""
    settle = {"mine": settle_mine, "office": settle_office}
    whose = meeting.stands(mine.root.id)
    return None if whose is None else partial(settle[whose], meeting, visit_id, mine, office)


def settle_mine(meeting: Meeting, visit_id: UUID, mine: Chain, office: Chain) -> None:
    """Put our version of a reading in place of the office's."""
    units = dict(CANONICAL_UNITS)
    body = None if mine.last is None else mine.last.body
    if office.last is None:
        assert body is not None
        meeting.office.post_readings(visit_id, {"readings": [body], "units": units})
        return
    why, who, at = _last_words(mine)
    meeting.office.supersede(office.last.id, body, why, units=units, who=who, made_at=at)


def settle_office(meeting: Meeting, visit_id: UUID, mine: Chain, office: Chain) -> None:
    """Put the office's version of a reading in place of ours.

    A visit that is handed in here is open again then: it was handed in with another reading.
    """
    intake = meeting.intake
    why, who, at = _last_words(office)
    if intake.visit(visit_id).state == "handed_in":
        intake.send_back(visit_id, said_by(who), f"a reading was corrected at the office: {why}")
    if mine.last is None:
        assert office.last is not None
        given = [(UUID(office.last.id), fetched(office.last.body))]
        intake.add_readings(visit_id, given, meeting.who)
        return
    intake.supersede_reading(
        UUID(mine.last.id),
        None if office.last is None else fetched(office.last.body),
        said_by(who),
        why,
        identity=None if office.last is None else UUID(office.last.id),
        made_at=at,
    )


def follow(meeting: Meeting, old: str, step: Step, *, past: bool = False) -> None:
    """Make one correction here that the office made: same words, same time, its name."""
    meeting.intake.supersede_reading(
        UUID(old),
        None if step.new is None else fetched(step.new.body),
        said_by(step.old.who),
        step.old.why or _DECIDED,
        identity=None if step.new is None else UUID(step.new.id),
        made_at=step.old.gone_at,
        past=past,
    )


def said_by(who: str | None) -> str:
    """Return a name of the office's trail for this one's."""
    return f"office: {who or 'unknown'}"[:100]


def _last_words(chain: Chain) -> tuple[str, str | None, datetime | None]:
    done = chain.steps()
    if not done:
        return _DECIDED, None, None
    old = done[-1].old
    return old.why or _DECIDED, old.who, old.gone_at
