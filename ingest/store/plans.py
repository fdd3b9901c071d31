"""Service plans as they were brought in: every version stays, the newest of a key is in force.

One that was removed is in force no more until it is brought in again.
"""

from __future__ import annotations

import hashlib
import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

from ingest.service.plans import Plan
from ingest.store.audit import canonical_json
from ingest.store.book import Change
from ingest.store.errors import NotFound, StateConflict


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
    """Keep a plan; return False where the same one is there and in force.

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
            return _brought_back(change, plan)
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
    change.sql.execute("DELETE FROM removed_plan WHERE key = :key", {"key": plan.key})
    change.record("plan_added", f"plan:{plan.key}", {"version": plan.version, "sha256": digest})
    return True


def _brought_back(change: Change, plan: Plan) -> bool:
    done = change.sql.execute("DELETE FROM removed_plan WHERE key = :key", {"key": plan.key})
    if done.rowcount == 0:
        return False
    change.record("plan_brought_back", f"plan:{plan.key}", {"version": plan.version})
    return True


def must_be_free(sql: sqlite3.Connection, key: str, in_force: Mapping[str, Plan]) -> None:
    """Refuse where a plan cannot be taken out of force.

    Parameters
    ----------
    in_force : mapping of plan key to Plan
        Where the plan itself and others that include it are looked for.

    Raises
    ------
    NotFound
        If no plan in force has this key.
    StateConflict
        While another plan includes it, or a boiler names it among its plans.
    """
    if key not in in_force:
        raise NotFound("plan", key)
    including = sorted(p.key for p in in_force.values() if p.key != key and key in p.includes)
    if including:
        raise StateConflict(
            f"the plan {key} is included by {', '.join(including)}; remove or change those first"
        )
    rows = boilers_naming(sql).get(key)
    if rows:
        raise StateConflict(
            f"the plan {key} stands among the plans of {len(rows)} boiler(s), such as "
            f"{rows[0][1]}; name another one there first"
        )


def boilers_naming(sql: sqlite3.Connection) -> dict[str, list[tuple[str, str]]]:
    """Return id and name of the boilers that name a plan, by its key; within reach or not."""
    found: dict[str, list[tuple[str, str]]] = {}
    for key, identity, name in sql.execute(
        "SELECT DISTINCT e.value, b.id, b.name FROM boiler b, json_each(b.document, '$.plans') e "
        "ORDER BY b.name, b.id"
    ):
        found.setdefault(key, []).append((identity, name))
    return found


def remove(change: Change, key: str, in_force: Mapping[str, Plan]) -> None:
    """Take a plan out of force; its versions stay, and one that never came in comes in first.

    Raises
    ------
    NotFound, StateConflict
        As ``must_be_free`` does.
    """
    must_be_free(change.sql, key, in_force)
    put_plan(change, in_force[key])
    change.sql.execute(
        "INSERT INTO removed_plan (key, removed_at, removed_by) VALUES (:key, :at, :who)",
        {"key": key, "at": change.at, "who": change.who},
    )
    change.record("plan_removed", f"plan:{key}", {})


def removed(sql: sqlite3.Connection) -> dict[str, tuple[str, str]]:
    """Return the plans that are out of force by key: when and by whom each was removed."""
    return {r[0]: (r[1], r[2]) for r in sql.execute("SELECT * FROM removed_plan")}


def plan(sql: sqlite3.Connection, key: str, version: str | None = None) -> Plan | None:
    """Return a plan in one version, the newest where none is named; None where it is not there.

    One that was removed is there: what followed it is still judged by it.
    """
    row = sql.execute(
        "SELECT document FROM plan WHERE key = :key AND (:version IS NULL OR version = :version) "
        "ORDER BY number DESC LIMIT 1",
        {"key": key, "version": version},
    ).fetchone()
    return None if row is None else _plan(row[0])


def plans(sql: sqlite3.Connection) -> list[KeptPlan]:
    """Return the newest version of each plan in force, by key."""
    rows = sql.execute(
        "SELECT document, added_at, added_by FROM plan p WHERE number = (SELECT MAX(q.number) "
        "FROM plan q WHERE q.key = p.key) "
        "AND key NOT IN (SELECT key FROM removed_plan) ORDER BY key"
    )
    return [KeptPlan(_plan(r[0]), r[1], r[2]) for r in rows]


def versions(sql: sqlite3.Connection) -> list[KeptPlan]:
    """Return every version of each plan, by key, newest first."""
    rows = sql.execute("SELECT document, added_at, added_by FROM plan ORDER BY key, number DESC")
    return [KeptPlan(_plan(r[0]), r[1], r[2]) for r in rows]
