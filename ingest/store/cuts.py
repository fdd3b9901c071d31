"""Cuts of continuous logs: what was proposed, every correction of it, every confirmation.

Only ever added to. The cut in force is the last confirmation; corrections after it wait for the
next one. The log itself is evidence and lies untouched beside them.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from uuid import UUID

from ingest.store.audit import canonical_json
from ingest.store.book import Change
from ingest.store.errors import NotFound
from parsers.model import PHASES, Phase
from parsers.points import Settled
from parsers.segments import Segment


@dataclass(frozen=True, slots=True)
class KeptCut:
    """The cut that was proposed for a log.

    ``started`` is the time of the log's second 0; ``settings`` what the log was read and cut with,
    so that it is read the same way again; ``readings_sha256`` tells whether it was.
    """

    attachment_id: UUID
    visit_id: UUID
    started: datetime
    settings: Mapping[str, Any]
    readings_sha256: str
    proposal: Sequence[Segment]
    made_at: str
    made_by: str


@dataclass(frozen=True, slots=True)
class KeptCorrection:
    """One operation on a cut, with who did it and when."""

    number: int
    at: str
    who: str
    operation: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class KeptConfirmation:
    """A cut that a person confirmed: the stretches as they stood after so many corrections."""

    number: int
    at: str
    who: str
    corrections: int
    started: datetime
    segments: Sequence[Segment]
    phases: Mapping[float, Phase]
    attachment_id: UUID


def segment_json(segment: Segment) -> dict[str, Any]:
    """Return a stretch as the book keeps it."""
    document: dict[str, Any] = {
        "kind": segment.kind,
        "start": segment.start,
        "end": segment.end,
        "firing_rate": segment.firing_rate,
        "rate_basis": segment.rate_basis,
        "why": segment.why,
        "values": {
            key: [s.mean, s.spread, s.count, s.drift, s.u_mean, s.settled]
            for key, s in segment.values.items()
        },
        "settled_from": dict(segment.settled_from),
        "spikes": dict(segment.spikes),
    }
    return {key: value for key, value in document.items() if value not in (None, {}, "")}


def segment_from(document: Mapping[str, Any]) -> Segment:
    """Return a stretch from the book."""
    return Segment(
        kind=document["kind"],
        start=document["start"],
        end=document["end"],
        values={key: Settled(*figures) for key, figures in document.get("values", {}).items()},
        settled_from=document.get("settled_from", {}),
        firing_rate=document.get("firing_rate"),
        rate_basis=document.get("rate_basis"),
        spikes=document.get("spikes", {}),
        why=document.get("why", ""),
    )


def _segments_text(segments: Sequence[Segment]) -> str:
    return canonical_json([segment_json(s) for s in segments])


def _segments(text: str) -> list[Segment]:
    return [segment_from(one) for one in json.loads(text)]


def write_proposal(
    change: Change,
    attachment_id: UUID,
    visit_id: UUID,
    *,
    started: datetime,
    settings: Mapping[str, Any],
    readings_sha256: str,
    proposal: Sequence[Segment],
) -> None:
    """Keep the cut proposed for a log."""
    change.sql.execute(
        "INSERT INTO cut (attachment_id, visit_id, started, settings, readings_sha256, proposal, "
        "made_at, made_by) VALUES (:attachment, :visit, :started, :settings, :sha256, :proposal, "
        ":at, :who)",
        {
            "attachment": str(attachment_id),
            "visit": str(visit_id),
            "started": started.isoformat(),
            "settings": canonical_json(settings),
            "sha256": readings_sha256,
            "proposal": _segments_text(proposal),
            "at": change.at,
            "who": change.who,
        },
    )


def proposal(sql: sqlite3.Connection, visit_id: UUID, attachment_id: UUID) -> KeptCut:
    """Return the cut proposed for a log under a visit."""
    row = sql.execute(
        "SELECT started, settings, readings_sha256, proposal, made_at, made_by FROM cut "
        "WHERE attachment_id = :a AND visit_id = :v",
        {"a": str(attachment_id), "v": str(visit_id)},
    ).fetchone()
    if row is None:
        raise NotFound("cut log", attachment_id)
    return KeptCut(
        attachment_id=attachment_id,
        visit_id=visit_id,
        started=datetime.fromisoformat(row[0]),
        settings=json.loads(row[1]),
        readings_sha256=row[2],
        proposal=_segments(row[3]),
        made_at=row[4],
        made_by=row[5],
    )


def add_correction(change: Change, attachment_id: UUID, operation: Mapping[str, Any]) -> int:
    """Write down one correction; return its number, from 1."""
    number = 1 + int(
        change.sql.execute(
            "SELECT COALESCE(MAX(number), 0) FROM cut_correction WHERE attachment_id = :a",
            {"a": str(attachment_id)},
        ).fetchone()[0]
    )
    change.sql.execute(
        "INSERT INTO cut_correction (attachment_id, number, made_at, made_by, operation) "
        "VALUES (:a, :number, :at, :who, :operation)",
        {
            "a": str(attachment_id),
            "number": number,
            "at": change.at,
            "who": change.who,
            "operation": canonical_json(operation),
        },
    )
    return number


def corrections(sql: sqlite3.Connection, attachment_id: UUID) -> list[KeptCorrection]:
    """Return every correction of a cut, oldest first."""
    rows = sql.execute(
        "SELECT number, made_at, made_by, operation FROM cut_correction WHERE attachment_id = :a "
        "ORDER BY number",
        {"a": str(attachment_id)},
    )
    return [KeptCorrection(r[0], r[1], r[2], json.loads(r[3])) for r in rows]


def write_confirmation(
    change: Change,
    attachment_id: UUID,
    *,
    corrections: int,
    segments: Sequence[Segment],
    phases: Mapping[float, Phase],
) -> int:
    """Keep a confirmed cut; return its number, from 1."""
    number = 1 + int(
        change.sql.execute(
            "SELECT COALESCE(MAX(number), 0) FROM cut_confirmation WHERE attachment_id = :a",
            {"a": str(attachment_id)},
        ).fetchone()[0]
    )
    change.sql.execute(
        "INSERT INTO cut_confirmation (attachment_id, number, made_at, made_by, corrections, "
        "segments, phases) VALUES (:a, :number, :at, :who, :corrections, :segments, :phases)",
        {
            "a": str(attachment_id),
            "number": number,
            "at": change.at,
            "who": change.who,
            "corrections": corrections,
            "segments": _segments_text(segments),
            "phases": canonical_json([[start, phase] for start, phase in phases.items()]),
        },
    )
    return number


_CONFIRMED = (
    "SELECT f.number, f.made_at, f.made_by, f.corrections, c.started, f.segments, f.phases, "
    "f.attachment_id FROM cut_confirmation f JOIN cut c ON c.attachment_id = f.attachment_id "
)


def _confirmation(row: Any) -> KeptConfirmation:
    return KeptConfirmation(
        number=row[0],
        at=row[1],
        who=row[2],
        corrections=row[3],
        started=datetime.fromisoformat(row[4]),
        segments=_segments(row[5]),
        phases={start: phase for start, phase in json.loads(row[6]) if phase in PHASES},
        attachment_id=UUID(row[7]),
    )


def last_confirmation(sql: sqlite3.Connection, attachment_id: UUID) -> KeptConfirmation | None:
    """Return the cut in force of one log, None where nobody confirmed it yet."""
    row = sql.execute(
        _CONFIRMED + "WHERE f.attachment_id = :a ORDER BY f.number DESC LIMIT 1",
        {"a": str(attachment_id)},
    ).fetchone()
    return None if row is None else _confirmation(row)


def confirmed(sql: sqlite3.Connection, visit_id: UUID | str) -> list[KeptConfirmation]:
    """Return the cut in force of every log under a visit that is not withdrawn."""
    rows = sql.execute(
        _CONFIRMED + "JOIN attachment a ON a.id = f.attachment_id "
        "WHERE c.visit_id = :v AND a.withdrawn_at IS NULL AND f.number = (SELECT MAX(g.number) "
        "FROM cut_confirmation g WHERE g.attachment_id = f.attachment_id) ORDER BY a.id",
        {"v": str(visit_id)},
    )
    return [_confirmation(row) for row in rows]


def cut_logs(sql: sqlite3.Connection, visit_id: UUID | str) -> dict[UUID, bool]:
    """Return the logs under a visit, and whether every correction of each is confirmed."""
    rows = sql.execute(
        "SELECT c.attachment_id, COALESCE((SELECT MAX(k.number) FROM cut_correction k "
        "WHERE k.attachment_id = c.attachment_id), 0), COALESCE((SELECT MAX(f.corrections) "
        "FROM cut_confirmation f WHERE f.attachment_id = c.attachment_id), -1) FROM cut c "
        "WHERE c.visit_id = :v",
        {"v": str(visit_id)},
    )
    return {UUID(r[0]): r[1] == r[2] for r in rows}


def is_of_log(sql: sqlite3.Connection, reading_id: UUID) -> bool:
    """Return whether a reading came into the book by a confirmed cut."""
    row = sql.execute(
        "SELECT 1 FROM reading r JOIN cut c ON c.attachment_id = r.attachment_id WHERE r.id = :id",
        {"id": str(reading_id)},
    ).fetchone()
    return row is not None


def supersede_readings(change: Change, attachment_id: UUID, why: str) -> int:
    """Take the readings of the cut before out of the visit; return how many."""
    done = change.sql.execute(
        "UPDATE reading SET superseded_at = :at, superseded_who = :who, superseded_why = :why "
        "WHERE attachment_id = :a AND superseded_at IS NULL",
        {"a": str(attachment_id), "at": change.at, "who": change.who, "why": why},
    )
    return int(done.rowcount)
