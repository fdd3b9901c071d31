"""What was done about the findings of a visit: words beside a flag, with who and when."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC
from uuid import UUID

from ingest.intake_judging import boiler_and_site, present
from ingest.intake_shapes import Kept
from ingest.intake_taking import Taking
from ingest.models import Handled, Visit
from ingest.store import visits
from ingest.store.errors import NotFound, StateConflict
from parsers.times import zone_of


@dataclass(frozen=True, slots=True)
class Said:
    """Words about one flag.

    Attributes
    ----------
    flag : str
        Id of the flag, or the key of its rule.
    words : str
        What was done; empty takes back what was said.
    was : str or None
        What stood there when it was written; None does not compare.
    """

    flag: str
    words: str
    was: str | None = None


class HandledFlags(Taking):
    """What the intake takes about the findings of open visits."""

    def say_handled(
        self,
        visit_id: UUID,
        said: Sequence[Said],
        who: str,
        *,
        expected_version: int | None = None,
    ) -> Kept[Visit]:
        """Write what was done about flags; the same words again change nothing.

        Raises
        ------
        NotFound
            If the visit's judgement has no such flag and no flag of such a rule.
        StateConflict
            If other words stand there than those that the writer saw, or the visit is handed in
            or accepted.
        """
        with self.book.change(who) as change:
            row = visits.visit_row(change.sql, visit_id)
            visits.check_version(row, expected_version)
            boiler, site = boiler_and_site(change.sql, row.visit)
            zone = zone_of((boiler and boiler.zone) or (site and site.zone) or None) or UTC
            now = self.book.clock().astimezone(zone).replace(microsecond=0)
            judgement = present(change.sql, row)[1]
            known = {f.id for f in judgement.flags} | {f.rule for f in judgement.flags}
            held = {h.flag: h for h in row.visit.handled}
            for one in said:
                if one.flag not in known and one.flag not in held:
                    raise NotFound("flag", one.flag)
                there = held.get(one.flag)
                before = there.words if there is not None else ""
                words = one.words.strip()
                if words == before:
                    continue
                if one.was is not None and one.was.strip() != before:
                    raise StateConflict(
                        f"about {one.flag} somebody else wrote meanwhile: {before or 'nothing'}"
                    )
                held.pop(one.flag, None)
                if words:
                    held[one.flag] = Handled(flag=one.flag, words=words, by=who, time=now)
            visit = row.visit.model_copy(update={"handled": list(held.values())})
            return self.put_visit(visit, who)
