"""Plans that are in force, and how one is taken out of use."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from uuid import UUID

from ingest.intake_shapes import Kept
from ingest.models import Boiler
from ingest.service.kept import plans_for
from ingest.service.plans import Plan
from ingest.store import places, plans, reach
from ingest.store.book import Book
from ingest.store.errors import StateConflict


@dataclass(frozen=True, slots=True)
class Naming:
    """The boilers that name a plan: id and name of those within reach, and how many in all."""

    boilers: Sequence[tuple[UUID, str]]
    count: int


class PlansInUse:
    """What the intake says of plans as they are in force, and of whom they keep."""

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

    def keep_boiler_by(
        self,
        boiler_id: UUID,
        keys: Sequence[str],
        who: str,
        known: Mapping[str, Plan],
        *,
        expected_version: int | None = None,
    ) -> Kept[Boiler]:
        """Let a boiler name its plans; with none it is kept by the routine ones of its kind.

        The same plans again change nothing. Visits go on by the plans that they followed.

        Parameters
        ----------
        keys : sequence of str
            Plans in force, in the order in which they are named; twice the same counts once.

        Raises
        ------
        NotFound
            If there is no such boiler within reach.
        StateConflict
            If a plan is not in force.
        VersionConflict
            If the boiler was changed meanwhile.
        """
        chosen = list(dict.fromkeys(keys))
        with self.book.change(who) as change:
            boiler, version = places.document(change.sql, "boiler", boiler_id, Boiler)
            for key in chosen:
                if key not in known:
                    raise StateConflict(
                        f"the plan {key} is not in force; bring it in first, or choose another"
                    )
            if chosen != boiler.plans:
                before = boiler.plans
                boiler = boiler.model_copy(update={"plans": chosen})
                owner = places.owner(change.sql, "boiler", boiler_id)
                version = places.put_boiler(change, boiler, owner, expected_version)
                change.record(
                    "plans_chosen", f"boiler:{boiler_id}", {"before": before, "after": chosen}
                )
        return Kept(boiler, version)

    def boilers_naming(self) -> dict[str, Naming]:
        """Return by plan which boilers name it: it cannot be removed while one does."""
        sql = self.book.reader
        return {
            key: Naming(
                [(UUID(i), name) for i, name in found if reach.reaches_boiler(sql, i)], len(found)
            )
            for key, found in plans.boilers_naming(sql).items()
        }

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
