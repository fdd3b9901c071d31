"""What the company states once for all its boilers."""

from __future__ import annotations

import sqlite3

from ingest.models import Limits, LimitsDocument
from ingest.store.book import Change
from ingest.store.held import document_of

_COMPANY_LIMITS = "company_limits"


def company_limits(sql: sqlite3.Connection) -> Limits | None:
    """Return the limits that the company states, None where it states none."""
    row = sql.execute(
        "SELECT value FROM setting WHERE key = :key", {"key": _COMPANY_LIMITS}
    ).fetchone()
    return None if row is None else document_of(LimitsDocument, row[0])


def put_company_limits(change: Change, limits: LimitsDocument) -> None:
    """Write the company's limits; later judgements are made by them, frozen ones stay."""
    change.sql.execute(
        "INSERT INTO setting (key, value) VALUES (:key, :value) "
        "ON CONFLICT (key) DO UPDATE SET value = excluded.value",
        {"key": _COMPANY_LIMITS, "value": limits.model_dump_json(exclude_unset=True)},
    )
    change.record(
        "company_limits_changed",
        "company",
        {"limits": limits.model_dump(mode="json", exclude_unset=True)},
    )
