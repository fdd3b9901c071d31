"""The one way in: every face hands its sites, boilers, visits, files and readings over here.

Each method is one change of the book: evidence, readings, firing points, judgement and audit line
together, or nothing of it. What cannot be read raises the parser's error before anything is
written.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from importlib.metadata import version as installed_version
from typing import Any, Generic, TypeVar
from uuid import UUID

from ingest.identifiers import new_id
from ingest.judgement import Case, EarlierVisit, Judgement
from ingest.limits import LimitSet, resolve_limits
from ingest.models import Boiler, LimitsDocument, Severity, Site, Visit, VisitState
from ingest.store import judgements, lists, places, readings, settings, visits
from ingest.store.book import Book, Change, stamp
from ingest.store.errors import NotFound, StateConflict
from ingest.store.judgements import KeptJudgement
from ingest.store.readings import Attachment, KeptReading
from ingest.store.rows import reading_json
from ingest.store.visits import VisitRow
from ingest.validator import judge
from parsers import (
    FiringPoint,
    LineRange,
    Phase,
    Reading,
    ReadOptions,
    ReadResult,
    assign,
    firing_points,
    read,
)

PROGRAM_VERSION = installed_version("fluebook")
HISTORY_VISITS = 20
"""Earlier visits that judging looks back on."""

OPEN_STATES: tuple[VisitState, ...] = ("open", "sent_back")


Doc = TypeVar("Doc", Site, Boiler, Visit)


class WordsMissing(ValueError):
    """A decision that must say why does not."""


@dataclass(frozen=True, slots=True)
class Kept(Generic[Doc]):
    """A document as the book has it."""

    document: Doc
    version: int


@dataclass(frozen=True, slots=True)
class Statement:
    """What an uploader states about a file's readings."""

    rates: tuple[float, ...] = ()
    phase: Phase | None = None
    fuel: str | None = None
    burner: str | None = None
    line_ranges: tuple[LineRange, ...] = ()

    def as_json(self) -> dict[str, Any]:
        """Return only what is stated."""
        found: dict[str, Any] = json.loads(json.dumps(asdict(self)))
        return {key: value for key, value in found.items() if value not in (None, [])}


@dataclass(frozen=True, slots=True)
class FileTaken:
    """What became of a file: how it was read, and the visit's judgement with it."""

    attachment_id: UUID
    result: ReadResult
    readings: int
    points: Sequence[FiringPoint]
    judgement: Judgement
    version: int
    already_there: bool = False


@dataclass(frozen=True, slots=True)
class VisitView:
    """One visit with everything that hangs under it, as of one moment."""

    visit: Visit
    state: VisitState
    imported: bool
    version: int
    handed_in_at: str | None
    boiler: Boiler | None
    site: Site | None
    points: Sequence[FiringPoint]
    judgement: Judgement
    limits: LimitSet
    judgements: Sequence[KeptJudgement] = ()
    attachments: Sequence[Attachment] = ()
    readings: Sequence[KeptReading] = ()
    history: Sequence[EarlierVisit] = field(default=())


