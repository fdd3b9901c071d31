"""Standing acceptances: a reviewer's word that a boiler's finding is known and stands for a while.

One covers findings of its rule that are no worse than it says. It never covers a stop, it ends by
itself on its day or when a part is changed, and nothing of a judgement is altered by it: the flags
stay, marked with what covers them.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, Literal
from uuid import UUID

from ingest.judgement import Flag
from ingest.models import SEVERITIES, Boiler, Severity, Visit
from ingest.store import places, reach
from ingest.store.book import Change
from ingest.store.errors import NotFound, StateConflict, VersionConflict
from ingest.store.held import document_of

HowEnded = Literal["ended", "date", "part_change"]


@dataclass(frozen=True, slots=True)
class Standing:
    """One standing acceptance; ``up_to`` is in the quantity's canonical unit.

    Attributes
    ----------
    severity : Severity
        Findings worse than this are not covered.
    until : date or None
        Last day on which it holds.
    until_part_change : bool
        Whether it ends with the next part fitted to the boiler.
    """

    id: UUID
    boiler_id: UUID
    rule: str
    reason: str
    severity: Severity
    quantity: str | None
    up_to: float | None
    until: date | None
    until_part_change: bool
    made_at: str = ""
    made_by: str = ""
    ended_at: str | None = None
    ended_by: str | None = None
    ended_how: HowEnded | None = None
    ended_why: str | None = None
    version: int = 1


def covers(standing: Standing, flag: Flag) -> bool:
    """Return whether a finding is one that was accepted to stand.

    >>> from uuid import UUID
    >>> known = Standing(UUID(int=1), UUID(int=2), "co_above_limit", "", "fix", "co_air_free",
    ...                  120.0, None, True)
    >>> flag = Flag("1", "co_above_limit", "fix", "", "", quantity="co_air_free", value=110.0,
    ...             high=100.0)
    >>> from dataclasses import replace
    >>> covers(known, flag), covers(known, replace(flag, value=121.0))
    (True, False)
    >>> covers(known, replace(flag, severity="stop"))
    False
    """
    if flag.severity == "stop" or flag.rule != standing.rule:
        return False
    if SEVERITIES.index(flag.severity) < SEVERITIES.index(standing.severity):
        return False
    if standing.up_to is None:
        return True
    if flag.value is None or flag.quantity != standing.quantity:
        return False
    return flag.value >= standing.up_to if _below(flag) else flag.value <= standing.up_to


def _below(flag: Flag) -> bool:
    """Return whether it is the lower end of the range that a value is about."""
    if flag.low is None or flag.high is None or flag.value is None:
        return flag.high is None and flag.low is not None
    return flag.value < (flag.low + flag.high) / 2


_COLUMNS = (
    "a.id, a.boiler_id, a.rule, a.reason, a.severity, a.quantity, a.up_to, a.until, "
    "a.until_part_change, a.made_at, a.made_by, a.ended_at, a.ended_by, a.ended_how, a.ended_why, "
    "a.version"
)


def _standing(row: Any) -> Standing:
    until = None if row[7] is None else date.fromisoformat(row[7])
    identity, boiler, *asked = row[:7]
    given: tuple[Any, ...] = (*asked, until, bool(row[8]), *row[9:])
    return Standing(UUID(identity), UUID(boiler), *given)


def standing(sql: sqlite3.Connection, identity: UUID) -> Standing:
    """Return one standing acceptance, ended or not."""
    row = sql.execute(
        f"SELECT {_COLUMNS} FROM standing_acceptance a WHERE a.id = :id", {"id": str(identity)}
    ).fetchone()
    if row is None or not reach.reaches_boiler(sql, row[1]):
        raise NotFound("standing acceptance", identity)
    return _standing(row)


def standings(
    sql: sqlite3.Connection, boiler_id: UUID | None = None, *, ended: bool = False
) -> list[Standing]:
    """Return the standing acceptances within reach, newest first; with the ended where asked."""
    rows = sql.execute(
        f"SELECT {_COLUMNS} FROM standing_acceptance a WHERE (:boiler IS NULL OR "
        "a.boiler_id = :boiler) AND (:ended OR a.ended_at IS NULL) ORDER BY a.made_at DESC, a.id",
        {"boiler": None if boiler_id is None else str(boiler_id), "ended": ended},
    ).fetchall()
    return [_standing(r) for r in rows if reach.reaches_boiler(sql, r[1])]


def add(change: Change, one: Standing) -> None:
    """Write a standing acceptance; the same again changes nothing."""
    places.document(change.sql, "boiler", one.boiler_id, Boiler)
    given = {
        "id": str(one.id),
        "boiler": str(one.boiler_id),
        "rule": one.rule,
        "reason": one.reason,
        "severity": one.severity,
        "quantity": one.quantity,
        "up_to": one.up_to,
        "until": None if one.until is None else one.until.isoformat(),
        "part": int(one.until_part_change),
    }
    change.sql.execute(
        "INSERT INTO standing_acceptance (id, boiler_id, rule, reason, severity, quantity, up_to, "
        "until, until_part_change, made_at, made_by) VALUES (:id, :boiler, :rule, :reason, "
        ":severity, :quantity, :up_to, :until, :part, :at, :who)",
        {**given, "at": change.at, "who": change.who},
    )
    change.record("standing_acceptance_made", f"boiler:{one.boiler_id}", given)


def end(
    change: Change, identity: UUID, how: HowEnded, why: str, expected: int | None = None
) -> Standing:
    """End a standing acceptance; it stays in the book.

    Raises
    ------
    StateConflict
        If it has ended already.
    """
    there = standing(change.sql, identity)
    if there.ended_at is not None:
        raise StateConflict(f"the standing acceptance ended at {there.ended_at}")
    if expected is not None and expected != there.version:
        raise VersionConflict("standing acceptance", identity, expected, there.version)
    change.sql.execute(
        "UPDATE standing_acceptance SET ended_at = :at, ended_by = :who, ended_how = :how, "
        "ended_why = :why, version = version + 1 WHERE id = :id",
        {"at": change.at, "who": change.who, "how": how, "why": why, "id": str(identity)},
    )
    change.record(
        "standing_acceptance_ended",
        f"boiler:{there.boiler_id}",
        {"id": str(identity), "rule": there.rule, "how": how, "why": why},
    )
    return standing(change.sql, identity)


def run_out(sql: sqlite3.Connection, today: date) -> list[Standing]:
    """Return those whose last day has passed and that nobody has ended."""
    rows = sql.execute(
        f"SELECT {_COLUMNS} FROM standing_acceptance a WHERE a.ended_at IS NULL "
        "AND a.until < :today ORDER BY a.until, a.id",
        {"today": today.isoformat()},
    )
    return [_standing(r) for r in rows]


def part_fitted_since(sql: sqlite3.Connection, one: Standing) -> str | None:
    """Return which part was fitted to the boiler after an acceptance was made, None if none.

    What is recorded on a visit counts once it is handed in, also where the visit was begun before:
    nobody knew of the part then.
    """
    boiler, _ = places.document(sql, "boiler", one.boiler_id, Boiler)
    made = one.made_at
    for part in boiler.parts:
        if part.installed.isoformat() > made[:10]:
            return part.part
    rows = sql.execute(
        "SELECT document FROM visit WHERE boiler_id = :boiler AND "
        "(started > :made OR handed_in_at > :made) AND "
        "(imported = 1 OR state IN ('handed_in', 'accepted')) ORDER BY started, id",
        {"boiler": str(one.boiler_id), "made": made},
    )
    return next((p for (text,) in rows if (p := fitted(document_of(Visit, text)))), None)


def fitted(visit: Visit) -> str | None:
    """Return the first part that a visit records as fitted."""
    tasks = [] if visit.service is None else visit.service.tasks
    return next((r.part for t in tasks for r in t.replaced), None)


def covering(
    sql: sqlite3.Connection, visit_id: UUID, flags: Sequence[Flag]
) -> list[Standing | None]:
    """Return what covers each of a visit's flags, None for one that nothing covers."""
    if not flags:
        return []
    found = sql.execute(
        f"SELECT {_COLUMNS} FROM visit v JOIN standing_acceptance a ON a.boiler_id = v.boiler_id "
        "WHERE v.id = :v AND a.ended_at IS NULL ORDER BY a.made_at, a.id",
        {"v": str(visit_id)},
    )
    known = [_standing(r) for r in found]
    if any(k.until_part_change for k in known):
        row = sql.execute(
            "SELECT document FROM visit WHERE id = :v", {"v": str(visit_id)}
        ).fetchone()
        if fitted(document_of(Visit, row[0])) is not None:
            known = [k for k in known if not k.until_part_change]
    return [next((k for k in known if covers(k, flag)), None) for flag in flags]


