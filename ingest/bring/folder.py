"""A filled visit folder into a book: boiler, job, plan, visit, readings, pictures, in this order.

Each step repeated changes nothing, so a folder that was brought in halfway is brought in again. All
of it is read and judged before the first step: a folder that cannot be used changes nothing.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from uuid import UUID

from ingest.folder import PLAN, Stated, case_at, job_at, phase_in_name, reading_files
from ingest.intake import Intake, Statement
from ingest.judgement import Case
from ingest.models import Boiler, Visit
from ingest.service.plans import Plan
from parsers import NotAnAnalyzerFile, ReadOptions, read

PICTURES = frozenset({".png", ".jpg", ".jpeg", ".webp"})


@dataclass(frozen=True, slots=True)
class FolderBrought:
    """What came of a folder."""

    visit_id: UUID
    files: int
    pictures: int
    left_out: tuple[str, ...]


def pictures(folder: Path) -> list[Path]:
    """Return the pictures of a visit folder, sorted by name."""
    return sorted(p for p in folder.iterdir() if p.suffix.casefold() in PICTURES and p.is_file())


def bring_folder(
    intake: Intake,
    folder: Path,
    who: str,
    plans: Mapping[str, Plan],
    *,
    stated: Stated = Stated(),
) -> FolderBrought:
    """Bring a visit's folder into a book; the same folder again changes nothing.

    A boiler that the book knows stays as the book has it; ``boiler.json`` is for one that it does
    not know. A picture's caption is its name without the ending.

    Raises
    ------
    DocumentError, ReadError
        If a document or a reading file cannot be used.
    StateConflict
        If the visit is handed in, or holds a file under another statement.
    """
    case = case_at(folder, stated=stated, plans=lambda: plans, shared=False)
    visit = _in_its_job(intake, folder, _at_its_boiler(intake, case, who), who)
    # A visit without an id of its own is known again by its external id, the folder's name.
    if visit.id is None and visit.external_id is not None:
        known = intake.by_external_id("visit", visit.external_id)
        visit = visit.model_copy(update={"id": known})
    if case.plan is not None:
        if (folder / PLAN).is_file() and visit.service is not None:
            named = {"plan": case.plan.key, "plan_version": case.plan.version}
            visit = visit.model_copy(update={"service": visit.service.model_copy(update=named)})
        intake.put_plan(case.plan, who)
    identity = intake.put_visit(visit, who).document.id
    assert identity is not None
    left_out, taken = [], 0
    files = reading_files(folder)
    rates = stated.rates or tuple(visit.rates)
    for file in files:
        data = file.read_bytes()
        try:
            read(data, file.name, options=ReadOptions(maps=intake.maps()))
        except NotAnAnalyzerFile:
            left_out.append(file.name)  # what a lone file would be is an error of ``case_at``
            continue
        phase = stated.phase or phase_in_name(file) or visit.phase or "as_left"
        statement = Statement(rates, phase, stated.fuel, None, tuple(stated.line_ranges))
        intake.add_file(identity, data, file.name, who, statement=statement)
        taken += 1
    for picture in pictures(folder):
        intake.add_photo(identity, picture.read_bytes(), picture.name, who, caption=picture.stem)
    return FolderBrought(identity, taken, len(pictures(folder)), tuple(left_out))


def _at_its_boiler(intake: Intake, case: Case, who: str) -> Visit:
    """Return the visit with its boiler's id; a boiler that the book lacks is put into it."""
    visit = case.visit
    if visit.boiler_id is not None and _known(intake, visit.boiler_id):
        return visit
    named = visit.boiler_external_id or case.boiler.external_id
    there = None if named is None else intake.by_external_id("boiler", named)
    if there is None and case.boiler.id is not None and _known(intake, case.boiler.id):
        there = case.boiler.id
    if there is None:
        boiler: Boiler = case.boiler
        if visit.boiler_id is not None and boiler.id is None:
            boiler = boiler.model_copy(update={"id": visit.boiler_id})
        there = intake.put_boiler(boiler, who).document.id
    return visit.model_copy(update={"boiler_id": there})


def _in_its_job(intake: Intake, folder: Path, visit: Visit, who: str) -> Visit:
    """Return the visit with the id of the job that lies beside it, which is kept once for all."""
    job = job_at(folder)
    if job is None:
        return visit
    name = job.external_id or f"{folder.resolve().parent.name} {job.on or 'job'}"
    known = job.id or intake.by_external_id("job", name)
    site = job.site_id
    if site is None and visit.boiler_id is not None:
        site = intake.boiler(visit.boiler_id).document.site_id
    named = job.model_copy(update={"id": known, "external_id": name, "site_id": site})
    return visit.model_copy(update={"job_id": intake.put_job(named, who).document.id})


def _known(intake: Intake, boiler_id: UUID) -> bool:
    return any(b.id == boiler_id for b in intake.boilers())
