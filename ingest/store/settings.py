"""What the company states once for all its boilers, and when limits were last changed."""

from __future__ import annotations

import json
import sqlite3
from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

from ingest.models import Limits, LimitsDocument
from ingest.store.book import Change
from ingest.store.errors import VersionConflict
from ingest.store.held import document_of

_COMPANY_LIMITS = "company_limits"
_LAST_CHANGE = "company_limits_changed"


@dataclass(frozen=True, slots=True)
class LimitsChange:
    """When, by whom and why limits were last changed."""

    at: datetime
    by: str
    why: str


def _value(sql: sqlite3.Connection, key: str) -> str | None:
    row = sql.execute("SELECT value FROM setting WHERE key = :key", {"key": key}).fetchone()
    return None if row is None else str(row[0])


def _put(change: Change, key: str, value: str) -> None:
    change.sql.execute(
        "INSERT INTO setting (key, value) VALUES (:key, :value) "
        "ON CONFLICT (key) DO UPDATE SET value = excluded.value",
        {"key": key, "value": value},
    )


def company_limits(sql: sqlite3.Connection) -> Limits | None:
    """Return the limits that the company states, None where it states none."""
    text = _value(sql, _COMPANY_LIMITS)
    return None if text is None else document_of(LimitsDocument, text)


def company_limits_changed(sql: sqlite3.Connection) -> tuple[int, LimitsChange | None]:
    """Return the version of the company's limits and their last change; 0 before the first.

    Limits that were written before changes were counted are of version 0, too.
    """
    text = _value(sql, _LAST_CHANGE)
    if text is None:
        return 0, None
    told = json.loads(text)
    at = datetime.fromisoformat(told["at"])
    return int(told["version"]), LimitsChange(at, told["by"], told["why"])


def boiler_limits_changed(sql: sqlite3.Connection, boiler_id: UUID) -> LimitsChange | None:
    """Return the last change of a boiler's own limits that gave a reason, by the trail."""
    row = sql.execute(
        "SELECT at, who, details FROM audit WHERE subject = :subject "
        "AND action = 'limits_changed' ORDER BY seq DESC LIMIT 1",
        {"subject": f"boiler:{boiler_id}"},
    ).fetchone()
    if row is None:
        return None
    return LimitsChange(datetime.fromisoformat(row[0]), row[1], json.loads(row[2]).get("why", ""))


def put_company_limits(
    change: Change, limits: LimitsDocument, why: str, expected: int | None = None
) -> int:
    """Write the company's limits; later judgements are made by them, frozen ones stay.

    Returns
    -------
    int
        Their version now.

    Raises
    ------
    VersionConflict
        If they are at another version than expected.
    """
    version, _ = company_limits_changed(change.sql)
    if expected is not None and expected != version:
        raise VersionConflict("limits", "of the company", expected, version)
    before = company_limits(change.sql)
    _put(change, _COMPANY_LIMITS, limits.model_dump_json(exclude_unset=True))
    told = {"version": version + 1, "at": change.at, "by": change.who, "why": why}
    _put(change, _LAST_CHANGE, json.dumps(told, ensure_ascii=False))
    change.record(
        "company_limits_changed",
        "company",
        {
            "why": why,
            "before": None if before is None else before.model_dump(mode="json", exclude_none=True),
            "after": limits.model_dump(mode="json", exclude_none=True),
        },
    )
    return version + 1
