"""Continuous logs on their way in: kept whole, cut by proposal, corrected, confirmed by a person.

A log's readings stay out of the firing points until somebody confirms its cut. Then those of each
plateau that has a rate and a phase come into the book, and the visit is judged with them, in one
change. The bytes of the log are evidence and are never touched.
"""

from __future__ import annotations

import hashlib
import sqlite3
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Any
from uuid import UUID

from ingest.cut_logs import Log, held_figures, held_log, log_read_again
from ingest.cut_operations import CutOperation, PhaseBasis, applied, operation_from
from ingest.how_far import reached
from ingest.how_read import HowRead
from ingest.identifiers import new_id
from ingest.intake_judging import boiler_and_site, judge_open, present
from ingest.intake_shapes import OPEN_STATES, Statement
from ingest.judgement import Judgement
from ingest.log_notes import notes_of
from ingest.log_points import points_of_log
from ingest.models import Boiler
from ingest.store import cuts, log_columns, readings, visits
from ingest.store.audit import canonical_json
from ingest.store.book import Book
from ingest.store.cuts import KeptConfirmation, KeptCorrection
from ingest.store.errors import NotFound, StateConflict
from ingest.store.maps import maps as kept_maps
from ingest.store.readings import Attachment
from ingest.store.told import ANEW
from ingest.store.visits import VisitRow
from parsers import FiringPoint, Phase, Reading, ReadOptions
from parsers.cut_corrections import CorrectionError
from parsers.cut_points import JUDGED_BASES
from parsers.plateaus import lags_of_cut, propose_cut
from parsers.rate_marks import percent_of
from parsers.rate_match import RateAim
from parsers.segments import CutOptions, Segment


@dataclass(frozen=True, slots=True)
class LogCut:
    """A log, its cut as it now stands, and how it came to stand so."""

    attachment: Attachment
    log: Log
    segments: Sequence[Segment]
    phases: Mapping[float, Phase]
    phase_basis: Mapping[float, PhaseBasis]
    corrections: Sequence[KeptCorrection]
    confirmation: KeptConfirmation | None
    rates: Sequence[float]
    version: int
    open: bool
    response_time: float | None = None
    """Of the instrument [s], where it was stated."""
    notes: Sequence[str] = ()
    """What was decided when it was cut, for the person who looks at it."""

    @property
    def plateaus(self) -> list[Segment]:
        """Return the stretches that are firing points."""
        return [s for s in self.segments if s.kind == "plateau"]

    @property
    def waiting(self) -> list[Segment]:
        """Return the plateaus that will not be judged: no rate, a mere proposal, or no phase."""
        return [
            s
            for s in self.plateaus
            if s.rate_basis not in JUDGED_BASES or s.start not in self.phases
        ]

    @property
    def confirmed(self) -> bool:
        """Return whether the cut as it stands is the one that is judged."""
        return self.confirmation is not None and (
            self.confirmation.corrections == len(self.corrections)
        )


def rate_aims(boiler: Boiler | None) -> list[RateAim]:
    """Return the rates a boiler is tested at, with the O2 that its record aims at there."""
    if boiler is None:
        return []
    aims = {
        t.firing_rate: t.o2_dry.aim
        for t in boiler.limits.targets
        if t.o2_dry is not None and t.fuel in (None, boiler.fuel)
    }
    rates = boiler.rates or boiler.limits.required_rates
    return [RateAim(rate, aims.get(rate)) for rate in rates]


def proposed(log: Log, aims: Sequence[RateAim], response_time: float | None) -> list[Segment]:
    """Return the cut of a log as the program proposes it, never empty.

    Where nothing can be cut by, the whole log is one stretch that is no firing point.
    """
    found = propose_cut(
        log.times, log.columns, aims, options=CutOptions(response_time=response_time)
    )
    why = "too few samples, or no quantity in it that answers the firing rate"
    return found or [Segment("ramp", float(log.times[0]), float(log.times[-1]), why=why)]


