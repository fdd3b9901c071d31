"""Readings and their corrections on both sides, side by side.

A reading that was typed or posted has the same id on both sides. One of a file does not: it is
known by the file's bytes and its place among the file's readings. From there each correction leads
to the reading that took its place, whose id is the same on both sides again.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Literal
from uuid import UUID

from fluebook.client import Client, JsonObject
from ingest.dimensions import CANONICAL_UNITS
from ingest.intake import Intake
from ingest.store.audit import canonical_json
from ingest.store.readings import KeptReading
from ingest.store.rows import reading_from
from parsers import Reading

Key = tuple[str, str]
"""SHA-256 of a file and the place in it; or nothing and an id."""
Ahead = Literal["same", "mine", "office", "apart"]
TAKEN_OUT = "taken out"


@dataclass(frozen=True, slots=True)
class Record:
    """One reading, whichever side it is on; ``body`` is what the API takes of it."""

    id: str
    file: str | None
    gone: bool
    by: str | None
    at: str | None
    who: str | None
    why: str | None
    body: JsonObject

    @property
    def says(self) -> JsonObject:
        """Return what the reading says, without its id."""
        return {k: v for k, v in self.body.items() if k != "id"}

    @property
    def gone_at(self) -> datetime | None:
        """Return when it was taken out or another took its place."""
        return None if self.at is None else datetime.fromisoformat(self.at)


@dataclass(frozen=True, slots=True)
class Step:
    """One correction: what it took out, and what it put in its place, if anything."""

    old: Record
    new: Record | None


@dataclass(frozen=True, slots=True)
class Chain:
    """A reading and its corrections in order."""

    key: Key
    records: Sequence[Record]

    @property
    def root(self) -> Record:
        """Return the reading as it first was."""
        return self.records[0]

    @property
    def last(self) -> Record | None:
        """Return what stands now, None where it was taken out."""
        return None if self.records[-1].gone else self.records[-1]

    @property
    def path(self) -> list[str]:
        """Return the corrections by what both sides call them."""
        ids = [record.id for record in self.records[1:]]
        return ids if self.last is not None else [*ids, TAKEN_OUT]

    def steps(self, known: int = 0) -> list[Step]:
        """Return the corrections after so many."""
        after: list[Record | None] = [*self.records[1:]]
        if self.last is None:
            after.append(None)
        return [Step(*pair) for pair in zip(self.records, after, strict=False)][known:]

    def shown(self) -> JsonObject:
        """Return what stands and by whom and why, for a person."""
        done = self.steps()
        said = {} if not done else {k: getattr(done[-1].old, k) for k in ("who", "at", "why")}
        return {"reading": TAKEN_OUT if self.last is None else self.last.says, **said}


def chains(records: Sequence[Record]) -> dict[Key, Chain]:
    """Return the readings that took no other's place, each with its corrections."""
    by_id = {record.id: record for record in records}
    replacing = {record.by for record in records if record.by is not None}
    places: dict[str, int] = {}
    found: dict[Key, Chain] = {}
    for record in records:
        key = ("", record.id)
        if record.file is not None:
            places[record.file] = place = places.get(record.file, 0) + 1
            key = (record.file, str(place))
        if record.id in replacing:
            continue
        found[key] = Chain(key, line_from(record, by_id))
    return found


def line_from(record: Record, by_id: Mapping[str, Record]) -> list[Record]:
    """Return a reading and all that took its place, one after the other."""
    line = [record]
    while (following := by_id.get(line[-1].by or "")) is not None:
        line.append(following)
    return line


def compared(mine: Chain, office: Chain, standing: Mapping[str, set[str]]) -> Ahead:
    """Return which side knows corrections that the other does not.

    ``standing`` are the ids of all readings that stand, of ``mine`` and ``office``: where one side
    took a reading out and the other's version stands on both, they agree.
    """
    one, other = mine.path, office.path
    if one[-1:] == other[-1:]:
        return "same"
    if one[: len(other)] == other:
        return "mine"
    if other[: len(one)] == one:
        return "office"
    if mine.last is None and office.last is not None and office.last.id in standing["mine"]:
        return "same"
    if office.last is None and mine.last is not None and mine.last.id in standing["office"]:
        return "same"
    return "apart"


