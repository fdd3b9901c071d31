"""What each boiler's visits come to, kept beside it until one of them changes.

A row is worked out once from a boiler's life and read from then on. Triggers of the book take it
out in the same transaction that changes a finished visit, its points or its boiler, whoever writes;
one of another program version is not used either. What is missing is worked out anew.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any
from uuid import UUID

from ingest.store import reach
from ingest.store.audit import canonical_json
from ingest.store.book import Change

SORTS = ("money", "efficiency", "o2", "name")


@dataclass(frozen=True, slots=True)
class BoilerTrend:
    """What a boiler's visits come to; numbers are None where the book has too little for them.

    Attributes
    ----------
    o2_drift : mapping of firing rate to float
        O2 [percentage points per year].
    efficiency_drift : float or None
        Net efficiency, mean over the rates [percentage points per year].
    lost : float or None
        Net efficiency now below the best of its visits, mean over the rates [points].
    wasted : float or None
        Gross heat that this costs, for each hour of firing [kWh/h].
    """

    visits: int
    last: date | None
    o2_drift: Mapping[float, float]
    efficiency_drift: float | None
    lost: float | None
    wasted: float | None

    @property
    def worst_o2(self) -> float | None:
        """Return the largest drift of O2 at any rate, either way."""
        return max((abs(d) for d in self.o2_drift.values()), default=None)


@dataclass(frozen=True, slots=True)
class FleetBoiler:
    """One boiler of the fleet, with its site's name."""

    id: UUID
    name: str
    site: str
    trend: BoilerTrend


_ORDER = {
    "money": "COALESCE(t.wasted * :worth, t.lost, 0) DESC",
    "efficiency": "COALESCE(t.efficiency_drift, 0)",
    "o2": "COALESCE(t.worst_o2, 0) DESC",
    "name": "COALESCE(s.name, '')",
}


def _within(parts: list[str], given: dict[str, Any]) -> str:
    held = reach.where_site("b.site_id")
    if held is not None:
        parts = [*parts, held[0]]
        given |= held[1]
    return f"WHERE {' AND '.join(parts)} " if parts else ""


_MISSING = "(t.program IS NULL OR t.program <> :program)"


def missing(sql: sqlite3.Connection, program: str, most: int) -> list[UUID]:
    """Return boilers within reach whose row is not there, or of another program version."""
    given: dict[str, Any] = {"program": program, "most": most}
    rows = sql.execute(
        "SELECT b.id FROM boiler b LEFT JOIN boiler_trend t ON t.boiler_id = b.id "
        f"{_within([_MISSING], given)}ORDER BY b.id LIMIT :most",
        given,
    )
    return [UUID(row[0]) for row in rows]


def count_missing(sql: sqlite3.Connection, program: str) -> int:
    """Return how many boilers within reach have no row of this program version."""
    given: dict[str, Any] = {"program": program}
    row = sql.execute(
        "SELECT COUNT(*) FROM boiler b LEFT JOIN boiler_trend t ON t.boiler_id = b.id "
        f"{_within([_MISSING], given)}",
        given,
    ).fetchone()
    return int(row[0])


def keep(change: Change, boiler_id: UUID, program: str, trend: BoilerTrend) -> None:
    """Keep a boiler's row in place of the one before."""
    change.sql.execute(
        "INSERT OR REPLACE INTO boiler_trend (boiler_id, program, visits, last, o2_drift, "
        "worst_o2, efficiency_drift, lost, wasted) VALUES (:id, :program, :visits, :last, "
        ":o2, :worst_o2, :efficiency, :lost, :wasted)",
        {
            "id": str(boiler_id),
            "program": program,
            "visits": trend.visits,
            "last": None if trend.last is None else trend.last.isoformat(),
            "o2": canonical_json([[rate, drift] for rate, drift in trend.o2_drift.items()]),
            "worst_o2": trend.worst_o2,
            "efficiency": trend.efficiency_drift,
            "lost": trend.lost,
            "wasted": trend.wasted,
        },
    )


def rows(
    sql: sqlite3.Connection,
    program: str,
    sort: str,
    worth: float | None,
    *,
    skip: int,
    most: int,
) -> list[FleetBoiler]:
    """Return boilers of the fleet that this program version has summed up, the worst first.

    ``worth`` is the price of a kWh times the hours of a year, by which money is sorted; boilers
    without it, and all of them where it is None, stand by the points they lost.
    """
    given: dict[str, Any] = {"program": program, "worth": worth, "skip": skip, "most": most}
    where = _within(["t.program = :program"], given)
    found = sql.execute(
        "SELECT b.id, b.name, COALESCE(s.name, ''), t.visits, t.last, t.o2_drift, "
        "t.efficiency_drift, t.lost, t.wasted FROM boiler b "
        "JOIN boiler_trend t ON t.boiler_id = b.id LEFT JOIN site s ON s.id = b.site_id "
        f"{where}ORDER BY {_ORDER[sort]}, b.name, b.id LIMIT :most OFFSET :skip",
        given,
    )
    return [
        FleetBoiler(
            UUID(r[0]),
            r[1],
            r[2],
            BoilerTrend(
                r[3],
                None if r[4] is None else date.fromisoformat(r[4]),
                {float(rate): float(drift) for rate, drift in json.loads(r[5])},
                *r[6:],
            ),
        )
        for r in found
    ]
