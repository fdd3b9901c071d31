"""By what a whole visit is known: everything that an answer about it is made of, as one key.

Two equal keys stand for the same answer, so that one made before may be given again. Documents that
can change stand in the key with their text or their version, things that are never changed (a
judgement, a file, points under their mark) with their ids.
"""

from __future__ import annotations

import sqlite3
from typing import Any
from uuid import UUID

from ingest.store import reach
from ingest.store.errors import NotFound

Key = tuple[Any, ...]

_KEY = (
    "SELECT v.id, v.version, v.points_stamp, v.document, v.state, v.imported, v.handed_in_at, "
    "CASE WHEN v.state IN ('open', 'sent_back') THEN "
    "(SELECT document FROM job WHERE job.id = v.job_id) ELSE v.job_document END, v.job_id, "
    "b.id, b.version, b.document, s.id, s.version, s.document, "
    "(SELECT id FROM judgement j WHERE j.visit_id = v.id AND j.kind <> 'again' "
    "ORDER BY id DESC LIMIT 1), "
    "(SELECT group_concat(a.id || COALESCE(a.withdrawn_at, '')) FROM attachment a "
    "WHERE a.visit_id = v.id) "
    "FROM visit v LEFT JOIN boiler b ON b.id = v.boiler_id LEFT JOIN site s ON s.id = b.site_id "
    "WHERE v.id = :id"
)
_MARK = 2
VERSION = 1
"""Where in a key the visit's version stands."""


def visit_key(sql: sqlite3.Connection, visit_id: UUID) -> tuple[Key, bool]:
    """Return a visit's key, and whether answers may be kept under it.

    They may not where the visit's points carry no mark: it was written by an older program.

    Raises
    ------
    NotFound
        If it is not in the book, or not within reach.
    """
    row = sql.execute(_KEY, {"id": str(visit_id)}).fetchone()
    if row is None or not reach.reaches_visit(sql, row[0]):
        raise NotFound("visit", visit_id)
    return row, row[_MARK] is not None