def standing(records: Sequence[Record]) -> set[str]:
    """Return the ids of the readings that stand."""
    return {record.id for record in records if not record.gone}


def records_here(intake: Intake, visit_id: UUID) -> list[Record]:
    """Return a visit's readings in order, but those of logs and of withdrawn files.

    Readings of a past visit that was fetched are known by their ids alone.
    """
    view, logs = intake.visit(visit_id), intake.logs(visit_id)
    files: dict[UUID | None, str] = {
        a.id: a.sha256 for a in view.attachments if a.withdrawn_at is None and a.id not in logs
    }
    return [
        _of_kept(kept, None if view.imported else files.get(kept.attachment_id))
        for kept in intake.all_readings(visit_id)
        if kept.attachment_id is None or kept.attachment_id in files
    ]


def records_there(
    office: Client, visit_id: UUID, files: Sequence[JsonObject], *, by_file: bool = True
) -> list[Record]:
    """Return the same of the office's visit, whose files are given as its answer lists them."""
    live = {
        file["id"]: file["sha256"]
        for file in files
        if file["withdrawn_at"] is None and not file["statement"].get("as_log")
    }
    rows = office.all("readings", "readings", visit_id=str(visit_id), superseded="true")
    return [
        _of_row(row, live.get(row["attachment_id"]) if by_file else None)
        for row in rows
        if row["attachment_id"] is None or row["attachment_id"] in live
    ]


def _of_kept(kept: KeptReading, file: str | None) -> Record:
    return Record(
        str(kept.id),
        file,
        kept.superseded_at is not None,
        None if kept.superseded_by is None else str(kept.superseded_by),
        kept.superseded_at,
        kept.superseded_who,
        kept.superseded_why,
        posted(kept.id, kept.reading),
    )


def _of_row(row: JsonObject, file: str | None) -> Record:
    return Record(
        row["id"],
        file,
        row["superseded_at"] is not None,
        row["superseded_by"],
        row["superseded_at"],
        row["superseded_who"],
        row["superseded_why"],
        posted(UUID(row["id"]), fetched(row)),
    )


def posted(identity: UUID, reading: Reading) -> JsonObject:
    """Return a reading as the API takes it, in canonical units."""
    found: JsonObject = {
        "id": str(identity),
        "values": dict(reading.values),
        "firing_rate": reading.firing_rate,
        "phase": reading.phase,
        "time": None if reading.time is None else reading.time.isoformat(),
        "fuel": reading.fuel,
        "burner": reading.burner,
        "missing": dict(reading.missing),
        "bounds": {k: {"above": b.above, "below": b.below} for k, b in reading.bounds.items()},
        "note": reading.note,
    }
    return {key: value for key, value in found.items() if value not in (None, {})}


def fetched(row: JsonObject) -> Reading:
    """Return a reading from the office's list of them, or from what the API takes of one."""
    bounds = row.get("bounds") or {}
    document = {
        "values": row["values"],
        "missing": row.get("missing") or {},
        "bounds": {key: [b["above"], b["below"]] for key, b in bounds.items()},
        "note": row.get("note"),
        "time": row.get("time"),
        "time_source": "stated" if row.get("time") else "none",
    }
    return reading_from(
        canonical_json({k: v for k, v in document.items() if v is not None}),
        phase=row.get("phase"),
        burner=row.get("burner"),
        fuel=row.get("fuel"),
        firing_rate=row.get("firing_rate"),
    )


def batches(records: Sequence[Record], most: int) -> Iterator[JsonObject]:
    """Yield bodies that post readings, so many in each."""
    for n in range(0, len(records), most):
        bodies = [record.body for record in records[n : n + most]]
        yield {"readings": bodies, "units": dict(CANONICAL_UNITS)}


def fresh(root: Record) -> Record:
    """Return a reading as it first comes to the office."""
    return replace(root, gone=False, by=None)
