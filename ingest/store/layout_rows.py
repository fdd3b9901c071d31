"""Firing points with their visit and boiler, visit by visit, for tables in a saved layout."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator

from ingest.store.listings import POINT_ROWS, Row
from ingest.store.lists import NO_TIME, Wanted, where_wanted

_COLUMNS = {
    "visit_id": "v.id",
    "visit": "v.document",
    "site": "s.name",
    "boiler": "b.name",
    "boiler_external_id": "b.external_id",
    "burner": "p.burner",
    "fuel": "p.fuel",
    "phase": "p.phase",
    "firing_rate": "p.firing_rate",
    "document": "p.document",
}


def point_rows(sql: sqlite3.Connection, wanted: Wanted) -> Iterator[Row]:
    """Yield firing points one by one: oldest visit first, in the order they were taken."""
    parts, given = where_wanted(wanted)
    rows = sql.execute(
        f"SELECT {', '.join(_COLUMNS.values())} {POINT_ROWS.source} WHERE {' AND '.join(parts)} "
        f"ORDER BY COALESCE(v.started, '{NO_TIME}'), v.id, p.seq",
        given,
    )
    held: tuple[str, dict[str, object]] = ("", {})
    for row in rows:
        made = POINT_ROWS.made(dict(zip(_COLUMNS, row, strict=True)))
        if held[0] != made["visit_id"]:
            held = (made["visit_id"], json.loads(made["visit"]))
        made["visit"] = held[1]
        yield made
