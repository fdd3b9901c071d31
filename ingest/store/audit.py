"""The trail: one line for every change, each holding the hash of the line before it.

A line's hash is SHA-256 over the canonical JSON of its fields and the previous hash. The head (last
number and hash) is kept apart, so that cutting off the end shows too.
"""

from __future__ import annotations

import hashlib
import json
import sqlite3
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import orjson

from ingest.store.texts import refuse_unfit

# Made once: the library makes an encoder with every call that asks for anything but its defaults.
_slowly = json.JSONEncoder(sort_keys=True, separators=(",", ":"), ensure_ascii=False).encode
START = "0" * 64
_HEAD = "audit_head"
_NULL = b"\\u0000"


@dataclass(frozen=True, slots=True)
class AuditFinding:
    """Something in the book that is not as it was written."""

    where: str
    what: str


@dataclass(slots=True)
class Tail:
    """The end of the trail while a transaction is open, read once and kept at its end.

    Attributes
    ----------
    last : tuple of int and str, or None
        Number and hash of the last line; None where it is to be read.
    moved : bool
        Whether a line was added that the kept head does not tell of yet.
    """

    last: tuple[int, str] | None = None
    moved: bool = False

    def keep(self, connection: sqlite3.Connection) -> None:
        """Write the head where it moved; nothing is whole before it."""
        if self.moved:
            connection.execute(
                "INSERT INTO setting (key, value) VALUES (:key, :value) "
                "ON CONFLICT (key) DO UPDATE SET value = excluded.value",
                {"key": _HEAD, "value": canonical_json(self.last)},
            )
            self.moved = False


def canonical_json(value: Any) -> str:
    """Return JSON with one spelling for one value.

    What the quick encoder does not take, such as whole numbers beyond 64 bits, goes to the
    standard library's, which is slower.

    Raises
    ------
    UnfitText
        If a text in it holds a character that cannot be kept.
    """
    try:
        quick = orjson.dumps(value, option=orjson.OPT_SORT_KEYS)
    except TypeError:
        refuse_unfit(value)
        return _slowly(value)
    if _NULL in quick:
        refuse_unfit(value)
    return quick.decode()


def _hash(
    seq: int, at: str, who: str, action: str, subject: str, details: str, previous: str
) -> str:
    text = canonical_json([seq, at, who, action, subject, details, previous])
    return hashlib.sha256(text.encode()).hexdigest()


def readings_digest(rows: Iterable[Sequence[Any]]) -> str:
    """Return the SHA-256 over rows of readings: id, seq, phase, burner, fuel, rate, time, text."""
    digest = hashlib.sha256()
    for row in rows:
        digest.update(canonical_json(list(row)).encode())
    return digest.hexdigest()


def first_hash(sql: sqlite3.Connection) -> str:
    """Return the hash of the trail's first line, which no other book has; "" in an empty book."""
    row = sql.execute("SELECT hash FROM audit ORDER BY seq LIMIT 1").fetchone()
    return "" if row is None else str(row[0])


def append(
    connection: sqlite3.Connection,
    tail: Tail,
    *,
    at: str,
    who: str,
    action: str,
    subject: str,
    details: Mapping[str, Any],
) -> int:
    """Add a line to the trail inside the change's own transaction; return its number.

    The caller keeps the tail before the transaction ends.
    """
    number, previous = tail.last or _head(connection)
    seq = number + 1
    text = canonical_json(details)
    digest = _hash(seq, at, who, action, subject, text, previous)
    connection.execute(
        "INSERT INTO audit (seq, at, who, action, subject, details, previous, hash) VALUES "
        "(:seq, :at, :who, :action, :subject, :details, :previous, :hash)",
        {
            "seq": seq,
            "at": at,
            "who": who,
            "action": action,
            "subject": subject,
            "details": text,
            "previous": previous,
            "hash": digest,
        },
    )
    tail.last, tail.moved = (seq, digest), True
    return seq


def _head(connection: sqlite3.Connection) -> tuple[int, str]:
    row = connection.execute(
        "SELECT value FROM setting WHERE key = :key", {"key": _HEAD}
    ).fetchone()
    if row is None:
        return 0, START
    seq, digest = json.loads(row[0])
    return int(seq), str(digest)


class TrailRow(NamedTuple):
    """A line as the book has it, its details as JSON."""

    seq: int
    at: str
    who: str
    action: str
    subject: str
    details: str
    hash: str


def line_of(row: TrailRow) -> dict[str, Any]:
    """Return a line by its names, the details read."""
    return {**row._asdict(), "details": json.loads(row.details)}


def trail(connection: sqlite3.Connection, subject: str | None = None) -> list[dict[str, Any]]:
    """Return the lines of the trail in order, of one subject where given."""
    where = "" if subject is None else " WHERE subject = :subject"
    rows = connection.execute(
        "SELECT seq, at, who, action, subject, details, hash FROM audit" + where + " ORDER BY seq",
        {"subject": subject} if subject is not None else {},
    )
    return [line_of(TrailRow(*row)) for row in rows]


def newest(
    connection: sqlite3.Connection, *, before: int | None = None, who: str = "", most: int = 100
) -> list[TrailRow]:
    """Return the newest lines of the trail, of one person where named, older than a line."""
    rows = connection.execute(
        "SELECT seq, at, who, action, subject, details, hash FROM audit WHERE "
        "(:before IS NULL OR seq < :before) AND (:who = '' OR who = :who) "
        "ORDER BY seq DESC LIMIT :most",
        {"before": before, "who": who, "most": most},
    )
    return [TrailRow(*row) for row in rows]


def checked_lines(
    connection: sqlite3.Connection, found: list[AuditFinding]
) -> Iterator[Sequence[Any]]:
    """Yield number, time, person, action, subject and details of every line, in order.

    Lines that were changed, removed, added or put in another order are added to what was found.
    """
    previous, expected = START, 1
    rows = connection.execute(
        "SELECT seq, at, who, action, subject, details, previous, hash FROM audit ORDER BY seq"
    )
    for row in rows:
        seq = int(row[0])
        if seq != expected:
            lost = f"line {expected}" if seq == expected + 1 else f"lines {expected} to {seq - 1}"
            found.append(AuditFinding(f"audit {lost}", "missing"))
        if row[6] != previous:
            found.append(AuditFinding(f"audit line {seq}", "does not follow on the line before it"))
        if _hash(seq, row[1], row[2], row[3], row[4], row[5], row[6]) != row[7]:
            found.append(AuditFinding(f"audit line {seq}", "was changed after it was written"))
        previous, expected = row[7], seq + 1
        yield row[:6]
    if _head(connection) != (expected - 1, previous):
        found.append(
            AuditFinding("audit trail", "does not end where its head says: lines were cut or added")
        )
