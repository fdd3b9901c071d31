"""What lines of the trail are about, by the names that people know it under."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable
from typing import NamedTuple

from ingest.store.named import rows_of_each


class Subject(NamedTuple):
    """A name, and of a visit its start as the book has it; None where that is not known."""

    name: str
    started: str | None = None


_NAMES = {
    "visit": "SELECT v.id, COALESCE(b.name, ''), v.started FROM visit v "
    "LEFT JOIN boiler b ON b.id = v.boiler_id WHERE v.id IN",
    "boiler": "SELECT id, name, NULL FROM boiler WHERE id IN",
    "site": "SELECT id, name, NULL FROM site WHERE id IN",
}


def names_of(sql: sqlite3.Connection, subjects: Iterable[str]) -> dict[str, Subject]:
    """Return the names of subjects ("visit:<id>") that are visits, boilers or sites of the book.

    Whoever asks sees the whole trail: no reach is looked at.
    """
    wanted: dict[str, list[str]] = {kind: [] for kind in _NAMES}
    for subject in dict.fromkeys(subjects):
        kind, _, identity = subject.partition(":")
        if kind in wanted:
            wanted[kind].append(identity)
    return {
        f"{kind}:{row[0]}": Subject(row[1], row[2])
        for kind, ids in wanted.items()
        for row in rows_of_each(sql, _NAMES[kind], ids)
    }
