"""What the lists show: columns, sorts and rows of visits, boilers, sites, readings and points.

The exports write the same rows as the lists answer.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from ingest.models import SEVERITIES
from ingest.store import reach
from ingest.store.lists import START, VISITS, Wanted, where_wanted
from ingest.store.pages import Sort, page, sort_of

Row = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Listing:
    """One kind of row.

    Attributes
    ----------
    columns : Mapping of str to str
        Field -> its expression.
    """

    name: str
    source: str
    columns: Mapping[str, str]
    sorts: Mapping[str, tuple[str, ...]]
    made: Callable[[Row], Row]

    def sort(self, asked: str | None) -> Sort:
        """Return a sort of this list, its first one where none is asked for."""
        return sort_of(asked or next(iter(self.sorts)), self.sorts)


def _visit(row: Row) -> Row:
    rank = row["severity"]
    row["severity"] = SEVERITIES[rank] if rank < len(SEVERITIES) else None
    row["imported"] = bool(row["imported"])
    row["document"] = json.loads(row["document"])
    return row


def _reading(row: Row) -> Row:
    document = json.loads(row.pop("document"))
    row["values"] = document["values"]
    row["missing"] = document.get("missing", {})
    row["bounds"] = _bounds(document)
    row["note"] = document.get("note")
    return row


def _bounds(document: Mapping[str, Any]) -> dict[str, Any]:
    found = document.get("bounds", {})
    return {key: {"above": above, "below": below} for key, (above, below) in found.items()}


def _point(row: Row) -> Row:
    document = json.loads(row.pop("document"))
    row["count"] = document["count"]
    row["started"], row["ended"] = document["started"], document["ended"]
    row["values"] = {
        key: {"mean": s[0], "spread": s[1], "count": s[2]} for key, s in document["values"].items()
    }
    row["missing"] = document["missing"]
    row["bounds"] = _bounds(document)
    return row


def _document(row: Row) -> Row:
    return {**json.loads(row["document"]), "version": row["version"], "changed_at": row["changed"]}


_OF_VISIT = {
    "visit_id": "v.id",
    "visit_external_id": "v.external_id",
    "visit_started": "v.started",
    "boiler_id": "v.boiler_id",
    "boiler": "b.name",
    "site_id": "b.site_id",
    "site": "s.name",
}

VISIT_ROWS = Listing(
    "visits",
    VISITS + "LEFT JOIN flag f ON f.visit_id = v.id AND f.position = 0",
    {
        "id": "v.id",
        "external_id": "v.external_id",
        "boiler_id": "v.boiler_id",
        "boiler_external_id": "v.boiler_external_id",
        "boiler": "b.name",
        "site_id": "b.site_id",
        "site": "s.name",
        "state": "v.state",
        "imported": "v.imported",
        "started": "v.started",
        "technician": "v.technician",
        "severity": "v.severity_rank",
        "rule": "f.rule",
        "message": "f.message",
        "handed_in_at": "v.handed_in_at",
        "changed_at": "v.changed_at",
        "version": "v.version",
        "document": "v.document",
    },
    {
        "started": (START, "v.id"),
        "changed_at": ("v.changed_at", "v.id"),
        "severity": ("v.severity_rank", START, "v.id"),
        "id": ("v.id",),
    },
    _visit,
)
READING_ROWS = Listing(
    "readings",
    VISITS.replace("FROM visit v", "FROM reading r JOIN visit v ON v.id = r.visit_id"),
    {
        "id": "r.id",
        **_OF_VISIT,
        "seq": "r.seq",
        "phase": "r.phase",
        "burner": "r.burner",
        "fuel": "r.fuel",
        "firing_rate": "r.firing_rate",
        "time": "r.taken",
        "attachment_id": "r.attachment_id",
        "superseded_by": "r.superseded_by",
        "superseded_at": "r.superseded_at",
        "superseded_who": "r.superseded_who",
        "superseded_why": "r.superseded_why",
        "document": "r.document",
    },
    {"visit_id": ("r.visit_id", "r.seq")},
    _reading,
)
POINT_ROWS = Listing(
    "points",
    VISITS.replace("FROM visit v", "FROM point p JOIN visit v ON v.id = p.visit_id"),
    {
        **_OF_VISIT,
        "burner": "p.burner",
        "fuel": "p.fuel",
        "phase": "p.phase",
        "firing_rate": "p.firing_rate",
        "pass": "p.pass",
        "document": "p.document",
    },
    {
        "visit_id": (
            "p.visit_id",
            "p.burner",
            "p.fuel",
            "p.phase",
            "p.firing_rate",
            "p.pass",
        )
    },
    _point,
)
BOILER_ROWS = Listing(
    "boilers",
    "FROM boiler b",
    {"document": "b.document", "version": "b.version", "changed": "b.changed_at"},
    {"name": ("b.name", "b.id"), "changed_at": ("b.changed_at", "b.id"), "id": ("b.id",)},
    _document,
)
SITE_ROWS = Listing(
    "sites",
    "FROM site s",
    {"document": "s.document", "version": "s.version", "changed": "s.changed_at"},
    {"name": ("s.name", "s.id"), "changed_at": ("s.changed_at", "s.id"), "id": ("s.id",)},
    _document,
)


def _rows(listing: Listing, rows: Sequence[tuple[Any, ...]]) -> Iterator[Row]:
    for row in rows:
        yield listing.made(dict(zip(listing.columns, row, strict=True)))


def visit_page(
    sql: sqlite3.Connection,
    listing: Listing,
    wanted: Wanted,
    *,
    superseded: bool = True,
    sort: str | None = None,
    after: str | None = None,
    most: int | None = None,
) -> tuple[list[Row], str | None]:
    """Return one page of visits, readings or points, and the cursor behind it.

    Raises
    ------
    ValueError
        If there is no such sort, or ``after`` is no cursor of this list.
    """
    parts, given = where_wanted(wanted)
    if listing is READING_ROWS and not superseded:
        parts.append("r.superseded_at IS NULL")
    rows, following = page(
        sql,
        list(listing.columns.values()),
        listing.source,
        parts,
        given,
        listing.sort(sort),
        after=after,
        most=most,
    )
    return list(_rows(listing, rows)), following


def every_row(
    sql: sqlite3.Connection, listing: Listing, wanted: Wanted, *, superseded: bool = True
) -> Iterator[Row]:
    """Yield all visits, readings or points one by one, never all of them at once."""
    parts, given = where_wanted(wanted)
    if listing is READING_ROWS and not superseded:
        parts.append("r.superseded_at IS NULL")
    rows = sql.execute(
        f"SELECT {', '.join(listing.columns.values())} {listing.source} "
        f"WHERE {' AND '.join(parts)} ORDER BY {', '.join(listing.sort(None).columns)}",
        given,
    )
    for row in rows:
        yield listing.made(dict(zip(listing.columns, row, strict=True)))


def place_page(
    sql: sqlite3.Connection,
    listing: Listing,
    *,
    site_id: str | None = None,
    changed_since: str | None = None,
    sort: str | None = None,
    after: str | None = None,
    most: int | None = None,
) -> tuple[list[Row], str | None]:
    """Return one page of boilers or sites as documents, and the cursor behind it."""
    table = "b" if listing is BOILER_ROWS else "s"
    site = "b.site_id" if listing is BOILER_ROWS else "s.id"
    parts, given = [f"{table}.id IS NOT NULL"], dict[str, Any]()
    if site_id is not None:
        parts.append(f"{site} = :site_id")
        given["site_id"] = site_id
    if changed_since is not None:
        parts.append(f"{table}.changed_at >= :changed_since")
        given["changed_since"] = changed_since
    held = reach.where_site(site)
    if held is not None:
        parts.append(held[0])
        given.update(held[1])
    rows, following = page(
        sql,
        list(listing.columns.values()),
        listing.source,
        parts,
        given,
        listing.sort(sort),
        after=after,
        most=most,
    )
    return list(_rows(listing, rows)), following
