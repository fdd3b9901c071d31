"""A report of a visit on disk: a folder with visit.json, boiler.json, reading files and pictures.

No book, so no audit chain: nothing is signed, and the report says so. Its time is the visit's own.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from pathlib import Path

from api.report.given import Evidence, Photo, ReportInput
from ingest.folder import Stated, case_at, reading_files
from ingest.intake import PROGRAM_VERSION
from ingest.limits import resolve_limits
from ingest.service.findings import open_findings
from ingest.service.plans import Plan
from ingest.validator import judge

_PICTURES = {".png", ".jpg", ".jpeg"}


class NoTime(ValueError):
    """The visit states no time, and a report never takes the clock's."""


def folder_input(
    path: Path, plans: Mapping[str, Plan], *, stated: Stated = Stated(), company: str = ""
) -> ReportInput:
    """Return what the report of a visit's folder says.

    Parameters
    ----------
    path : Path
        A visit folder, as ``fluebook judge`` takes it.
    plans : mapping of plan key to Plan
        The office's plans.
    stated : Stated
        Rates and phase of readings that do not say them.
    company : str
        Name at its head.

    Raises
    ------
    DocumentError, ReadError
        If a document or a reading file cannot be used.
    NoTime
        If visit.json has neither ``started`` nor ``ended``.
    """
    case = case_at(path, stated=stated, plans=lambda: plans)
    visit = case.visit
    made = visit.ended or visit.started
    if made is None:
        raise NoTime(f"{path.name}/visit.json: a report needs when the visit started or ended")
    limits = resolve_limits(case.boiler, model=case.model_limits, company=case.company_limits)
    judgement = judge(case, limits=limits)
    records = [e.visit.service for e in case.history if e.visit.service is not None]
    return ReportInput(
        report_id=str(visit.id or visit.external_id or path.name),
        made=made,
        boiler=case.boiler,
        visit=visit,
        points=case.points,
        judgement=judgement,
        limits=limits.snapshot,
        company=company or None,
        plan=case.plan,
        open_findings=open_findings(records),
        history=case.history,
        evidence=[
            Evidence(f.name, hashlib.sha256(f.read_bytes()).hexdigest(), f.stat().st_size)
            for f in reading_files(path)
        ],
        photos=[
            Photo(f.name, hashlib.sha256(f.read_bytes()).hexdigest(), f.read_bytes(), f.stem)
            for f in sorted(path.iterdir())
            if f.suffix.casefold() in _PICTURES
        ],
        program_version=PROGRAM_VERSION,
    )
