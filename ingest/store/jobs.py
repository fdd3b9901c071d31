"""Jobs: what the visits of one plant and day share, and what a finished visit was judged with."""

from __future__ import annotations

import hashlib
import sqlite3
from uuid import UUID

from ingest.service.job import Job
from ingest.store import places, reach
from ingest.store.book import Change
from ingest.store.errors import NotFound, VersionConflict
from ingest.store.held import document_of

_ON = "COALESCE(started, '') DESC, id DESC"


def job(sql: sqlite3.Connection, job_id: UUID | str | None) -> tuple[Job, int]:
    """Return a job and its version; one that a visit has only named yet says nothing.

    Raises
    ------
    NotFound
        If it is not in the book, or out of reach.
    """
    row = sql.execute(
        "SELECT id, document, version FROM job WHERE id = :id", {"id": str(job_id)}
    ).fetchone()
    if row is None or not _reached(sql, row[0]):
        raise NotFound("job", job_id)
    return _job(row[0], row[1]), int(row[2])


def _job(identity: str, text: str) -> Job:
    found: Job = document_of(Job, text)
    return found.model_copy(update={"id": UUID(identity)})


def _reached(sql: sqlite3.Connection, job_id: str) -> bool:
    """Return whether a job is within reach: by its site, else by every one of its visits."""
    if reach.unbounded():
        return True
    site = sql.execute("SELECT site_id FROM job WHERE id = :id", {"id": job_id}).fetchone()
    if site is not None and site[0] is not None and not reach.reaches_site(site[0]):
        return False
    rows = sql.execute("SELECT id FROM visit WHERE job_id = :id", {"id": job_id}).fetchall()
    known = site is not None and site[0] is not None
    return (known or bool(rows)) and all(reach.reaches_visit(sql, row[0]) for row in rows)


def put_job(change: Change, given: Job, owner: str, expected: int | None) -> int:
    """Write a job; return its version. The same document again changes nothing.

    Raises
    ------
    NotFound
        If its site is not in the book or out of reach.
    StateConflict
        If its external id names another job.
    VersionConflict
        If it was changed since the version that the change was decided on.
    """
    found = change.sql.execute(
        "SELECT version, document FROM job WHERE id = :id", {"id": str(given.id)}
    ).fetchone()
    if found is not None and not _reached(change.sql, str(given.id)):
        raise NotFound("job", given.id)
    if given.site_id is None:
        if not reach.unbounded() and found is None:
            raise NotFound("site", None)
    elif not reach.reaches_site(given.site_id) or not places.has(change.sql, "site", given.site_id):
        raise NotFound("site", given.site_id)
    if expected is not None and expected != (found[0] if found else 0):
        raise VersionConflict("job", given.id, expected, found[0] if found else 0)
    text = given.model_dump_json(exclude_none=True)
    if found is not None and found[1] == text:
        return int(found[0])
    places.refuse_taken(change.sql, "job", given.id, given.external_id, owner)
    version = (found[0] if found else 0) + 1
    change.sql.execute(
        "INSERT INTO job (id, owner, external_id, site_id, started, document, version) VALUES "
        "(:id, :owner, :external_id, :site, :on, :document, :version) ON CONFLICT (id) DO UPDATE "
        "SET external_id = excluded.external_id, site_id = excluded.site_id, "
        "started = excluded.started, document = excluded.document, version = excluded.version",
        {
            "id": str(given.id),
            "owner": owner,
            "external_id": given.external_id,
            "site": None if given.site_id is None else str(given.site_id),
            "on": None if given.on is None else given.on.isoformat(),
            "document": text,
            "version": version,
        },
    )
    change.record(
        f"job_{'changed' if found else 'added'}",
        f"job:{given.id}",
        {"document": given.model_dump(mode="json", exclude_none=True)},
    )
    return version


def ensure_job(change: Change, job_id: UUID) -> None:
    """Make the job that a visit names, where it is not there yet; refuse one out of reach."""
    if places.has(change.sql, "job", job_id):
        if not _reached(change.sql, str(job_id)):
            raise NotFound("job", job_id)
        return
    change.sql.execute(
        "INSERT INTO job (id, document) VALUES (:id, '{}')",
        {"id": str(job_id)},
    )


def jobs(sql: sqlite3.Connection, site_id: UUID | None = None) -> list[Job]:
    """Return all jobs, newest day first, of one site where given."""
    where = "" if site_id is None else "WHERE site_id = :site "
    given = {} if site_id is None else {"site": str(site_id)}
    rows = sql.execute(f"SELECT id, document FROM job {where}ORDER BY {_ON}", given).fetchall()
    return [_job(row[0], row[1]) for row in rows if _reached(sql, row[0])]


def visits_of(sql: sqlite3.Connection, job_id: UUID | str) -> list[UUID]:
    """Return the ids of a job's visits, earliest first."""
    rows = sql.execute(
        "SELECT id FROM visit WHERE job_id = :id ORDER BY COALESCE(started, ''), id",
        {"id": str(job_id)},
    )
    return [UUID(row[0]) for row in rows]


def shared_with(sql: sqlite3.Connection, visit_id: UUID | str) -> Job | None:
    """Return what a visit shares: its job today while it is open, else as it was at hand-in."""
    row = sql.execute(
        "SELECT visit.job_id, CASE WHEN visit.state IN ('open', 'sent_back') "
        "THEN job.document ELSE visit.job_document END "
        "FROM visit JOIN job ON job.id = visit.job_id WHERE visit.id = :id",
        {"id": str(visit_id)},
    ).fetchone()
    return None if row is None or row[1] is None else _job(row[0], row[1])


def freeze(change: Change, visit_id: UUID | str) -> dict[str, str]:
    """Keep beside a visit what its job says now; return the job and its SHA-256 for the trail."""
    change.sql.execute(
        "UPDATE visit SET job_document = (SELECT document FROM job WHERE job.id = visit.job_id) "
        "WHERE id = :id",
        {"id": str(visit_id)},
    )
    row = change.sql.execute(
        "SELECT job_id, job_document FROM visit WHERE id = :id", {"id": str(visit_id)}
    ).fetchone()
    if row is None or row[1] is None:
        return {}
    return {"job": row[0], "job_sha256": hashlib.sha256(row[1].encode()).hexdigest()}