def log_with_marks(
    data: bytes, name: str, how: HowRead, rates: Sequence[float]
) -> tuple[Log, HowRead, list[str]]:
    """Return a log, how it is read, and what is to be said of it.

    A log whose firing rates are marks is read again with their percent, where the boiler's
    ``rates`` [%] settle it. Raises as ``held_log`` does.
    """
    sha256 = hashlib.sha256(data).hexdigest()
    log = held_log(sha256, name, how, lambda: data).log
    if log.marks is None:  # its columns were at hand, which do not say
        log = log_read_again(sha256, name, how, lambda: data).log
    marks = log.marks or ()
    percents = percent_of(marks, rates)
    if percents:
        how = replace(how, marks=tuple(percents.items()))
        log = held_log(sha256, name, how, lambda: data).log
    return log, how, notes_of(log.started, float(log.times[-1]), marks, percents, rates)


class Cuts:
    """The part of the intake that takes continuous logs."""

    book: Book

    def add_log(
        self,
        visit_id: UUID,
        data: bytes,
        name: str,
        who: str,
        *,
        statement: Statement = Statement(),
        options: ReadOptions | HowRead | None = None,
        response_time: float | None = None,
        expected_version: int | None = None,
    ) -> tuple[LogCut, bool]:
        """Keep a continuous log under a visit and propose its cut; nothing is judged yet.

        ``options`` say how it is read (maps of the book and zone of the site where they leave it
        open), and are kept with the cut. ``response_time`` [s] is that of the instrument, None to
        estimate it. Returns the cut, and whether it was there already.

        Raises
        ------
        parsers.ReadError
            If it cannot be read, or its readings have no times.
        StateConflict
            If the visit is not open, or holds these bytes already under another statement.
        """
        row = visits.visit_row(self.book.reader, visit_id)
        boiler, site = boiler_and_site(self.book.reader, row.visit)
        zone = (boiler.zone if boiler else None) or (site.zone if site else None)
        how = HowRead.of(options or ReadOptions(), zone, kept_maps(self.book.reader))
        aims = rate_aims(boiler)
        log, how, notes = log_with_marks(data, name, how, [a.firing_rate for a in aims])
        reached("rows", log.count)
        segments = proposed(log, aims, response_time)
        # Worked out before the change begins: while it lasts nobody else can write.
        sha256_of_log, lags = log.sha256, lags_of_cut(segments, log.times, log.columns)
        packing = log_columns.packed(log.whole)
        reached("cut", sum(s.kind == "plateau" for s in segments))
        stated = {**statement.as_json(), "as_log": True}
        if given := HowRead.stated(options):
            stated["read"] = given
        with self.book.change(who) as change:
            row = visits.visit_row(change.sql, visit_id)
            sha256 = readings.keep_evidence(change, data)
            there = [
                a
                for a in readings.attachments(change.sql, visit_id)
                if a.sha256 == sha256 and a.withdrawn_at is None
            ]
            if there and there[0].statement != stated:
                raise StateConflict(
                    f"the visit already holds {there[0].name} with these bytes and another "
                    "statement about them; withdraw it first"
                )
            if not there:
                _must_be_open(row)
                visits.check_version(row, expected_version)
                attachment = readings.attach(change, visit_id, sha256, "readings", name, stated)
                settings = {
                    **replace(how, maps=log.maps).as_json(),
                    "response_time": response_time,
                    "rates": [a.firing_rate for a in aims],
                    "shown": lags,
                    "notes": notes,
                }
                cuts.write_proposal(
                    change,
                    attachment,
                    visit_id,
                    started=log.started,
                    settings=settings,
                    readings_sha256=sha256_of_log,
                    proposal=segments,
                )
                log_columns.keep(change, attachment, sha256_of_log, sha256_of_log, packing)
                judge_open(change, row, name)
                visits.touch(change, row)
                change.record(
                    "file_added",
                    f"visit:{visit_id}",
                    {
                        "file": name,
                        "sha256": sha256,
                        "readings": 0,
                        "log": log.count,
                        "log_sha256": sha256_of_log,
                    },
                )
        return self.log_cut(visit_id, there[0].id if there else attachment), bool(there)

    def logs(self, visit_id: UUID) -> Mapping[UUID, bool]:
        """Return the continuous logs of a visit, and whether each is judged as its cut stands."""
        return cuts.cut_logs(self.book.reader, visit_id)

    def log_cut(self, visit_id: UUID, attachment_id: UUID) -> LogCut:
        """Return a log of a visit with its cut as it stands.

        Raises
        ------
        NotFound
            If the visit has no such log, or it was withdrawn.
        StateConflict
            If this program reads the log otherwise than the one that cut it.
        """
        sql = self.book.reader
        kept = cuts.proposal(sql, visit_id, attachment_id)
        row = visits.visit_row(sql, visit_id)
        file = _must_be_there(sql, visit_id, attachment_id)
        log = self._log(kept, file)
        done = cuts.corrections(sql, attachment_id)
        segments, phases, basis = self._applied(kept, file, log, _operations(done))
        return LogCut(
            attachment=file,
            log=log,
            segments=segments,
            phases=phases,
            phase_basis=basis,
            corrections=done,
            confirmation=cuts.last_confirmation(sql, attachment_id),
            rates=kept.settings["rates"],
            version=row.version,
            open=row.state in OPEN_STATES,
            response_time=kept.settings["response_time"],
            notes=kept.settings.get("notes", ()),
        )

    def _log(self, kept: cuts.KeptCut, file: Attachment) -> Log:
        """Return a log by the columns kept of it; without them read, and its columns kept."""
        sql = self.book.reader
        identity, told = file.id, kept.readings_sha256
        how = HowRead.from_json(kept.settings)
        data = partial(readings.evidence, sql, file.sha256)
        held = held_log(
            file.sha256, file.name, how, data, lambda: log_columns.kept(sql, identity, told)
        )
        if not held.was_read_as(told, data):
            raise _read_otherwise(file)
        if held.timed is not None and not log_columns.is_kept(sql, identity, told):
            packing = log_columns.packed(held.log.whole)
            with self.book.change("fluebook") as change:
                log_columns.keep(change, identity, told, held.log.sha256, packing)
        return held.log

    @staticmethod
    def _applied(
        kept: cuts.KeptCut, file: Attachment, log: Log, operations: Sequence[CutOperation]
    ) -> tuple[list[Segment], dict[float, Phase], dict[float, PhaseBasis]]:
        return applied(
            kept.proposal,
            operations,
            log.times,
            log.columns,
            response_time=kept.settings["response_time"],
            stated_phase=file.statement.get("phase"),
            shown=kept.settings.get("shown"),
            figures=held_figures(file.id, kept.readings_sha256),
        )

    def correct_cut(
        self,
        visit_id: UUID,
        attachment_id: UUID,
        operations: Sequence[CutOperation],
        who: str,
        *,
        after: int | None = None,
        expected_version: int | None = None,
    ) -> LogCut:
        """Add corrections to a cut: all or none.

        ``after`` is how many corrections the sender knew of. Those sent again that are there
        already, by the same words, change nothing: a repeat is harmless.

        Raises
        ------
        CorrectionError
            If one does not fit the cut.
        StateConflict
            If the visit is not open, or others were made meanwhile.
        """
        before = self.log_cut(visit_id, attachment_id)
        with self.book.change(who) as change:
            row = visits.visit_row(change.sql, visit_id)
            kept = cuts.proposal(change.sql, visit_id, attachment_id)
            _must_be_there(change.sql, visit_id, attachment_id)
            there = _operations(cuts.corrections(change.sql, attachment_id))
            known = len(there) if after is None else after
            if not 0 <= known <= len(there):
                raise StateConflict(f"the cut has {len(there)} corrections, not {known}")
            repeated = there[known:]
            if list(operations[: len(repeated)]) != repeated:
                raise StateConflict("someone else corrected the cut meanwhile; look at it again")
            fresh = operations[len(repeated) :]
            if fresh:
                _must_be_open(row)
                visits.check_version(row, expected_version)
                self._applied(kept, before.attachment, before.log, [*there, *fresh])
                numbers = [
                    cuts.add_correction(change, attachment_id, one.as_json()) for one in fresh
                ]
                visits.touch(change, row)
                change.record(
                    "cut_corrected",
                    f"visit:{visit_id}",
                    {
                        "file": before.attachment.name,
                        "attachment": str(attachment_id),
                        "corrections": [
                            {"number": n, **one.as_json()}
                            for n, one in zip(numbers, fresh, strict=True)
                        ],
                    },
                )
        return self.log_cut(visit_id, attachment_id)

    def confirm_cut(
        self,
        visit_id: UUID,
        attachment_id: UUID,
        who: str,
        *,
        corrections: int | None = None,
        expected_version: int | None = None,
    ) -> tuple[Sequence[FiringPoint], Judgement, int]:
        """Make a cut's plateaus firing points, and judge the visit with them.

        ``corrections`` is how many the person had in sight. A plateau whose rate is only proposed,
        or whose phase nobody stated, stays out. Returns the visit's points, judgement and version.

        Raises
        ------
        CorrectionError
            If no plateau has both a rate that may be judged and a phase.
        StateConflict
            If the visit is not open, or the cut was corrected meanwhile.
        """
        cut = self.log_cut(visit_id, attachment_id)
        sql = self.book.reader
        how = HowRead.from_json(cuts.proposal(sql, visit_id, attachment_id).settings)
        file = cut.attachment
        data = partial(readings.evidence, sql, file.sha256)
        read = log_read_again(file.sha256, file.name, how, data)
        if read.log.sha256 != cut.log.sha256:
            raise _read_otherwise(file)
        timed = read.readings(data)
        with self.book.change(who) as change:
            row = visits.visit_row(change.sql, visit_id)
            _must_be_there(change.sql, visit_id, attachment_id)
            done = len(cuts.corrections(change.sql, attachment_id))
            if done != len(cut.corrections) or corrections not in (None, done):
                raise StateConflict("the cut was corrected meanwhile; look at it again")
            last = cuts.last_confirmation(change.sql, attachment_id)
            if last is not None and last.corrections == done:
                return *present(change.sql, row), row.version
            _must_be_open(row)
            visits.check_version(row, expected_version)
            made = self._points(cut, timed, row, boiler_and_site(change.sql, row.visit)[0])
            if not made:
                raise CorrectionError(
                    "no stretch has both a firing rate that is more than a proposal and a phase; "
                    "confirm or name them first"
                )
            cuts.supersede_readings(change, attachment_id, ANEW)
            number = cuts.write_confirmation(
                change,
                attachment_id,
                corrections=done,
                segments=cut.segments,
                phases=cut.phases,
            )
            named = [(new_id(), r) for p in made for r in p.readings]
            digest = readings.add_readings(change, visit_id, named, attachment_id)
            points, judgement = judge_open(change, row, cut.attachment.name)
            version = visits.touch(change, row)
            change.record(
                "cut_confirmed",
                f"visit:{visit_id}",
                _said(cut, number, made)
                | {
                    "first": str(named[0][0]) if named else "",
                    "last": str(named[-1][0]) if named else "",
                    "readings": len(named),
                    "readings_sha256": digest,
                },
            )
        return points, judgement, version

    @staticmethod
    def _points(
        cut: LogCut, timed: Sequence[Reading], row: VisitRow, boiler: Boiler | None
    ) -> list[FiringPoint]:
        stated = cut.attachment.statement
        return points_of_log(
            cut.segments,
            cut.phases,
            timed,
            times=cut.log.times,
            columns=cut.log.columns,
            started=cut.log.started,
            fuel=stated.get("fuel")
            or row.visit.fuel
            or (boiler.fuel if boiler is not None else "natural_gas"),
            burner=stated.get("burner")
            or timed[0].burner
            or (boiler.burners[0] if boiler is not None else "1"),
        )


