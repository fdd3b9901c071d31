"""Files of a visit: kept, read, withdrawn; and one reading put in place of another."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime
from uuid import UUID

from ingest.how_far import reached
from ingest.how_read import HowRead
from ingest.identifiers import new_id
from ingest.intake_judging import boiler_and_site, judge_open, present, stated
from ingest.intake_maps import Maps
from ingest.intake_shapes import FileTaken, Statement, must_say
from ingest.intake_taking import Taking, must_be_open, with_id
from ingest.judgement import Judgement
from ingest.models import Visit
from ingest.store import cuts, jobs, places, readings, visits
from ingest.store.book import stamp
from ingest.store.errors import NotFound, StateConflict
from parsers import Reading, ReadOptions, read


class FilesTaken(Maps, Taking):
    """Readings that come in files, and their corrections."""

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
        must_say(why, "why the reading is corrected")
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
        must_say(why, "why the file is withdrawn")
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
