"""Plans that are in force, and how one is taken out of use."""

from __future__ import annotations

from collections.abc import Mapping

from ingest.service.kept import plans_for
from ingest.service.plans import Plan
from ingest.store import places, plans
from ingest.store.book import Book


class PlansInUse:
    """What the intake says of plans as they are in force."""

    book: Book

    def plans_in_force(self, office: Mapping[str, Plan]) -> dict[str, Plan]:
        """Return the plans by key: the book's, and of the office's files those not removed here.

        Parameters
        ----------
        office : mapping of plan key to Plan
            Read from the office's folder; a plan of the book comes before one of its key.
        """
        sql = self.book.reader
        gone = plans.removed(sql)
        held = {kept.plan.key: kept.plan for kept in plans.plans(sql)}
        return {**{key: plan for key, plan in office.items() if key not in gone}, **held}

    def look_at_removal(self, key: str, known: Mapping[str, Plan]) -> list[str]:
        """Return the names of the boilers at which nothing falls due by a plan once it is removed.

        Raises
        ------
        NotFound, StateConflict
            As ``remove_plan`` does.
        """
        plans.must_be_free(self.book.reader, key, known)
        found = []
        for boiler in places.boilers(self.book.reader):
            # None of them names it; one that names a plan that is nowhere is kept by none.
            if not boiler.plans and any(plan.key == key for plan in plans_for(boiler, known)):
                found.append(boiler.name)
        return found

    def remove_plan(self, key: str, who: str, known: Mapping[str, Plan]) -> None:
        """Take a plan out of use: it is offered no more and nothing of it falls due.

        Every version stays, and visits that followed one go on by it. A plan of the office's files
        comes into the book first, so that it stays there too. Brought in again, it is in force.

        Parameters
        ----------
        known : mapping of plan key to Plan
            The plans in force, those that are not in the book included.

        Raises
        ------
        NotFound
            If no plan in force has this key.
        StateConflict
            While another plan includes it, or a boiler names it among its plans.
        """
        with self.book.change(who) as change:
            plans.remove(change, key, known)

    def removed_plans(self) -> Mapping[str, tuple[str, str]]:
        """Return the plans that are out of use by key: when and by whom each was removed."""
        return plans.removed(self.book.reader)