def review_place(flags: Sequence[Flag], by: Sequence[Standing | None]) -> tuple[int, int]:
    """Return the rank of a visit in the review list, and its flag that is shown there."""
    first = next((n for n, k in enumerate(by) if k is None), None)
    if first is None:
        return len(SEVERITIES), 0
    return SEVERITIES.index(flags[first].severity), first


def mark(change: Change, visit_id: UUID, flags: Sequence[Flag]) -> None:
    """Mark the kept flags of a visit with what covers them, and order the visit by the others."""
    by = covering(change.sql, visit_id, flags)
    change.sql.executemany(
        "UPDATE flag SET standing = ? WHERE visit_id = ? AND position = ?",
        [(None if k is None else str(k.id), str(visit_id), n) for n, k in enumerate(by)],
    )
    rank, first = review_place(flags, by)
    change.sql.execute(
        "UPDATE visit SET review_rank = :rank, review_flag = :first WHERE id = :v",
        {"rank": rank, "first": first, "v": str(visit_id)},
    )


def marks(sql: sqlite3.Connection, visit_id: UUID) -> dict[int, UUID]:
    """Return what covers the flags of a visit, by their place among them."""
    rows = sql.execute(
        "SELECT position, standing FROM flag WHERE visit_id = :v AND standing IS NOT NULL",
        {"v": str(visit_id)},
    )
    return {r[0]: UUID(r[1]) for r in rows}


def unfinished(sql: sqlite3.Connection, boiler_id: UUID) -> list[UUID]:
    """Return a boiler's visits that are not accepted yet."""
    rows = sql.execute(
        "SELECT id FROM visit WHERE boiler_id = :boiler AND imported = 0 AND state <> 'accepted'",
        {"boiler": str(boiler_id)},
    )
    return [UUID(r[0]) for r in rows]
