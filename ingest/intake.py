"""The one way in: every face hands its sites, boilers, visits, files and readings over here.

Each method is one change of the book: evidence, readings, firing points, judgement and audit line
together, or nothing of it. What cannot be read raises the parser's error before anything is
written.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any, Literal
from uuid import UUID

from ingest.how_far import reached
from ingest.how_read import HowRead
from ingest.identifiers import new_id
from ingest.intake_coming import Coming
from ingest.intake_cuts import Cuts
from ingest.intake_handled import HandledFlags, Said
from ingest.intake_jobs import Jobs
from ingest.intake_judging import (
    PROGRAM_VERSION,
    boiler_and_site,
    history,
    judge_open,
    judged,
    limits_of,
    live_points,
    older_service,
    present,
    stated,
)
from ingest.intake_life import Lives
from ingest.intake_limits import LimitsStated
from ingest.intake_maps import Maps
from ingest.intake_notices import Notices
from ingest.intake_plans import PlansInUse
from ingest.intake_service import NotAPicture, PhotoTaken, ServiceParts
from ingest.intake_shapes import (
    OPEN_STATES,
    Decided,
    FileTaken,
    Kept,
    Signing,
    Statement,
    VisitView,
    WordsMissing,
)
from ingest.intake_standing import StandingAcceptances, end_by_part_change
from ingest.intake_taking import VisitTaken, must_be_open, with_id
from ingest.intake_together import AcceptingTogether
from ingest.judgement import Judgement
from ingest.models import Boiler, Severity, Site, Visit
from ingest.store import (
    answers,
    audit,
    cuts,
    jobs,
    judgements,
    lists,
    places,
    readings,
    visits,
)
from ingest.store.behind import parts_behind
from ingest.store.book import Book, Change, stamp
from ingest.store.errors import NotFound, StateConflict
from ingest.store.judgements import KeptJudgement
from ingest.store.moment import one_moment
from ingest.store.visits import VisitRow
from parsers import Reading, ReadOptions, read

__all__ = [
    "OPEN_STATES",
    "PROGRAM_VERSION",
    "Decided",
    "FileTaken",
    "Intake",
    "Kept",
    "NotAPicture",
    "PhotoTaken",
    "Said",
    "Signing",
    "Statement",
    "VisitTaken",
    "VisitView",
    "WordsMissing",
]


Kind = Literal["site", "boiler", "job", "visit"]


class Intake(
    AcceptingTogether,
    Coming,
    Cuts,
    HandledFlags,
    Jobs,
    LimitsStated,
    Lives,
    Maps,
    Notices,
    PlansInUse,
    ServiceParts,
    StandingAcceptances,
):
    """The way into one book."""

    def __init__(self, book: Book) -> None:
        self.book = book

    # Sites and boilers

    def put_site(
        self, site: Site, who: str, *, owner: str = "", expected_version: int | None = None
    ) -> Kept[Site]:
        """Write a site; the same document again changes nothing."""
        site = with_id(site)
        with self.book.change(who) as change:
            version = places.put_site(change, site, owner, expected_version)
        return Kept(site, version)

    def put_boiler(
        self, boiler: Boiler, who: str, *, owner: str = "", expected_version: int | None = None
    ) -> Kept[Boiler]:
        """Write a boiler; the same document again changes nothing.

        Raises
        ------
        NotFound
            If the site it names is not in the book.
        """
        boiler = with_id(boiler)
        with self.book.change(who) as change:
            if boiler.site_id is None and boiler.site_external_id is not None:
                site = places.by_external_id(change.sql, "site", boiler.site_external_id, owner)
                if site is None:
                    raise NotFound("site", boiler.site_external_id)
                boiler = boiler.model_copy(update={"site_id": site})
            version = places.put_boiler(change, boiler, owner, expected_version)
            end_by_part_change(change, boiler.id)
            if boiler.external_id is not None:
                for row in visits.unassigned(change.sql, boiler.external_id, owner):
                    self._assign(change, row, boiler, owner)
        return Kept(boiler, version)

    def site(self, site_id: UUID) -> Kept[Site]:
        """Return a site."""
        return Kept(*places.document(self.book.reader, "site", site_id, Site))

    def boiler(self, boiler_id: UUID) -> Kept[Boiler]:
        """Return a boiler."""
        return Kept(*places.document(self.book.reader, "boiler", boiler_id, Boiler))

    def sites(self, change: Change | None = None) -> list[Site]:
        """Return all sites by name; within a change with what it has written."""
        return places.sites(self.book.reader if change is None else change.sql)

    def boilers(self, site_id: UUID | None = None, *, change: Change | None = None) -> list[Boiler]:
        """Return all boilers by name, of one site where given."""
        return places.boilers(self.book.reader if change is None else change.sql, site_id)

    # Visits

    def _assign(self, change: Change, row: VisitRow, boiler: Boiler, owner: str) -> None:
        """Put a visit that waited under its boiler, and judge it by what is now known."""
        visit = row.visit.model_copy(update={"boiler_id": boiler.id})
        row = visits.write_visit(change, visit, owner=owner, imported=row.imported, previous=row)
        details = {"boiler": str(boiler.id)}
        if row.state in OPEN_STATES:
            judge_open(change, row)
        else:
            judgement, limits, plan = judged(change.sql, row, live_points(change.sql, row.id))
            why = "its boiler became known"
            details |= judgements.write_judgement(
                change, row.id, "hand_in", judgement, limits, PROGRAM_VERSION, why, plan
            )
        change.record("visit_assigned", f"visit:{row.id}", details)

    def add_file(
        self,
        visit_id: UUID,
        data: bytes,
        name: str,
        who: str,
        *,
        statement: Statement = Statement(),
        options: ReadOptions | None = None,
        expected_version: int | None = None,
    ) -> FileTaken:
        """Take an analyzer's file into a visit.

        The same bytes with the same statement again change nothing and get the same answer.

        Raises
        ------
        parsers.ReadError
            If the file cannot be read, or its readings cannot be put to firing points.
        StateConflict
            If the visit is not open, or already holds these bytes under another statement.
        """
        row = visits.visit_row(self.book.reader, visit_id)
        boiler, site = boiler_and_site(self.book.reader, row.visit)
        saying = statement.as_json()
        if given := HowRead.stated(options):
            saying["read"] = given
        options = options or ReadOptions()
        if options.map is None and not options.maps:
            options = replace(options, maps=self.maps())
        if options.site_zone is None:
            zone = (boiler.zone if boiler else None) or (site.zone if site else None)
            options = replace(options, site_zone=zone)
        # Reading takes as long as the file is large: it is done before the book is held.
        result = read(data, name, options=options)
        reached("rows", len(result.readings))
        whole = stated(result.readings, statement, row.visit, boiler, name)
        with self.book.change(who) as change:
            row = visits.visit_row(change.sql, visit_id)
            for there in readings.attachments(change.sql, visit_id):
                if there.sha256 == result.sha256 and there.withdrawn_at is None:
                    if there.statement not in (saying, statement.as_json()):
                        raise StateConflict(
                            f"the visit already holds {there.name} with these bytes and another "
                            "statement of rates and phase; withdraw it first"
                        )
                    points, judgement = present(change.sql, row)
                    return FileTaken(
                        there.id, result, len(whole), points, judgement, row.version, True
                    )
            must_be_open(row)
            visits.check_version(row, expected_version)
            sha256 = readings.keep_evidence(change, data)
            attachment = readings.attach(change, visit_id, sha256, "readings", name, saying)
            before = [k.reading for k in readings.readings(change.sql, visit_id)]
            digest = readings.add_readings(
                change, visit_id, ((new_id(), r) for r in whole), attachment
            )
            points, judgement = judge_open(change, row, name, [*before, *whole])
            version = visits.touch(change, row)
            change.record(
                "file_added",
                f"visit:{visit_id}",
                {
                    "file": name,
                    "sha256": sha256,
                    "attachment": str(attachment),
                    "readings": len(whole),
                    "readings_sha256": digest,
                },
            )
        return FileTaken(attachment, result, len(whole), points, judgement, version)

    def bring_visit(
        self,
        visit: Visit,
        given: Sequence[Reading],
        data: bytes,
        name: str,
        who: str,
        *,
        owner: str,
        ids: Sequence[UUID] | None = None,
    ) -> bool:
        """Take a past visit from a list: marked as imported, finished, never on the review list.

        ``ids`` are those of the readings where they have some.
        Returns False where the same visit, by its external id, is there with the same readings.

        Raises
        ------
        StateConflict
            If it is there with other readings: the past is not rewritten by a list.
        """
        with self.book.change(who) as change:
            known = None
            if visit.external_id is not None:
                known = places.by_external_id(change.sql, "visit", visit.external_id, owner)
            boiler, _ = boiler_and_site(change.sql, visit)
            whole = stated(given, Statement(), visit, boiler, name)
            if known is not None:
                there = [
                    replace(k.reading, lines=(), at={})
                    for k in readings.readings(change.sql, known)
                ]
                if there == [replace(r, lines=(), at={}) for r in whole]:
                    return False
                raise StateConflict(
                    f"the visit {visit.external_id!r} is in the book with other readings"
                )
            visit = with_id(visit)
            assert visit.id is not None
            row = visits.write_visit(change, visit, owner=owner, imported=True, previous=None)
            sha256 = readings.keep_evidence(change, data)
            attachment = readings.attach(change, visit.id, sha256, "readings", name, {})
            named = zip(ids or [new_id() for _ in whole], whole, strict=True)
            digest = readings.add_readings(change, visit.id, named, attachment)
            judge_open(change, row)
            jobs.freeze(change, row.id)
            visits.set_state(change, row, "accepted")
            change.record(
                "visit_imported",
                f"visit:{visit.id}",
                {
                    "file": name,
                    "sha256": sha256,
                    "attachment": str(attachment),
                    "readings": len(whole),
                    "readings_sha256": digest,
                    "document": visit.model_dump(mode="json", exclude_none=True),
                },
            )
        return True

    def supersede_reading(
        self,
        reading_id: UUID,
        new: Reading | None,
        who: str,
        why: str,
        *,
        identity: UUID | None = None,
        made_at: datetime | None = None,
        past: bool = False,
        expected_version: int | None = None,
    ) -> UUID | None:
        """Put a corrected reading in place of one, or none; the old one stays in the book.

        ``identity`` is the new reading's id where its sender made one; ``made_at`` when it was
        corrected, where that was in another book. With ``past`` it may be of a past visit that was
        brought in, where whoever has it corrected it.
        """
        _words(why, "why the reading is corrected")
        with self.book.change(who) as change:
            visit_id, gone, _ = readings.reading_owner(change.sql, reading_id)
            if gone:
                raise StateConflict(f"the reading {reading_id} is already superseded")
            if cuts.is_of_log(change.sql, reading_id):
                raise StateConflict(
                    "the reading belongs to a cut log: correct the cut, by moving its boundaries "
                    "or dropping the stretch"
                )
            row = visits.visit_row(change.sql, visit_id)
            if not (past and row.imported):
                must_be_open(row)
            visits.check_version(row, expected_version)
            digest = None
            if new is None:
                identity = None
            else:
                boiler, _ = boiler_and_site(change.sql, row.visit)
                (corrected,) = stated([new], Statement(), row.visit, boiler, "reading")
                identity = identity or new_id()
                if readings.known_ids(change.sql, [identity]):
                    raise StateConflict(f"the id {identity} is taken by another reading")
                digest = readings.add_readings(change, visit_id, [(identity, corrected)], None)
            at = None if made_at is None else stamp(made_at.astimezone(UTC))
            readings.supersede(change, reading_id, identity, why, at)
            judge_open(change, row)
            visits.touch(change, row)
            change.record(
                "reading_superseded",
                f"visit:{visit_id}",
                {
                    "old": str(reading_id),
                    "new": identity and str(identity),
                    "why": why,
                    "readings_sha256": digest,
                    **({} if at is None else {"made_at": at}),
                },
            )
        return identity

    def withdraw_file(self, visit_id: UUID, attachment_id: UUID, who: str, why: str) -> Judgement:
        """Take a file's readings out of an open visit; the file and its readings stay kept."""
        _words(why, "why the file is withdrawn")
        with self.book.change(who) as change:
            row = visits.visit_row(change.sql, visit_id)
            must_be_open(row)
            there = [a for a in readings.attachments(change.sql, visit_id) if a.id == attachment_id]
            if not there or there[0].withdrawn_at is not None:
                raise NotFound("file", attachment_id)
            readings.withdraw(change, there[0], why)
            _, judgement = judge_open(change, row)
            visits.touch(change, row)
            change.record(
                "file_withdrawn",
                f"visit:{visit_id}",
                {"file": there[0].name, "sha256": there[0].sha256, "why": why},
            )
        return judgement

    # From open to accepted

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
                _words(note, f"why a visit with a {judgement.worst} finding is accepted")
            signed = sign(change, None) if sign else {}
            version = visits.set_state(change, row, "accepted")
            change.record("accepted", f"visit:{visit_id}", {"note": note, **signed})
        return version

    def send_back(
        self, visit_id: UUID, who: str, words: str, *, expected_version: int | None = None
    ) -> int:
        """Send a handed-in visit back to its technician, with words that say what to do."""
        _words(words, "what is to be done")
        with self.book.change(who) as change:
            row = self._for_review(change, visit_id, expected_version)
            version = visits.set_state(change, row, "sent_back")
            change.record("sent_back", f"visit:{visit_id}", {"words": words})
        return version

    def judge_again(self, visit_id: UUID, who: str, why: str) -> KeptJudgement:
        """Judge a finished visit by today's rules; the frozen judgement stays beside it."""
        _words(why, "why it is judged again")
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

    # Reading the book

    def visit(self, visit_id: UUID) -> VisitView:
        """Return one visit with all that hangs under it."""
        sql = self.book.reader
        with one_moment(sql):
            row = visits.visit_row(sql, visit_id)
            boiler, site = boiler_and_site(self.book.reader, row.visit)
            made = judgements.judgements(sql, visit_id)
            decided = [j for j in made if j.kind != "again"][-1]
            points = readings.points(sql, visit_id)
            past = history(sql, row)
            return VisitView(
                visit=row.visit,
                state=row.state,
                imported=row.imported,
                version=row.version,
                handed_in_at=row.handed_in_at,
                boiler=boiler,
                site=site,
                points=points,
                judgement=decided.judgement,
                limits=limits_of(sql, row.visit),
                judgements=made,
                attachments=readings.attachments(sql, visit_id),
                read=lambda: readings.readings(self.book.reader, visit_id),
                read_parts=lambda: parts_behind(self.book.reader, visit_id, points),
                history=past,
                older=older_service(sql, row, past),
                job=jobs.shared_with(sql, row.id),
            )

    def visit_key(self, visit_id: UUID) -> tuple[answers.Key, int, bool]:
        """Return by what a whole visit is known, its version, and whether it may be kept so."""
        key, keepable = answers.visit_key(self.book.reader, visit_id)
        return key, int(key[answers.VERSION]), keepable

    def all_readings(self, visit_id: UUID) -> Sequence[readings.KeptReading]:
        """Return every reading of a visit in order, those that no longer stand included."""
        return readings.readings(self.book.reader, visit_id, superseded=True)

    def visit_of_reading(self, reading_id: UUID) -> UUID:
        """Return the visit that a reading belongs to, also of one that is superseded."""
        return readings.reading_owner(self.book.reader, reading_id)[0]

    def trail(self, visit_id: UUID) -> list[dict[str, Any]]:
        """Return the lines of the audit trail about a visit, oldest first."""
        visits.visit_row(self.book.reader, visit_id)
        return audit.trail(self.book.reader, f"visit:{visit_id}")

    def boiler_visits(self, boiler_id: UUID) -> list[VisitRow]:
        """Return every visit of a boiler, newest first, imported and open ones included."""
        places.document(self.book.reader, "boiler", boiler_id, Boiler)
        return visits.of_boiler(self.book.reader, boiler_id)

    def by_external_id(self, kind: Kind, external_id: str, owner: str = "") -> UUID | None:
        """Return the id of what an integrator knows under its own id, None where it is not here."""
        return places.by_external_id(self.book.reader, kind, external_id, owner)

    def review_list(
        self, wanted: lists.Wanted = lists.Wanted(), *, after: str | None = None, most: int = 40
    ) -> list[lists.Listed]:
        """Return visits worst first, then oldest; what stands accepted does not count."""
        self.expire_standings()
        return lists.review_list(self.book.reader, wanted, after=after, most=most)

    def counts(self, wanted: lists.Wanted = lists.Wanted()) -> Mapping[Severity | None, int]:
        """Return how many visits there are by worst severity."""
        return lists.counts_by_severity(self.book.reader, wanted)

    def evidence(self, sha256: str) -> bytes:
        """Return the untouched bytes of a file."""
        return readings.evidence(self.book.reader, sha256)

    def _for_review(self, change: Change, visit_id: UUID, expected_version: int | None) -> VisitRow:
        row = visits.visit_row(change.sql, visit_id)
        visits.check_version(row, expected_version)
        if row.state != "handed_in":
            raise StateConflict(
                f"the visit is {row.state.replace('_', ' ')}; only one that is handed in can be "
                "accepted or sent back"
            )
        return row


def _words(text: str, what: str) -> None:
    if not text.strip():
        raise WordsMissing(f"say {what}")
