"""A book of many visits: ``python -m tests.big_book [VISITS]``.

The demo's visits are read and judged as any others; then their rows are written again and again
with other ids and years (four apart, so that a 29 February stays a day): 100,000 visits of which 47
were really judged. Every fourth copy belongs to boilers of its own, every sixteenth to sites of its
own. Files are shared, the trail is written line by line, and the book verifies, but for the stops
of the copies: they are not on the list of those that nobody has taken.
"""

from __future__ import annotations

import hashlib
import json
import re
import sqlite3
import sys
from pathlib import Path
from typing import Any

from api.demo import fill
from ingest.intake import Intake
from ingest.store import Book, audit
from ingest.store.visits import points_mark

VISITS = 100_000
FOLDER = Path(__file__).parent.parent / "build" / "big-books"
_UUID = r"[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}"
_TOKEN = re.compile(rf"({_UUID}|(?<![0-9a-f])20\d\d(?=-\d\d-\d\d))")
_OF_SITES, _OF_BOILERS = ("site",), ("boiler",)
_OF_VISITS = (
    "visit", "attachment", "reading", "point", "judgement", "flag", "cut", "cut_correction",
    "cut_confirmation",
)  # fmt: skip
# A copy's ids are this many milliseconds before those of the last one: more than filling takes.
_APART_MS = 10_000_000


def _moved(identity: str, copy: int) -> str:
    """Return an id of another copy; order within a copy stays."""
    digits = identity.replace("-", "")
    moved = f"{(int(digits[:12], 16) - copy * _APART_MS) % 2**48:012x}"
    return f"{moved[:8]}-{moved[8:]}{identity[13:]}"


class _Template:
    """Rows of some tables as text that is cut at each id and year."""

    def __init__(self, sql: sqlite3.Connection, tables: tuple[str, ...], lines: str) -> None:
        self.columns: dict[str, list[str]] = {}
        rows: dict[str, Any] = {}
        for table in tables:
            found = sql.execute(f"SELECT * FROM {table}")
            self.columns[table] = [c[0] for c in found.description]
            rows[table] = found.fetchall()
        told = sql.execute(
            f"SELECT action, subject, details, at, who FROM audit WHERE {lines} ORDER BY seq"
        )
        rows["audit"] = [(a, s, json.loads(d), *signed) for a, s, d, *signed in told]
        self.parts = _TOKEN.split(json.dumps(rows))

    def copy(self, ids: dict[str, int], copy: int, years: int) -> dict[str, list[list[Any]]]:
        """Return the rows of a copy; an id among ``ids`` is that of the copy named there."""
        parts = list(self.parts)
        for at in range(1, len(parts), 2):
            word = parts[at]
            parts[at] = (
                str(int(word) - years) if len(word) == 4 else _moved(word, ids.get(word, copy))
            )
        made: dict[str, list[list[Any]]] = json.loads("".join(parts))
        for table, columns in self.columns.items():
            if "external_id" in columns:
                place, whole = columns.index("external_id"), columns.index("document")
                for row in (r for r in made[table] if r[place] is not None):
                    row[place] = f"{row[place]}-{copy}"
                    document = {**json.loads(row[whole]), "external_id": row[place]}
                    row[whole] = json.dumps(document)
            if "points_stamp" in columns:  # other points, though they are alike
                place = columns.index("points_stamp")
                for row in (r for r in made[table] if r[place] is not None):
                    row[place] = points_mark()
        for line in made["audit"]:
            document = line[2].get("document")
            if isinstance(document, dict) and document.get("external_id") is not None:
                document["external_id"] += f"-{copy}"
        return made


def _write(sql: sqlite3.Connection, template: _Template, rows: dict[str, list[list[Any]]]) -> None:
    for table, columns in template.columns.items():
        marks = ", ".join("?" * len(columns))
        sql.executemany(f"INSERT INTO {table} VALUES ({marks})", rows[table])
    frozen: dict[str, str] = {}
    if "judgement" in template.columns:
        names = template.columns["judgement"]
        identity, document = names.index("id"), names.index("document")
        frozen = {r[identity]: r[document] for r in rows["judgement"]}
    tail = audit.Tail()
    for action, subject, details, at, who in rows["audit"]:
        if details.get("judgement") in frozen:
            text = frozen[details["judgement"]]
            details["sha256"] = hashlib.sha256(text.encode()).hexdigest()
        if "readings_sha256" in details and "attachment" in details:
            taken = sql.execute(
                "SELECT id, seq, phase, burner, fuel, firing_rate, taken, document FROM reading "
                "WHERE attachment_id = ? ORDER BY seq",
                (details["attachment"],),
            )
            details["readings_sha256"] = audit.readings_digest(taken)
        audit.append(sql, tail, at=at, who=who, action=action, subject=subject, details=details)
    tail.keep(sql)


def write_big_book(path: Path, visits: int) -> None:
    """Write a book with at least this many visits to a file that is not there yet."""
    with Book(path, durable=False) as book:
        fill(Intake(book))
    sql = sqlite3.connect(path, isolation_level=None)
    sql.execute("PRAGMA synchronous = OFF")
    sites = _Template(sql, _OF_SITES, "action = 'site_added'")
    boilers = _Template(sql, _OF_BOILERS, "action = 'boiler_added'")
    kept = "action NOT IN ('site_added', 'boiler_added', 'plan_added')"
    every = _Template(sql, _OF_VISITS, kept)
    of_sites = [r[0] for r in sql.execute("SELECT id FROM site")]
    of_boilers = [r[0] for r in sql.execute("SELECT id FROM boiler")]
    each = sql.execute("SELECT COUNT(*) FROM visit").fetchone()[0]
    sql.execute("BEGIN IMMEDIATE")
    for copy in range(1, -(-visits // each)):
        site, boiler = copy - copy % 16, copy - copy % 4
        ids = dict.fromkeys(of_sites, site) | dict.fromkeys(of_boilers, boiler)
        if copy == site:
            _write(sql, sites, sites.copy(ids, copy, 0))
        if copy == boiler:
            _write(sql, boilers, boilers.copy(ids, copy, 0))
        _write(sql, every, every.copy(ids, copy, 4 * (copy % 4)))
    sql.execute("COMMIT")
    sql.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    sql.close()


def big_book(visits: int = VISITS) -> Path:
    """Return the book of this many visits, written once into a folder that git does not keep."""
    path = FOLDER / f"{visits}.db"
    if not path.exists():
        FOLDER.mkdir(parents=True, exist_ok=True)
        unfinished = path.with_suffix(".unfinished.db")
        for left in FOLDER.glob(unfinished.name + "*"):
            left.unlink()
        write_big_book(unfinished, visits)
        unfinished.rename(path)
    return path


if __name__ == "__main__":
    print(big_book(int(sys.argv[1]) if sys.argv[1:] else VISITS))
