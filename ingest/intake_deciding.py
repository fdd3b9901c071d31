"""A visit handed in, accepted, sent back, and judged again."""

from __future__ import annotations

from uuid import UUID

from ingest.intake_judging import PROGRAM_VERSION, judged, live_points, present
from ingest.intake_shapes import OPEN_STATES, Decided, Signing, must_say
from ingest.intake_standing import end_by_part_change
from ingest.intake_taking import must_be_open
from ingest.judgement import Judgement
from ingest.store import jobs, judgements, visits
from ingest.store.book import Book, Change
from ingest.store.errors import StateConflict
from ingest.store.judgements import KeptJudgement
from ingest.store.visits import VisitRow


class Deciding:
    """What is decided about whole visits."""

    book: Book

    def hand_in(
        self,
        visit_id: UUID,
        who: str,
        *,
        expected_version: int | None = None,
        sign: Signing | None = None,
    ) -> tuple[Judgement, int]:
        """Hand a visit in: its judgement is frozen with the limits and the rules it was made by.

        What ``sign`` returns (the name as printed, the report signed) stands in the trail's line.
        """
        with self.book.change(who) as change:
            row = visits.visit_row(change.sql, visit_id)
            visits.check_version(row, expected_version)
            must_be_open(row)
            judgement, limits, plan = judged(change.sql, row, live_points(change.sql, visit_id))
            signed = sign(change, Decided(judgement, limits.snapshot, plan)) if sign else {}
            frozen = judgements.write_judgement(
                change, visit_id, "hand_in", judgement, limits, PROGRAM_VERSION, plan=plan
            )
            frozen |= jobs.freeze(change, visit_id)
            version = visits.set_state(change, row, "handed_in")
            end_by_part_change(change, row.visit.boiler_id)
            change.record(
                "handed_in",
                f"visit:{visit_id}",
                {**frozen, "worst": judgement.worst, **signed},
            )
        return judgement, version

    def accept(
        self,
        visit_id: UUID,
        who: str,
        note: str = "",
        *,
        expected_version: int | None = None,
        sign: Signing | None = None,
    ) -> int:
        """Accept a handed-in visit; one with a stop or fix needs words that say why.

        What ``sign`` returns stands in the trail's line, as at hand-in.
        """
        with self.book.change(who) as change:
            row = self._for_review(change, visit_id, expected_version)
            _, judgement = present(change.sql, row)
            if judgement.worst in ("stop", "fix"):
                must_say(note, f"why a visit with a {judgement.worst} finding is accepted")
            signed = sign(change, None) if sign else {}
            version = visits.set_state(change, row, "accepted")
            change.record("accepted", f"visit:{visit_id}", {"note": note, **signed})
        return version

    def send_back(
        self, visit_id: UUID, who: str, words: str, *, expected_version: int | None = None
    ) -> int:
        """Send a handed-in visit back to its technician, with words that say what to do."""
        must_say(words, "what is to be done")
        with self.book.change(who) as change:
            row = self._for_review(change, visit_id, expected_version)
            version = visits.set_state(change, row, "sent_back")
            change.record("sent_back", f"visit:{visit_id}", {"words": words})
        return version

    def judge_again(self, visit_id: UUID, who: str, why: str) -> KeptJudgement:
        """Judge a finished visit by today's rules; the frozen judgement stays beside it."""
        must_say(why, "why it is judged again")
        with self.book.change(who) as change:
            row = visits.visit_row(change.sql, visit_id)
            if row.state in OPEN_STATES:
                raise StateConflict("an open visit is judged with every change of it")
            judgement, limits, plan = judged(change.sql, row, live_points(change.sql, visit_id))
            frozen = judgements.write_judgement(
                change, visit_id, "again", judgement, limits, PROGRAM_VERSION, why, plan
            )
            visits.touch(change, row)
            change.record(
                "judged_again",
                f"visit:{visit_id}",
                {**frozen, "why": why, "worst": judgement.worst},
            )
            return judgements.judgements(change.sql, visit_id)[-1]

    def _for_review(self, change: Change, visit_id: UUID, expected_version: int | None) -> VisitRow:
        row = visits.visit_row(change.sql, visit_id)
        visits.check_version(row, expected_version)
        if row.state != "handed_in":
            raise StateConflict(
                f"the visit is {row.state.replace('_', ' ')}; only one that is handed in can be "
                "accepted or sent back"
            )
        return row