def _said(cut: LogCut, number: int, made: Sequence[FiringPoint]) -> dict[str, Any]:
    """Return what the trail keeps of a confirmation."""
    stretches = canonical_json([cuts.segment_json(s) for s in cut.segments])
    return {
        "file": cut.attachment.name,
        "attachment": str(cut.attachment.id),
        "confirmation": number,
        "corrections": len(cut.corrections),
        "cut_sha256": hashlib.sha256(stretches.encode()).hexdigest(),
        "points": [
            {"firing_rate": p.key.firing_rate, "phase": p.key.phase, "rate_basis": p.rate_basis}
            for p in made
        ],
    }


def _must_be_there(sql: sqlite3.Connection, visit_id: UUID, attachment_id: UUID) -> Attachment:
    for file in readings.attachments(sql, visit_id):
        if file.id == attachment_id and file.withdrawn_at is None:
            return file
    raise NotFound("cut log", attachment_id)


def _read_otherwise(file: Attachment) -> StateConflict:
    return StateConflict(
        f"{file.name} is now read otherwise than when it was cut; withdraw it and hand it over "
        "again"
    )


def _operations(done: Sequence[KeptCorrection]) -> list[CutOperation]:
    return [operation_from(one.operation) for one in done]


def _must_be_open(row: VisitRow) -> None:
    if row.state not in OPEN_STATES:
        raise StateConflict(
            f"the visit is {row.state.replace('_', ' ')}; send it back before changing it"
        )
