"""Service plans as they were brought in: every version stays, the newest of a key is in force."""

from __future__ import annotations

import hashlib
import sqlite3
from dataclasses import dataclass
from functools import lru_cache

from ingest.service.plans import Plan
from ingest.store.audit import canonical_json
from ingest.store.book import Change
from ingest.store.errors import StateConflict


@dataclass(frozen=True, slots=True)
class KeptPlan:
    """A plan of the book, and who brought it in."""

    plan: Plan
    added_at: str
    added_by: str


@lru_cache(maxsize=128)
def _plan(document: str) -> Plan:
    # The text is the key: a plan is never changed, only followed by another version.
    return Plan.model_validate_json(document)


def put_plan(change: Change, plan: Plan) -> bool:
    """Keep a plan; return False where the same one is there.

    Raises
    ------
    StateConflict
        If this version of it is there with other content: judgements name plans by key and version.
    """
    document = canonical_json(plan.model_dump(mode="json", exclude_none=True))
    digest = hashlib.sha256(document.encode()).hexdigest()
    there = change.sql.execute(
        "SELECT document FROM plan WHERE key = :key AND version = :version",
        {"key": plan.key, "version": plan.version},
    ).fetchone()
    if there is not None:
        # Compared as plans: what a plan may say grows, and one that says none of it is the same.
        if _plan(there[0]) == plan:
            return False
        raise StateConflict(
            f"the plan {plan.key} {plan.version} is in the book with other content; "
            "give the changed plan a version of its own"
        )
    change.sql.execute(
        "INSERT INTO plan (key, version, number, sha256, document, added_at, added_by) VALUES "
        "(:key, :version, (SELECT COALESCE(MAX(number), 0) + 1 FROM plan), :sha256, :document, "
        ":at, :who)",
        {
            "key": plan.key,
            "version": plan.version,
            "sha256": digest,
            "document": document,
            "at": change.at,
            "who": change.who,
        },
    )
    change.record("plan_added", f"plan:{plan.key}", {"version": plan.version, "sha256": digest})
    return True


def plan(sql: sqlite3.Connection, key: str, version: str | None = None) -> Plan | None:
    """Return a plan in one version, the newest where none is named; None where it is not there."""
    row = sql.execute(
        "SELECT document FROM plan WHERE key = :key AND (:version IS NULL OR version = :version) "
        "ORDER BY number DESC LIMIT 1",
        {"key": key, "version": version},
    ).fetchone()
    return None if row is None else _plan(row[0])


def plans(sql: sqlite3.Connection) -> list[KeptPlan]:
    """Return the newest version of each plan, by key."""
    rows = sql.execute(
        "SELECT document, added_at, added_by FROM plan p WHERE number = (SELECT MAX(q.number) "
        "FROM plan q WHERE q.key = p.key) ORDER BY key"
    )
    return [KeptPlan(_plan(r[0]), r[1], r[2]) for r in rows]


def versions(sql: sqlite3.Connection) -> list[KeptPlan]:
    """Return every version of each plan, by key, newest first."""
    rows = sql.execute("SELECT document, added_at, added_by FROM plan ORDER BY key, number DESC")
    return [KeptPlan(_plan(r[0]), r[1], r[2]) for r in rows]
