"""A visit on disk: a folder, one reading file, or a folder of folders, as cases to judge.

``visit.json``, ``boiler.json`` and ``plan.toml`` are optional beside the reading files, except that
a lone reading file needs a boiler. ``job.toml``, in the visit's folder or beside the folders of a
plant's visits, says what they share. What had to be taken for granted is kept in ``Case.assumed``.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from ingest.documents import (
    JOB,
    DocumentError,
    DocumentProblem,
    boiler_from,
    read_job,
    read_json_file,
    visit_from,
)
from ingest.earlier import EarlierVisit
from ingest.judgement import Case
from ingest.models import Boiler, Limits, Visit
from ingest.service.job import Job, with_job
from ingest.service.models import ServiceRecord
from ingest.service.office import office_plans, plan_named
from ingest.service.plans import Plan, parse_plan
from parsers import (
    LineRange,
    NotAnAnalyzerFile,
    ReadError,
    ReadOptions,
    assign,
    firing_points,
    read,
)
from parsers.model import Phase, Reading
from parsers.points import FiringPoint

PLAN = "plan.toml"
DOCUMENTS = frozenset({"visit.json", "boiler.json", "limits.json", PLAN, JOB})
NOT_READINGS = frozenset(
    {".pdf", ".jpg", ".jpeg", ".png", ".heic", ".gif", ".webp", ".md", ".html", ".mp4", ".docx"}
)
SIDECARS = frozenset({".json", ".txt", ".log", ".xml", ".yaml", ".yml", ".toml"})
"""Files that may lie beside the readings without being any."""

_PHASE_IN_NAME: tuple[tuple[re.Pattern[str], Phase], ...] = (
    (re.compile(r"as[-_ ]?found|before", re.IGNORECASE), "as_found"),
    (re.compile(r"as[-_ ]?left|after", re.IGNORECASE), "as_left"),
    (re.compile(r"trial", re.IGNORECASE), "trial"),
)


@dataclass(frozen=True, slots=True)
class Stated:
    """What the person states on the command line about readings that do not say it."""

    rates: tuple[float, ...] = ()
    phase: Phase | None = None
    fuel: str | None = None
    line_ranges: tuple[LineRange, ...] = ()
    options: ReadOptions = field(default_factory=ReadOptions)


@dataclass(frozen=True, slots=True)
class OnDisk:
    """One visit to judge, by the name that output shows."""

    name: str
    path: Path


def reading_files(folder: Path) -> list[Path]:
    """Return the reading files of a visit folder, sorted by name."""
    return sorted(
        p
        for p in folder.iterdir()
        if p.is_file()
        and not p.name.startswith((".", "~"))
        and p.name.casefold() not in DOCUMENTS
        and p.suffix.casefold() not in NOT_READINGS
        and not p.name.casefold().startswith("readme")
    )


def is_visit(path: Path) -> bool:
    """Return whether a folder is one visit: it has a visit.json or a reading file."""
    return (path / "visit.json").is_file() or bool(reading_files(path))


def visits_at(path: Path) -> Iterator[OnDisk]:
    """Yield the visits at a path: the file or folder itself, or each visit folder in it.

    A folder with a visit.json is a visit; without one, visit folders inside decide.
    """
    if path.is_file() or (path / "visit.json").is_file():
        yield OnDisk(path.stem if path.is_file() else path.resolve().name, path)
        return
    inside = sorted(
        p
        for p in path.iterdir()
        if p.is_dir() and not p.name.startswith(".") and p.name != "history"
    )
    holding = [folder for folder in inside if is_visit(folder)]
    if not holding and reading_files(path):
        yield OnDisk(path.resolve().name, path)
        return
    for folder in holding or inside:
        yield OnDisk(folder.name, folder)


def case_at(
    path: Path,
    *,
    boiler: Path | None = None,
    history: Path | None = None,
    stated: Stated = Stated(),
    company: Limits | None = None,
    model: Limits | None = None,
    plans: Callable[[], Mapping[str, Plan]] = office_plans,
    shared: bool = True,
) -> Case:
    """Return the case of a visit folder or a single reading file.

    ``plans`` is asked for only where the visit has a service part. With ``shared`` false the visit
    stays as its own document says, for whoever keeps its job beside it.

    Raises
    ------
    DocumentError
        If visit.json, boiler.json or job.toml cannot be used, or no boiler is stated.
    ReadError
        If a reading file cannot be read or its readings cannot be put to firing points.
    PlanError, FileNotFoundError
        If plan.toml or one of the office's plans is wrong, or their folder is not there.
    """
    assumed: list[str] = []
    unit = _boiler(path, boiler)
    folder = path if path.is_dir() else None
    visit = Visit()
    if folder is not None and (folder / "visit.json").is_file():
        visit = visit_from(read_json_file(folder / "visit.json"), f"{folder.name}/visit.json")
    if visit.id is None and visit.external_id is None:
        name = path.stem if path.is_file() else path.resolve().name
        visit = visit.model_copy(update={"external_id": name})
    files = [path] if folder is None else reading_files(folder)
    if not files:
        raise DocumentError([_no_readings(path)])
    points = points_of(files, unit, visit, stated, assumed)
    earlier_at = history or (folder / "history" if folder is not None else None)
    earlier = earlier_visits(earlier_at, unit, stated, assumed) if earlier_at else []
    return Case(
        boiler=unit,
        visit=with_job(visit, job_at(path)) if shared else visit,
        points=points,
        history=earlier,
        company_limits=company,
        model_limits=model,
        plan=None if visit.service is None else _plan(folder, visit.service, unit, plans()),
        assumed=tuple(assumed),
    )


def _plan(
    folder: Path | None, record: ServiceRecord, boiler: Boiler, known: Mapping[str, Plan]
) -> Plan | None:
    """Return the folder's own plan, else the one the record names, else the boiler's only one."""
    own = None if folder is None else folder / PLAN
    if own is not None and own.is_file():
        return parse_plan(own.read_text(encoding="utf-8"), PLAN, included=known)
    if record.plan is not None:
        return plan_named(known, record.plan, record.plan_version)
    return known.get(boiler.plans[0]) if len(boiler.plans) == 1 else None


def job_at(path: Path) -> Job | None:
    """Return the job beside a visit: in its folder, else beside its folder."""
    for folder in (path, path.parent) if path.is_dir() else (path.parent,):
        if (folder / JOB).is_file():
            return read_job(folder / JOB)
    return None


def _boiler(path: Path, stated: Path | None) -> Boiler:
    own = path / "boiler.json" if path.is_dir() else path.parent / "boiler.json"
    beside = path.parent / "boiler.json"
    for candidate in (stated, own, beside):
        if candidate is not None and (candidate == stated or candidate.is_file()):
            return boiler_from(read_json_file(candidate), candidate.name)
    raise DocumentError(
        [
            DocumentProblem(
                path.name,
                "",
                "no boiler is stated for this visit",
                "boiler.json in the visit's folder, or --boiler BOILER.json",
                "State the boiler: its fuel and limits decide the judgement.",
            )
        ]
    )


def _no_readings(path: Path) -> DocumentProblem:
    return DocumentProblem(
        path.name,
        "",
        "there is no reading file in the folder",
        "at least one file of readings beside visit.json",
        "Put the analyzer's file into the folder.",
    )


def points_of(
    files: Sequence[Path], boiler: Boiler, visit: Visit, stated: Stated, assumed: list[str]
) -> list[FiringPoint]:
    """Return the firing points of a visit's reading files."""
    options = replace(stated.options, site_zone=stated.options.site_zone or boiler.zone)
    whole: list[Reading] = []
    for file in files:
        try:
            result = read(file.read_bytes(), file.name, options=options)
        except NotAnAnalyzerFile:
            if len(files) == 1 or file.suffix.casefold() not in SIDECARS:
                raise
            assumed.append(f"{file.name} holds no readings and is left out.")
            continue
        phase = stated.phase or phase_in_name(file) or visit.phase
        whole += [
            r if r.phase or phase is None else replace(r, phase=phase) for r in result.readings
        ]
    name = files[0].name if len(files) == 1 else files[0].parent.name
    rates = stated.rates or tuple(visit.rates)
    if rates and (stated.rates or any(r.firing_rate is None for r in whole)):
        whole = assign(whole, rates=rates, file=name)
    if stated.line_ranges:
        whole = assign(whole, line_ranges=stated.line_ranges, file=name)
    if any(r.phase is None for r in whole):
        assumed.append(
            "No phase is stated for some readings: they are taken as left; state --phase otherwise."
        )
    return firing_points(
        whole,
        fuel=stated.fuel or visit.fuel or boiler.fuel,
        burner=boiler.burners[0],
        phase="as_left",
        file=name,
    )


