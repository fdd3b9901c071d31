"""The commands ``judge`` and ``explain``.

Exit statuses: 0 nothing above `info`; 1 flags; 2 could not be read; 3 a `stop` flag; 64 wrong
usage. In a folder the worst wins, in the order 3, 2, 1.
"""

from __future__ import annotations

import json
from functools import cache, partial
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console
from rich.markup import escape
from rich.table import Table

from ingest.command_options import (
    DayFirst,
    Decimal,
    Fuel,
    Lines,
    MapFile,
    Phase,
    PlansFolder,
    Rates,
    SiteZone,
    Unit,
)
from ingest.documents import DocumentError, limits_from, read_json_file
from ingest.folder import Stated, case_at, visits_at
from ingest.judge_json import judge_json
from ingest.judgement import Judgement
from ingest.models import Limits
from ingest.rules import RULES
from ingest.service.office import office_plans
from ingest.service.plans import PlanError
from ingest.statements import (
    line_range_stated,
    options_stated,
    phase_stated,
    rates_stated,
    usage,
)
from ingest.validator import RULES_VERSION
from ingest.validator import judge as judged
from parsers import ReadError

NOTHING, FLAGS, UNREADABLE, STOP = 0, 1, 2, 3
CAUTION = (
    "Recorded values against limits, no more: local codes, the boiler's own instructions and "
    "licensed practice decide."
)
STOP_WORDS = (
    "STOP: do not leave it running. Shut down, ventilate; only a person licensed for this boiler "
    "may restart it after the cause is put right."
)
_ROOM_STOP = "Leave the room and ventilate it first."


def judge(
    path: Annotated[Path, typer.Argument(help="Reading file, visit folder, or folder of them.")],
    boiler: Annotated[Path | None, typer.Option(help="Boiler document, JSON.")] = None,
    history: Annotated[Path | None, typer.Option(help="Folder of earlier visits.")] = None,
    rates: Rates = None,
    phase: Phase = None,
    fuel: Fuel = None,
    lines: Lines = None,
    unit: Unit = None,
    site_zone: SiteZone = None,
    day_first: DayFirst = None,
    decimal: Decimal = None,
    map_file: MapFile = None,
    company_limits: Annotated[Path | None, typer.Option(help="The company's limits, JSON.")] = None,
    model_limits: Annotated[Path | None, typer.Option(help="The model's limits, JSON.")] = None,
    plans: PlansFolder = None,
    as_json: Annotated[bool, typer.Option("--json", help="fluebook.judge/1, one a line.")] = False,
) -> None:
    """Judge a visit: what to stop at, what to fix, what to look at again, what was not checked."""
    stated = Stated(
        rates=tuple(rates_stated(rates) or ()),
        phase=phase_stated(phase),
        fuel=fuel,
        line_ranges=tuple(line_range_stated(text) for text in lines or []),
        options=options_stated(
            unit=unit, site_zone=site_zone, day_first=day_first, decimal=decimal, map_file=map_file
        ),
    )
    for given in (path, boiler, history, company_limits, model_limits, plans):
        if given is not None and not given.exists():
            raise usage(f"{given}: there is no such file or folder")
    try:
        company = _limits(company_limits)
        model = _limits(model_limits)
    except DocumentError as error:
        typer.echo(str(error), err=True)
        raise typer.Exit(UNREADABLE) from error
    known = cache(partial(office_plans, plans))
    statuses = set()
    for one in visits_at(path):
        try:
            case = case_at(
                one.path,
                boiler=boiler,
                history=history,
                stated=stated,
                company=company,
                model=model,
                plans=known,
            )
        except (DocumentError, ReadError, PlanError, FileNotFoundError) as error:
            typer.echo(f"{one.name}: could not be read", err=True)
            typer.echo(str(error), err=True)
            statuses.add(UNREADABLE)
            continue
        result = judged(case)
        statuses.add(status_of(result))
        if as_json:
            typer.echo(json.dumps(judge_json(result), ensure_ascii=False))
        else:
            show(result, left_running=case.visit.how_left == "running")
    if not statuses:
        typer.echo(f"{path}: there is no visit in this folder", err=True)
        raise typer.Exit(UNREADABLE)
    for status in (STOP, UNREADABLE, FLAGS):
        if status in statuses:
            raise typer.Exit(status)


def _limits(path: Path | None) -> Limits | None:
    return None if path is None else limits_from(read_json_file(path), path.name)


def status_of(judgement: Judgement) -> int:
    """Return the exit status of one judgement."""
    worst = judgement.worst
    if worst == "stop":
        return STOP
    return NOTHING if worst in (None, "info") else FLAGS


def show(
    judgement: Judgement, console: Console | None = None, *, left_running: bool = False
) -> None:
    """Print a judgement for a person."""
    out = console or Console(highlight=False)
    out.print(f"Visit {judgement.visit}: worst is {judgement.worst or 'nothing'}", markup=False)
    if judgement.worst == "stop":
        room = any(f.rule == "room_co" and f.severity == "stop" for f in judgement.flags)
        out.print((_ROOM_STOP + " " if room else "") + STOP_WORDS, markup=False)
        if left_running:
            out.print("The visit says that the boiler was left running.", markup=False)
    if judgement.flags:
        table = Table("Severity", "Finding")
        for flag in judgement.flags:
            lines = [flag.message, *(f"- {effect}" for effect in flag.effects)]
            if flag.source is not None:
                lines.append(
                    f"Limit from: {flag.source.text} ({flag.source.level}, {flag.source.status})."
                )
            lines += [f"Next: {flag.next_step}", f"Rule: {flag.rule}"]
            table.add_row(flag.severity, escape("\n".join(lines)))
        out.print(table)
    for flag in judgement.work_done:
        out.print(f"Put right: {flag.message}", markup=False)
    if judgement.not_judged:
        out.print("Not checked:")
        for entry in judgement.not_judged:
            out.print(f"  {entry.rule}: {entry.why} (needs {entry.needs})", markup=False)
    out.print(f"Rules {judgement.rules_version}, {judgement.limits_id}. {CAUTION}", markup=False)


def explain(
    rule: Annotated[str | None, typer.Argument(help="A rule's key; without one, the list.")] = None,
) -> None:
    """Explain a rule: meaning, formula, default, source, causes, what to do, when it is silent."""
    if rule is None:
        for one in RULES.values():
            typer.echo(f"{one.key}\t{one.title}")
        return
    found = RULES.get(rule)
    if found is None:
        raise usage(f"there is no rule {rule!r}; `fluebook explain` lists them")
    typer.echo(f"{found.key}: {found.title} ({found.family}; rules {RULES_VERSION})")
    for label, text in (
        ("Means", found.meaning),
        ("Formula", found.formula),
        ("Default", found.default),
        ("Source", f"{found.source} [{found.status}]"),
        ("Usual causes", found.causes),
        ("Next step", found.next_step),
        ("Silent", found.silent),
        ("Needs", found.needs),
        ("Limits", ", ".join(found.limits) or "none"),
    ):
        typer.echo(f"  {label}: {text}")
