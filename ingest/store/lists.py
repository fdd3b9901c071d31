"""Lists of visits: the review list and a boiler's life."""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any
from uuid import UUID

from ingest.models import SEVERITIES, Severity, VisitState
from ingest.store import reach
from ingest.store.named import named

NO_TIME = "9999"
"""Sorts visits without a time behind all others; the review list's index holds it too."""
START = f"COALESCE(v.started, '{NO_TIME}')"


@dataclass(frozen=True, slots=True)
class Wanted:
    """Which visits a list shows; empty means all."""

    states: Sequence[VisitState] = ("handed_in",)
    severities: Sequence[Severity] = ()
    site_id: UUID | None = None
    boiler_id: UUID | None = None
    rule: str | None = None
    started_from: str | None = None
    started_until: str | None = None
    text: str | None = None
    imported: bool | None = False
    visit_id: UUID | None = None
    unassigned: bool = False
    changed_since: str | None = None
    nothing_to_act_on: bool = False


@dataclass(frozen=True, slots=True)
class Listed:
    """One row of the list: a visit by its worst finding that no standing acceptance covers.

    Where all are covered, ``worst`` is None and the message is that of the worst covered one.
    """

    visit_id: UUID
    boiler_id: UUID | None
    boiler_name: str | None
    site_name: str | None
    state: VisitState
    started: str | None
    technician: str | None
    worst: Severity | None
    worst_rule: str | None
    worst_message: str | None
    flag_counts: dict[Severity, int] = field(default_factory=dict)
    covered: int = 0
    position: str = ""


def where_wanted(wanted: Wanted, rank: str = "v.severity_rank") -> tuple[list[str], dict[str, Any]]:
    """Return the conditions of a list over ``VISITS``, and what they are given.

    ``rank`` is what severities are about: the worst finding, or the worst that nothing covers.
    """
    parts: list[str] = ["v.imported IN (0, 1)"]
    given: dict[str, Any] = {}
    if wanted.imported is not None:
        parts = ["v.imported = :imported"]
        given["imported"] = int(wanted.imported)
    if wanted.unassigned:
        parts.append("v.boiler_id IS NULL")
    if wanted.states:
        names, states = named("state", wanted.states)
        parts.append(f"v.state IN ({names})")
        given |= states
    if wanted.severities:
        names, ranks = named("rank", [SEVERITIES.index(s) for s in wanted.severities])
        parts.append(f"{rank} IN ({names})")
        given |= ranks
    if wanted.nothing_to_act_on:
        parts.append(f"{rank} >= :info")
        given["info"] = SEVERITIES.index("info")
    for column, value in (
        ("b.site_id", wanted.site_id),
        ("v.boiler_id", wanted.boiler_id),
        ("v.id", wanted.visit_id),
    ):
        if value is not None:
            name = column[2:]
            parts.append(f"{column} = :{name}")
            given[name] = str(value)
    if wanted.rule is not None:
        parts.append("EXISTS (SELECT 1 FROM flag f WHERE f.visit_id = v.id AND f.rule = :rule)")
        given["rule"] = wanted.rule
    if wanted.started_from is not None:
        parts.append("v.started >= :started_from")
        given["started_from"] = wanted.started_from
    if wanted.started_until is not None:
        parts.append("v.started < :started_until")
        given["started_until"] = wanted.started_until
    if wanted.changed_since is not None:
        parts.append("v.changed_at >= :changed_since")
        given["changed_since"] = wanted.changed_since
    if wanted.text:
        escaped = wanted.text.replace("\\", "\\\\").replace("%", "\\%").replace("_", "\\_")
        parts.append(
            "(v.boiler_id IN (SELECT named.id FROM boiler named "
            "LEFT JOIN site place ON place.id = named.site_id "
            "WHERE LOWER(named.name) LIKE :text ESCAPE '\\' "
            "OR LOWER(place.name) LIKE :text ESCAPE '\\') "
            "OR LOWER(v.technician) LIKE :text ESCAPE '\\')"
        )
        given["text"] = f"%{escaped.lower()}%"
    held = reach.where_visits("v.boiler_id", "v.owner")
    if held is not None:
        parts.append(held[0])
        given.update(held[1])
    return parts, given


VISITS = (
    "FROM visit v LEFT JOIN boiler b ON b.id = v.boiler_id LEFT JOIN site s ON s.id = b.site_id "
)


_JOINED = re.compile(r"\b[bs]\.")


def _source(parts: Sequence[str]) -> str:
    """Return what conditions are about: visits alone, where none asks for boiler or site.

    An index then has all that is asked for, and no row of a visit is read.
    """
    return VISITS if any(_JOINED.search(part) for part in parts) else "FROM visit v "


_LATER = f"v.review_rank = :rank AND {START} >= :started AND ({START} > :started OR v.id > :id)"
_LESSER = "v.review_rank > :rank"
_BEHIND = f"({_LESSER} OR ({_LATER}))"
_IN_ORDER = f"ORDER BY v.review_rank, {START}, v.id LIMIT :most"