def phase_in_name(file: Path) -> Phase | None:
    """Return the phase that a file's name says, None where it says none or two."""
    found = {phase for pattern, phase in _PHASE_IN_NAME if pattern.search(file.stem)}
    return found.pop() if len(found) == 1 else None


def earlier_visits(
    at: Path, boiler: Boiler, stated: Stated, assumed: list[str]
) -> list[EarlierVisit]:
    """Return the earlier visits below a history folder, oldest first.

    One that cannot be read is left out and said: it must not stop the judging of this visit.
    """
    if not at.is_dir():
        return []
    found: list[EarlierVisit] = []
    for path in sorted(p for p in at.iterdir() if not p.name.startswith((".", "~"))):
        if path.name.casefold() in DOCUMENTS or path.suffix.casefold() in NOT_READINGS:
            continue
        own = Stated(rates=stated.rates if path.is_file() else (), options=stated.options)
        try:
            visit, files = Visit(external_id=path.stem), [path]
            if path.is_dir():
                files = reading_files(path)
                if not files:
                    continue
                if (path / "visit.json").is_file():
                    visit = visit_from(read_json_file(path / "visit.json"), path.name)
            points = points_of(files, boiler, visit, own, [])
        except (DocumentError, ReadError) as error:
            first = str(error).splitlines()[0]
            assumed.append(f"Earlier visit {path.name} is left out of the history: {first}")
            continue
        found.append(EarlierVisit(visit, points))
    return sorted(found, key=_when)


def _when(earlier: EarlierVisit) -> tuple[str, str]:
    started = earlier.visit.started
    if started is None:
        started = next((p.started for p in earlier.points if p.started is not None), None)
    return (started.isoformat() if started else "", earlier.visit.external_id or "")
