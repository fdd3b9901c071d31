"""Accepting many visits at once: those with nothing to act on, a drawn share opened first."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from uuid import UUID

from ingest.intake_deciding import Deciding
from ingest.intake_standing import StandingAcceptances
from ingest.judgement import NotJudged
from ingest.rules import RULES
from ingest.store import judgements, lists, opened, visits
from ingest.store.book import Book

MAY_LACK = frozenset({"co_sensor_range_end", "vent_overheated"})
"""Safety rules about facts of the equipment that an office may never have stated."""

ALSO_OWED = frozenset({"o2_below_band", "stack_temperature_high", "rates_missing"})
"""What every visit owes beside the safety rules."""

MOST = 200
"""Visits accepted together at once."""


@dataclass(frozen=True, slots=True)
class Ready:
    """A waiting visit with nothing to act on.

    Attributes
    ----------
    drawn : bool
        Whether it is of the share that must be opened before it is accepted.
    opened : bool
        Whether a reviewer has opened it as it is.
    """

    listed: lists.Listed
    drawn: bool
    opened: bool


@dataclass(frozen=True, slots=True)
class Together:
    """What was accepted, and what was left with the reason."""

    accepted: Sequence[UUID]
    left: Sequence[tuple[UUID, str]]


def is_drawn(visit_id: UUID, day: date, percent: int) -> bool:
    """Return whether a visit is of a day's share: drawn by day and id, so that it can be shown.

    >>> is_drawn(UUID(int=1), date(2026, 11, 25), 0), is_drawn(UUID(int=1), date(2026, 11, 25), 100)
    (False, True)
    """
    return _lot(visit_id, day) % 100 < percent


def drawn_of(visit_ids: Sequence[UUID], day: date, percent: int) -> set[UUID]:
    """Return a day's share of some visits, at least one of them where there is to be a share.

    >>> some = [UUID(int=n) for n in range(5)]
    >>> [len(drawn_of(some, date(2026, 11, 25), percent)) for percent in (0, 1, 100)]
    [0, 1, 5]
    """
    drawn = {one for one in visit_ids if is_drawn(one, day, percent)}
    if not drawn and percent and visit_ids:
        return {min(visit_ids, key=lambda one: _lot(one, day))}
    return drawn


def _lot(visit_id: UUID, day: date) -> int:
    lot = hashlib.sha256(f"{day.isoformat()} {visit_id}".encode()).digest()
    return int.from_bytes(lot[:4], "big")


def owed(not_judged: Iterable[NotJudged]) -> list[str]:
    """Return the rules whose input every visit owes and that had none."""
    return [
        n.rule
        for n in not_judged
        if n.rule in ALSO_OWED
        or (n.rule in RULES and RULES[n.rule].safety and n.rule not in MAY_LACK)
    ]


class AcceptingTogether(Deciding, StandingAcceptances):
    """What the intake takes about visits that need no eye each."""

    book: Book

    def ready_together(self, percent: int) -> list[Ready]:
        """Return the waiting visits with nothing above info and nothing owed unjudged."""
        self.expire_standings()
        sql = self.book.reader
        wanted = lists.Wanted(nothing_to_act_on=True)
        listed = lists.review_list(sql, wanted, most=MOST)
        shown = [one.visit_id for one in listed]
        lacking = judgements.not_judged(sql, shown)
        seen = opened.opened_of(sql, shown)
        ready = [
            one for one in listed if one.visit_id in lacking and not owed(lacking[one.visit_id])
        ]
        drawn = drawn_of([one.visit_id for one in ready], self.book.today(), percent)
        return [Ready(one, one.visit_id in drawn, one.visit_id in seen) for one in ready]

    def opened_for_review(self, visit_id: UUID, who: str) -> None:
        """Keep that a reviewer opened a waiting visit."""
        row = visits.visit_row(self.book.reader, visit_id)
        if row.state != "handed_in" or opened.was_opened(self.book.reader, visit_id, row.version):
            return
        with self.book.change(who) as change:
            opened.keep_opened(change, visit_id, row.version)

    def accept_together(self, chosen: Sequence[UUID], who: str, percent: int) -> Together:
        """Accept those of the chosen visits that still have nothing to act on.

        All in one change, with a line of the trail for each. One that was drawn and not opened, or
        that is no longer as it was shown, is left and named.
        """
        accepted: list[UUID] = []
        left: list[tuple[UUID, str]] = []
        with self.book.change(who):
            ready = {one.listed.visit_id: one for one in self.ready_together(percent)}
            for visit_id in dict.fromkeys(chosen):
                one = ready.get(visit_id)
                if one is None:
                    left.append((visit_id, "it no longer waits with nothing to act on"))
                elif one.drawn and not one.opened:
                    left.append((visit_id, "it was drawn to be opened first"))
                else:
                    self.accept(visit_id, who, _note(one))
                    accepted.append(visit_id)
        return Together(accepted, left)


def _note(one: Ready) -> str:
    said = "accepted together with others"
    if one.listed.covered:
        said += f"; {one.listed.covered} under a standing acceptance"
    if one.drawn:
        said += "; drawn and opened first"
    return said