def review_list(
    sql: sqlite3.Connection, wanted: Wanted, *, after: str | None = None, most: int = 40
) -> list[Listed]:
    """Return visits worst first, then oldest.

    Parameters
    ----------
    after : str or None
        ``position`` of the last row already shown: the list goes on behind it, whatever was added
        or accepted meanwhile.

    Raises
    ------
    ValueError
        If ``after`` is not a position.
    """
    parts, given = where_wanted(wanted, "v.review_rank")
    if after is not None:
        rank, started, identity = _position(after)
        parts.append(_BEHIND)
        given.update(rank=rank, started=started, id=identity)
    given.update(most=most)
    rows = sql.execute(
        "SELECT v.id, v.boiler_id, b.name, s.name, v.state, v.started, v.technician, "
        "v.review_rank, f.rule, f.message "
        + VISITS
        + "LEFT JOIN flag f ON f.visit_id = v.id AND f.position = v.review_flag "
        # The rows of the page first, by the index alone; only theirs are read.
        + f"WHERE v.id IN (SELECT v.id {_source(parts)} WHERE {' AND '.join(parts)} "
        + f"{_IN_ORDER}) "
        + f"ORDER BY v.review_rank, {START}, v.id",
        given,
    ).fetchall()
    counts, covered = _counts(sql, [r[0] for r in rows])
    return [
        Listed(
            visit_id=UUID(r[0]),
            boiler_id=None if r[1] is None else UUID(r[1]),
            boiler_name=r[2],
            site_name=r[3],
            state=r[4],
            started=r[5],
            technician=r[6],
            worst=SEVERITIES[r[7]] if r[7] < len(SEVERITIES) else None,
            worst_rule=r[8],
            worst_message=r[9],
            flag_counts=counts.get(r[0], {}),
            covered=covered.get(r[0], 0),
            position=f"{r[7]}~{r[5] or NO_TIME}~{r[0]}",
        )
        for r in rows
    ]


def next_waiting(sql: sqlite3.Connection, visit_id: UUID) -> tuple[UUID, str | None] | None:
    """Return id and boiler's name of the visit behind this one on the review list.

    Behind the last the first again; None where no other one waits. Where this one stood is told
    after its decision, too. No more than a page needs is asked for, so that a kept one stays.
    """
    mine = sql.execute(
        f"SELECT v.review_rank, {START}, v.id FROM visit v WHERE v.id = :id", {"id": str(visit_id)}
    ).fetchone()
    if mine is None:
        return None
    parts, given = where_wanted(Wanted(), "v.review_rank")
    given |= {"rank": mine[0], "started": mine[1], "id": mine[2], "most": 1}
    # One after the other: the index leads to each, where both in one read all of the rank.
    for where in ([*parts, _LATER], [*parts, _LESSER], [*parts, "v.id <> :id"]):
        row = sql.execute(
            "SELECT v.id, (SELECT b.name FROM boiler b WHERE b.id = v.boiler_id) FROM visit v "
            f"WHERE {' AND '.join(where)} {_IN_ORDER}",
            given,
        ).fetchone()
        if row is not None:
            return UUID(row[0]), row[1]
    return None


def _position(text: str) -> tuple[int, str, str]:
    rank, _, rest = text.partition("~")
    started, _, identity = rest.partition("~")
    if not rank.isdigit() or int(rank) > len(SEVERITIES) or not identity:
        raise ValueError(f"{text!r} is not a position in the list")
    return int(rank), started, identity


def _counts(
    sql: sqlite3.Connection, visits: Sequence[str]
) -> tuple[dict[str, dict[Severity, int]], dict[str, int]]:
    """Return how many flags each visit has: those that nothing covers by severity, the others."""
    found: dict[str, dict[Severity, int]] = {}
    covered: dict[str, int] = {}
    names, given = named("v", visits)
    rows = sql.execute(
        "SELECT visit_id, severity, COUNT(*), COUNT(standing) FROM flag "
        f"WHERE visit_id IN ({names}) GROUP BY visit_id, severity",
        given,
    )
    for visit, severity, count, under in rows:
        if count > under:
            found.setdefault(visit, {})[severity] = count - under
        covered[visit] = covered.get(visit, 0) + under
    return found, covered


def counts_by_severity(sql: sqlite3.Connection, wanted: Wanted) -> dict[Severity | None, int]:
    """Return how many visits there are by their worst severity; None counts those without flag."""
    parts, given = where_wanted(wanted, "v.review_rank")
    rows = sql.execute(
        "SELECT v.review_rank, COUNT(*) "
        + _source(parts)
        + "WHERE "
        + " AND ".join(parts)
        + " GROUP BY v.review_rank",
        given,
    )
    return {SEVERITIES[r] if r < len(SEVERITIES) else None: n for r, n in rows}


def counts_by_state(sql: sqlite3.Connection) -> dict[VisitState, int]:
    """Return how many visits there are in each state, imported ones included."""
    return dict(sql.execute("SELECT state, COUNT(*) FROM visit GROUP BY state").fetchall())
