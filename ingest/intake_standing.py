"""Standing acceptances taken, ended, and expiring by themselves."""

from __future__ import annotations

from collections.abc import Iterable
from uuid import UUID

from ingest.intake_shapes import must_say
from ingest.rules import RULES
from ingest.store import judgements, standing
from ingest.store.book import Book, Change
from ingest.store.errors import NotFound, StateConflict
from ingest.store.standing import Standing

ITSELF = "fluebook"
"""Who ends an acceptance whose day has passed."""


class StandingAcceptances:
    """What the intake takes about findings that are accepted to stand."""

    book: Book

    def add_standing(self, one: Standing, who: str) -> Standing:
        """Let findings of a rule stand on one boiler; its waiting visits are marked at once.

        The same again, by its id, changes nothing.

        Raises
        ------
        WordsMissing
            If no reason is given.
        NotFound
            If boiler or rule are not known.
        StateConflict
            If it would be about a stop, would never end, or ended before it began.
        """
        must_say(one.reason, "why the finding may stand")
        if one.rule not in RULES:
            raise NotFound("rule", one.rule)
        if one.severity == "stop":
            raise StateConflict("a stop is never accepted to stand")
        if one.until is None and not one.until_part_change:
            raise StateConflict("say until which day, or until the next part change")
        if (one.up_to is None) != (one.quantity is None):
            raise StateConflict("a value up to which it holds stands with its quantity")
        with self.book.change(who) as change:
            there = _same(change, one)
            if there is not None:
                return there
            if one.until is not None and one.until < self.book.today():
                raise StateConflict(f"{one.until} has passed")
            standing.add(change, one)
            _mark_again(change, one.boiler_id)
            return standing.standing(change.sql, one.id)

    def end_standing(
        self, identity: UUID, who: str, why: str, *, expected_version: int | None = None
    ) -> Standing:
        """End a standing acceptance before its time; what it covered is flagged again."""
        must_say(why, "why it ends")
        with self.book.change(who) as change:
            ended = standing.end(change, identity, "ended", why, expected_version)
            _mark_again(change, ended.boiler_id)
        return ended

    def standing(self, identity: UUID) -> Standing:
        """Return one standing acceptance, ended or not."""
        self.expire_standings()
        return standing.standing(self.book.reader, identity)

    def standings(self, boiler_id: UUID | None = None, *, ended: bool = False) -> list[Standing]:
        """Return the standing acceptances, newest first; the ended ones too where asked."""
        self.expire_standings()
        return standing.standings(self.book.reader, boiler_id, ended=ended)

    def covered_flags(self, visit_id: UUID) -> dict[int, Standing]:
        """Return what covers the flags of a visit, by their place in its judgement."""
        self.expire_standings()
        sql = self.book.reader
        found = standing.marks(sql, visit_id)
        return {place: standing.standing(sql, identity) for place, identity in found.items()}

    def expire_standings(self) -> None:
        """End those whose last day has passed; costs one look where there is none."""
        today = self.book.today()
        if not standing.run_out(self.book.reader, today):
            return
        with self.book.change(ITSELF) as change:
            over = standing.run_out(change.sql, today)
            for one in over:
                standing.end(change, one.id, "date", f"its last day was {one.until}")
            for boiler_id in {one.boiler_id for one in over}:
                _mark_again(change, boiler_id)


def end_by_part_change(change: Change, boiler_id: UUID | None) -> None:
    """End the acceptances of a boiler that last until a part is changed, where one was."""
    if boiler_id is None:
        return
    ended = [
        standing.end(change, one.id, "part_change", f"fitted: {part}")
        for one in standing.standings(change.sql, boiler_id)
        if one.until_part_change and (part := standing.part_fitted_since(change.sql, one))
    ]
    for boiler in {one.boiler_id for one in ended}:
        _mark_again(change, boiler)


def _same(change: Change, one: Standing) -> Standing | None:
    try:
        there = standing.standing(change.sql, one.id)
    except NotFound:
        return None
    if _asked(there) != _asked(one):
        raise StateConflict(f"the id {one.id} is taken by another standing acceptance")
    return there


def _asked(one: Standing) -> tuple[object, ...]:
    said = (one.boiler_id, one.rule, one.reason, one.severity, one.quantity, one.up_to)
    return (*said, one.until, one.until_part_change)


def _mark_again(change: Change, boiler_id: UUID) -> None:
    waiting: Iterable[UUID] = standing.unfinished(change.sql, boiler_id)
    for visit_id in waiting:
        made = judgements.judgements(change.sql, visit_id)
        decided = [j for j in made if j.kind != "again"][-1:]
        if decided:
            standing.mark(change, visit_id, decided[0].judgement.flags)