class Intake:
    """The way into one book."""

    def __init__(self, book: Book) -> None:
        self.book = book

    # Sites and boilers

    def put_site(
        self, site: Site, who: str, *, owner: str = "", expected_version: int | None = None
    ) -> Kept[Site]:
        """Write a site; the same document again changes nothing."""
        site = _with_id(site)
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
        boiler = _with_id(boiler)
        with self.book.change(who) as change:
            if boiler.site_id is None and boiler.site_external_id is not None:
                site = places.by_external_id(change.sql, "site", boiler.site_external_id, owner)
                if site is None:
                    raise NotFound("site", boiler.site_external_id)
                boiler = boiler.model_copy(update={"site_id": site})
            version = places.put_boiler(change, boiler, owner, expected_version)
        return Kept(boiler, version)

    def site(self, site_id: UUID) -> Kept[Site]:
        """Return a site."""
        return Kept(*places.document(self.book.reader, "site", site_id, Site))

    def boiler(self, boiler_id: UUID) -> Kept[Boiler]:
        """Return a boiler."""
        return Kept(*places.document(self.book.reader, "boiler", boiler_id, Boiler))

    def sites(self) -> list[Site]:
        """Return all sites by name."""
        return places.sites(self.book.reader)

    def boilers(self, site_id: UUID | None = None) -> list[Boiler]:
        """Return all boilers by name, of one site where given."""
        return places.boilers(self.book.reader, site_id)

    def put_company_limits(self, limits: LimitsDocument, who: str) -> None:
        """Write what the company holds all its boilers to."""
        with self.book.change(who) as change:
            settings.put_company_limits(change, limits)

    # Visits

    def put_visit(
        self,
        visit: Visit,
        who: str,
        *,
        owner: str = "",
        expected_version: int | None = None,
        imported: bool = False,
    ) -> Kept[Visit]:
        """Open a visit or change its document; the same document again changes nothing.

        Raises
        ------
        NotFound
            If the boiler it names is not in the book.
        StateConflict
            If it is handed in or accepted.
        """
        visit = _with_id(visit)
        with self.book.change(who) as change:
            if visit.boiler_id is not None:
                places.document(change.sql, "boiler", visit.boiler_id, Boiler)
            row = None
            if visits.exists(change.sql, visit.id):
                row = visits.visit_row(change.sql, visit.id)
                if row.visit == visit:
                    return Kept(visit, row.version)
                _must_be_open(row)
                visits.check_version(row, expected_version)
            version = visits.write_visit(
                change, visit, owner=owner, imported=imported, previous=row
            )
            self._judge_open(change, visits.visit_row(change.sql, visit.id))
            change.record(
                "visit_changed" if row else "visit_opened",
                f"visit:{visit.id}",
                {"document": visit.model_dump(mode="json", exclude_none=True)},
            )
        return Kept(visit, version)

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
        boiler, site = self._boiler_and_site(row.visit)
        options = options or ReadOptions()
        if options.site_zone is None:
            zone = (boiler.zone if boiler else None) or (site.zone if site else None)
            options = replace(options, site_zone=zone)
        # Reading takes as long as the file is large: it is done before the book is held.
        result = read(data, name, options=options)
        stated = _stated(result.readings, statement, row.visit, boiler, name)
        with self.book.change(who) as change:
            row = visits.visit_row(change.sql, visit_id)
            for there in readings.attachments(change.sql, visit_id):
                if there.sha256 == result.sha256 and there.withdrawn_at is None:
                    if there.statement != statement.as_json():
                        raise StateConflict(
                            f"the visit already holds {there.name} with these bytes and another "
                            "statement of rates and phase; withdraw it first"
                        )
                    points, judgement = self._present(change, row)
                    return FileTaken(
                        there.id, result, len(stated), points, judgement, row.version, True
                    )
            _must_be_open(row)
            visits.check_version(row, expected_version)
            sha256 = readings.keep_evidence(change, data)
            attachment = readings.attach(
                change, visit_id, sha256, "readings", name, statement.as_json()
            )
            readings.add_readings(change, visit_id, ((new_id(), r) for r in stated), attachment)
            points, judgement = self._judge_open(change, row, name)
            version = visits.touch(change, row)
            change.record(
                "file_added",
                f"visit:{visit_id}",
                {"file": name, "sha256": sha256, "readings": len(stated)},
            )
        return FileTaken(attachment, result, len(stated), points, judgement, version)

    def add_readings(
        self,
        visit_id: UUID,
        given: Sequence[tuple[UUID | None, Reading]],
        who: str,
        *,
        expected_version: int | None = None,
    ) -> tuple[list[UUID], Judgement, int]:
        """Take typed or posted readings into a visit: all or none.

        Ids made by the sender make a repeat harmless. Returns the ids in order, the visit's
        judgement with them, and its version.

        Raises
        ------
        parsers.PointsUnclear
            If a reading has no firing rate or phase and the visit states none.
        StateConflict
            If the visit is not open, or an id is taken by another reading.
        """
        with self.book.change(who) as change:
            row = visits.visit_row(change.sql, visit_id)
            boiler, _ = self._boiler_and_site(row.visit, change)
            stated = _stated([r for _, r in given], Statement(), row.visit, boiler, "readings")
            pairs = [
                (identity or new_id(), reading)
                for (identity, _), reading in zip(given, stated, strict=True)
            ]
            known = readings.known_ids(change.sql, [identity for identity, _ in pairs])
            fresh = []
            for identity, reading in pairs:
                if identity not in known:
                    fresh.append((identity, reading))
                elif known[identity] != (visit_id, reading_json(reading)):
                    raise StateConflict(f"the id {identity} is taken by another reading")
            ids = [identity for identity, _ in pairs]
            if not fresh:
                return ids, self._present(change, row)[1], row.version
            _must_be_open(row)
            visits.check_version(row, expected_version)
            readings.add_readings(change, visit_id, fresh, None)
            _, judgement = self._judge_open(change, row)
            version = visits.touch(change, row)
            change.record(
                "readings_added", f"visit:{visit_id}", {"ids": [str(i) for i, _ in fresh]}
            )
        return ids, judgement, version

    def supersede_reading(
        self, reading_id: UUID, new: Reading | None, who: str, why: str
    ) -> UUID | None:
        """Put a corrected reading in place of one, or none; the old one stays in the book."""
        _words(why, "why the reading is corrected")
        with self.book.change(who) as change:
            visit_id, gone, _ = readings.reading_owner(change.sql, reading_id)
            if gone:
                raise StateConflict(f"the reading {reading_id} is already superseded")
            row = visits.visit_row(change.sql, visit_id)
            _must_be_open(row)
            identity = None
            if new is not None:
                boiler, _ = self._boiler_and_site(row.visit, change)
                (stated,) = _stated([new], Statement(), row.visit, boiler, "reading")
                identity = new_id()
                readings.add_readings(change, visit_id, [(identity, stated)], None)
            readings.supersede(change, reading_id, identity, why)
            self._judge_open(change, row)
            visits.touch(change, row)
            change.record(
                "reading_superseded",
                f"visit:{visit_id}",
                {"old": str(reading_id), "new": identity and str(identity), "why": why},
            )
        return identity

    def withdraw_file(self, visit_id: UUID, attachment_id: UUID, who: str, why: str) -> Judgement:
        """Take a file's readings out of an open visit; the file and its readings stay kept."""
        _words(why, "why the file is withdrawn")
        with self.book.change(who) as change:
            row = visits.visit_row(change.sql, visit_id)
            _must_be_open(row)
            there = [a for a in readings.attachments(change.sql, visit_id) if a.id == attachment_id]
            if not there or there[0].withdrawn_at is not None:
                raise NotFound("file", attachment_id)
            readings.withdraw(change, there[0], why)
            _, judgement = self._judge_open(change, row)
            visits.touch(change, row)
            change.record(
                "file_withdrawn",
                f"visit:{visit_id}",
                {"file": there[0].name, "sha256": there[0].sha256, "why": why},
            )
        return judgement

    # From open to accepted

    def hand_in(
        self, visit_id: UUID, who: str, *, expected_version: int | None = None
    ) -> tuple[Judgement, int]:
        """Hand a visit in: its judgement is frozen with the limits and the rules it was made by."""
        with self.book.change(who) as change:
            row = visits.visit_row(change.sql, visit_id)
            visits.check_version(row, expected_version)
            _must_be_open(row)
            judgement, limits = self._judged(change, row, readings.points(change.sql, visit_id))
            identity = judgements.write_judgement(
                change, visit_id, "hand_in", judgement, limits, PROGRAM_VERSION
            )
            version = visits.set_state(change, row, "handed_in")
            change.record(
                "handed_in",
                f"visit:{visit_id}",
                {"judgement": str(identity), "worst": judgement.worst},
            )
        return judgement, version

    def accept(
        self, visit_id: UUID, who: str, note: str = "", *, expected_version: int | None = None
    ) -> int:
        """Accept a handed-in visit; one with a stop or fix needs words that say why."""
        with self.book.change(who) as change:
            row = self._for_review(change, visit_id, expected_version)
            _, judgement = self._present(change, row)
            if judgement.worst in ("stop", "fix"):
                _words(note, f"why a visit with a {judgement.worst} finding is accepted")
            version = visits.set_state(change, row, "accepted")
            change.record("accepted", f"visit:{visit_id}", {"note": note})
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
            judgement, limits = self._judged(change, row, readings.points(change.sql, visit_id))
            judgements.write_judgement(
                change, visit_id, "again", judgement, limits, PROGRAM_VERSION, why
            )
            visits.touch(change, row)
            change.record(
                "judged_again", f"visit:{visit_id}", {"why": why, "worst": judgement.worst}
            )
            return judgements.judgements(change.sql, visit_id)[-1]

    # Reading the book

    def visit(self, visit_id: UUID) -> VisitView:
        """Return one visit with all that hangs under it."""
        sql = self.book.reader
        sql.execute("BEGIN")  # one moment for all that follows
        try:
            row = visits.visit_row(sql, visit_id)
            boiler, site = self._boiler_and_site(row.visit)
            kept = readings.readings(sql, visit_id)
            live = [k.reading for k in kept]
            points = firing_points(live, file="readings") if live else []
            made = judgements.judgements(sql, visit_id)
            decided = [j for j in made if j.kind != "again"][-1]
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
                limits=resolve_limits(
                    boiler or _unknown(row.visit), company=settings.company_limits(sql)
                ),
                judgements=made,
                attachments=readings.attachments(sql, visit_id),
                readings=kept,
                history=self._history(sql, row),
            )
        finally:
            sql.execute("ROLLBACK")

    def review_list(
        self, wanted: lists.Wanted = lists.Wanted(), *, after: str | None = None, most: int = 40
    ) -> list[lists.Listed]:
        """Return visits worst first, then oldest."""
        return lists.review_list(self.book.reader, wanted, after=after, most=most)

    def counts(self, wanted: lists.Wanted = lists.Wanted()) -> Mapping[Severity | None, int]:
        """Return how many visits there are by worst severity."""
        return lists.counts_by_severity(self.book.reader, wanted)

    def evidence(self, sha256: str) -> bytes:
        """Return the untouched bytes of a file."""
        return readings.evidence(self.book.reader, sha256)

    # Judging inside a change

    def _boiler_and_site(
        self, visit: Visit, change: Change | None = None
    ) -> tuple[Boiler | None, Site | None]:
        sql = self.book.reader if change is None else change.sql
        if visit.boiler_id is None:
            return None, None
        boiler, _ = places.document(sql, "boiler", visit.boiler_id, Boiler)
        if boiler.site_id is None:
            return boiler, None
        return boiler, places.document(sql, "site", boiler.site_id, Site)[0]

    def _history(self, sql: Any, row: VisitRow) -> list[EarlierVisit]:
        visit = row.visit
        if visit.boiler_id is None:
            return []
        before = lists.NO_TIME if visit.started is None else stamp(visit.started)
        return [
            EarlierVisit(earlier, readings.points(sql, earlier.id))
            for earlier in visits.earlier(sql, visit.boiler_id, before, visit.id, HISTORY_VISITS)
        ]

    def _judged(
        self, change: Change, row: VisitRow, points: Sequence[FiringPoint]
    ) -> tuple[Judgement, LimitSet]:
        boiler, site = self._boiler_and_site(row.visit, change)
        boiler = boiler or _unknown(row.visit)
        if boiler.altitude is None and site is not None and site.altitude is not None:
            boiler = boiler.model_copy(update={"altitude": site.altitude})
        company = settings.company_limits(change.sql)
        limits = resolve_limits(boiler, company=company)
        case = Case(
            boiler=boiler,
            visit=row.visit,
            points=points,
            history=self._history(change.sql, row),
            company_limits=company,
        )
        return judge(case, limits=limits), limits

    def _judge_open(
        self, change: Change, row: VisitRow, file: str = "readings"
    ) -> tuple[Sequence[FiringPoint], Judgement]:
        """Put points and judgement of a visit in step with its readings."""
        visit_id = row.id
        live = [k.reading for k in readings.readings(change.sql, visit_id)]
        points = firing_points(live, file=file) if live else []
        readings.write_points(change, visit_id, points)
        judgement, limits = self._judged(change, row, points)
        judgements.write_judgement(change, visit_id, "current", judgement, limits, PROGRAM_VERSION)
        return points, judgement

    def _present(self, change: Change, row: VisitRow) -> tuple[Sequence[FiringPoint], Judgement]:
        made = judgements.judgements(change.sql, row.id)
        decided = [j for j in made if j.kind != "again"][-1]
        return readings.points(change.sql, row.id), decided.judgement

    def _for_review(self, change: Change, visit_id: UUID, expected_version: int | None) -> VisitRow:
        row = visits.visit_row(change.sql, visit_id)
        visits.check_version(row, expected_version)
        if row.state != "handed_in":
            raise StateConflict(
                f"the visit is {row.state.replace('_', ' ')}; only one that is handed in can be "
                "accepted or sent back"
            )
        return row


