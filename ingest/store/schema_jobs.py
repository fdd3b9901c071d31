"""Step of the tables that lets a job be known by its owner's id and be frozen with a visit."""

from __future__ import annotations

import sqlite_utils

from ingest.store.schema import each_of, migrations

_JOBS = """
ALTER TABLE job ADD COLUMN owner TEXT NOT NULL DEFAULT '';
ALTER TABLE job ADD COLUMN external_id TEXT;
CREATE UNIQUE INDEX job_by_external_id ON job (owner, external_id) WHERE external_id IS NOT NULL;
CREATE INDEX visit_by_job ON visit (job_id) WHERE job_id IS NOT NULL;
ALTER TABLE visit ADD COLUMN job_document TEXT
"""


@migrations()
def m008_jobs(db: sqlite_utils.Database) -> None:
    """Let jobs be found by their owner's id, and keep beside a finished visit what it shared."""
    each_of(db, _JOBS)
