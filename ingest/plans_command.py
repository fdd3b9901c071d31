"""``fluebook plans``: check plan files, bring them into a book, list what a book holds.

Exit statuses: 0 done; 2 a plan or the book cannot be used; 64 wrong usage.
"""

from __future__ import annotations

import getpass
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Annotated

import typer

from ingest.book_commands import BookPath
from ingest.command_options import Answering
from ingest.intake import Intake
from ingest.intake_service import PlanKept
from ingest.service.office import office_plans
from ingest.service.plans import Plan, PlanError, read_plan
from ingest.store import Book, BookError

UNUSABLE = 2
Files = Annotated[
    list[Path], typer.Argument(help="Plan files, TOML, or folders of them.", exists=True)
]

plans = typer.Typer(
    add_completion=False,
    no_args_is_help=True,
    help="Check service plans, bring them into a book, list or remove what it holds.",
)


def _read(places: Sequence[Path]) -> list[Plan]:
    files = [f for p in places for f in (sorted(p.glob("*.toml")) if p.is_dir() else [p])]
    if not files:
        typer.echo("there is no plan file (.toml) in the folder", err=True)
        raise typer.Exit(UNUSABLE)
    found, problems = [], []
    for file in files:
        try:
            found.append(read_plan(file))
        except PlanError as error:
            problems += [str(p) for p in error.problems]
        except (OSError, UnicodeDecodeError) as error:
            problems.append(f"{file.name}: {error}")
    if problems:
        for line in dict.fromkeys(problems):
            typer.echo(line, err=True)
        raise typer.Exit(UNUSABLE)
    return found


def _counted(plan: Plan) -> str:
    return f"{plan.key} {plan.version}: {len(plan.task)} tasks, {len(plan.test)} safety tests"


@plans.command()
def check(files: Files) -> None:
    """Read plans and say everything that is wrong, with file, line and key."""
    for plan in _read(files):
        typer.echo(_counted(plan))


def _added(
    intake: Intake, plan: Plan, name: str, known: dict[str, Plan], take_in: bool
) -> Iterator[str]:
    """Keep a plan, and yield what became of it and of the plans that include it."""
    kept = intake.keep_plan(plan, name, known) if take_in else PlanKept(intake.put_plan(plan, name))
    yield f"{_counted(plan)}{'' if kept.fresh else ', was there already'}"
    for one in kept.into:
        if one.problems:
            yield f"{one.before.key} stays as it is: {'; '.join(one.problems)}"
        else:
            known[one.plan.key] = one.plan
            yield f"{_counted(one.plan)}, takes it in, after {one.before.version}"


@plans.command()
def add(
    files: Files,
    book: BookPath = Path("fluebook.db"),
    who: Annotated[str | None, typer.Option(help="Who answers for them; the login name.")] = None,
    take_in: Annotated[
        bool,
        typer.Option("--take-in", help="Let plans of the book that include them take them in."),
    ] = False,
) -> None:
    """Bring plans into a book, all or none; what a plan includes is taken in with it."""
    read = _read(files)
    name = who or getpass.getuser()
    try:
        with Book(book) as opened:
            intake = Intake(opened)
            # Those that come along say themselves what they include.
            held = intake.plans_in_force(office_plans()) if take_in else {}
            known = {**held, **{p.key: p for p in read}}
            with opened.change(name):
                said = [line for p in read for line in _added(intake, p, name, known, take_in)]
    except (BookError, PlanError, FileNotFoundError) as error:
        typer.echo(f"{error}\nNothing was changed.", err=True)
        raise typer.Exit(UNUSABLE) from error
    for line in said:
        typer.echo(line)


@plans.command()
def remove(
    key: Annotated[str, typer.Argument(help="The plan's key, as `plans list` has it.")],
    book: BookPath = Path("fluebook.db"),
    who: Answering = None,
) -> None:
    """Take a plan out of use; its versions and what followed them stay in the book.

    It is offered for no further visit and nothing of it falls due; added again, it is in force.
    """
    if not book.is_file():
        typer.echo(f"{book}: there is no such book", err=True)
        raise typer.Exit(UNUSABLE)
    try:
        with Book(book) as opened:
            intake = Intake(opened)
            known = intake.plans_in_force(office_plans())
            kept_by = intake.look_at_removal(key, known)
            intake.remove_plan(key, who or getpass.getuser(), known)
    except (BookError, PlanError, FileNotFoundError) as error:
        typer.echo(f"{error}\nNothing was changed.", err=True)
        raise typer.Exit(UNUSABLE) from error
    typer.echo(f"{key} is out of use; {len(kept_by)} boiler(s) were kept by it")


@plans.command("list")
def listed(book: BookPath = Path("fluebook.db")) -> None:
    """List the newest version of each plan in a book."""
    if not book.is_file():
        typer.echo(f"{book}: there is no such book", err=True)
        raise typer.Exit(UNUSABLE)
    try:
        with Book(book) as opened:
            held = Intake(opened).plans()
    except BookError as error:
        typer.echo(str(error), err=True)
        raise typer.Exit(UNUSABLE) from error
    for plan in held.values():
        typer.echo(f"{_counted(plan)}: {plan.title}")
    if not held:
        typer.echo("no plan is in this book; `fluebook plans add FILE` brings one in")