def _with_id(document: Doc) -> Doc:
    return document if document.id else document.model_copy(update={"id": new_id()})


def _must_be_open(row: VisitRow) -> None:
    if row.state not in OPEN_STATES:
        raise StateConflict(
            f"the visit is {row.state.replace('_', ' ')}; send it back before changing it"
        )


def _words(text: str, what: str) -> None:
    if not text.strip():
        raise WordsMissing(f"say {what}")


def _unknown(visit: Visit) -> Boiler:
    """Return what a visit without a known boiler is judged as: the defaults and its fuel."""
    return Boiler(name="not yet assigned", fuel=visit.fuel or "natural_gas")


def _stated(
    read_in: Sequence[Reading],
    statement: Statement,
    visit: Visit,
    boiler: Boiler | None,
    file: str,
) -> list[Reading]:
    """Return readings with rate, phase, fuel and burner, from statement, visit and boiler."""
    stated = assign(
        read_in,
        rates=statement.rates or None,
        phase=statement.phase or visit.phase,
        fuel=statement.fuel,
        burner=statement.burner,
        line_ranges=statement.line_ranges,
        file=file,
    )
    fuel = visit.fuel or (boiler.fuel if boiler is not None else "natural_gas")
    burner = boiler.burners[0] if boiler is not None else "1"
    whole = [replace(r, fuel=r.fuel or fuel, burner=r.burner or burner) for r in stated]
    # Raises where a reading has no rate or phase, before anything is written.
    firing_points(whole, file=file)
    return whole
