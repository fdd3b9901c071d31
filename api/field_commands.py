"""``fluebook send`` and ``fluebook fetch``: the field book meets its office."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated
from uuid import UUID

import typer

if TYPE_CHECKING:
    from fluebook.field_book import FieldBook, Outcome, Whose

KEY_VARIABLE = "FLUEBOOK_KEY"
_UNUSABLE = 1
_NO_SIGNAL = 2
_LOOK_AGAIN = 3
_WRONG_USAGE = 64

_Book = Annotated[Path, typer.Option("--book", exists=True, dir_okay=False, help="Your book.")]
_Office = Annotated[str, typer.Option("--office", help="The office, https://book.example.")]
_Who = Annotated[str, typer.Option("--who", help="Your name, for the trail.")]
_Mine = Annotated[
    list[str] | None, typer.Option("--mine", help="Id of a thing of which yours stands.")
]
_Theirs = Annotated[
    list[str] | None, typer.Option("--theirs", help="Id of a thing of which theirs stands.")
]
_Clear = Annotated[
    bool,
    typer.Option(
        "--in-clear", help="Send the key over http://, where anyone on the way can read it."
    ),
]
_Boilers = Annotated[list[str] | None, typer.Option("--boiler", help="Only these boilers, by id.")]


def send(
    book: _Book,
    office: _Office,
    who: _Who,
    mine: _Mine = None,
    theirs: _Theirs = None,
    in_clear: _Clear = False,
) -> None:
    """Send all that was made in your book to the office; safe to stop and to repeat.

    What never goes up is named. What both sides changed is shown: --mine or --theirs says, by
    the id in its line, whose stands.
    The key that the office gave you is read from the environment, FLUEBOOK_KEY.
    """
    _meet(book, office, who, mine, theirs, in_clear, lambda field: field.send())


def fetch(
    book: _Book,
    office: _Office,
    who: _Who,
    boiler: _Boilers = None,
    mine: _Mine = None,
    theirs: _Theirs = None,
    in_clear: _Clear = False,
) -> None:
    """Fetch boilers, jobs, finished visits, and what the office decided and corrected of yours.

    What is due is then told by `fluebook due` from your own book, also without signal.
    """
    chosen = [_id(b, "--boiler") for b in boiler or ()]
    _meet(book, office, who, mine, theirs, in_clear, lambda field: field.fetch(boiler_ids=chosen))


def _id(text: str, option: str) -> UUID:
    try:
        return UUID(text)
    except ValueError as error:
        raise typer.BadParameter(f"{text!r} is no id", param_hint=option) from error


def _meet(
    book: Path,
    office: str,
    who: str,
    mine: list[str] | None,
    theirs: list[str] | None,
    in_clear: bool,
    act: Callable[[FieldBook], Outcome],
) -> None:
    from fluebook import Client
    from fluebook.connection import goes_in_clear
    from fluebook.field_book import FieldBook
    from ingest.intake import Intake
    from ingest.store import Book, BookError

    whose = _whose(mine, theirs)
    who = who.strip()
    if not who:
        raise typer.BadParameter("a name is needed", param_hint="--who")
    key = os.environ.get(KEY_VARIABLE)
    try:
        if key and not in_clear and goes_in_clear(office):
            raise ValueError(
                "the key, and all that is sent, could be read and changed on its way to a host "
                "over http://; use the office's https:// address, or add --in-clear where the "
                "whole way is yours. Nothing was sent"
            )
        client = Client(office, who, key=key)
    except ValueError as error:
        hint = f"--office, {KEY_VARIABLE}"
        raise typer.BadParameter(str(error), param_hint=hint) from error
    try:
        with client, Book(book) as opened:
            field = FieldBook(Intake(opened), client, office, who, whose=whose, told=typer.echo)
            ended = _acted(field, act)
    except (BookError, sqlite3.Error) as error:
        typer.echo(f"{book.name} cannot be used: {error}. What was done stays.", err=True)
        raise typer.Exit(_UNUSABLE) from error
    _tell(field.outcome)
    if ended is None and field.undecided:
        _tell_undecided(field.undecided, field.outcome)
        ended = _WRONG_USAGE
    if ended is None and not field.outcome.clean:
        ended = _LOOK_AGAIN
    if ended is not None:
        raise typer.Exit(ended)


def _whose(mine: list[str] | None, theirs: list[str] | None) -> dict[UUID | str, Whose]:
    """Return whose version stands by id, as it is shown, however it was copied."""
    yours, others = ({one.strip().lower() for one in ids or ()} for ids in (mine, theirs))
    if yours & others:
        said = f"{', '.join(sorted(yours & others))}: either yours stands or theirs"
        raise typer.BadParameter(said, param_hint="--mine, --theirs")
    found: dict[UUID | str, Whose] = dict.fromkeys(yours, "mine")
    return found | dict.fromkeys(others, "office")


def _acted(field: FieldBook, act: Callable[[FieldBook], Outcome]) -> int | None:
    """Send or fetch; return the status to end with where it did not come to its end."""
    from fluebook import Refused, Unreachable

    try:
        act(field)
    except Unreachable as error:
        typer.echo(f"No signal: {error}. What was done stays; repeat it later.", err=True)
        return _NO_SIGNAL
    except Refused as error:
        said = str(error).rstrip(".")
        typer.echo(f"The office refused: {said}. Check {KEY_VARIABLE} and --office.", err=True)
        return _UNUSABLE
    return None


def _tell(outcome: Outcome) -> None:
    from fluebook.field_book import conflict_lines

    for left in outcome.stays:
        typer.echo(f"Stays where it is: {left}")
    for said in outcome.refused:
        typer.echo(f"Not done: {said}", err=True)
    for conflict in outcome.conflicts:
        for line in conflict_lines(conflict):
            typer.echo(line, err=True)
    typer.echo(
        f"{len(outcome.done)} done, {outcome.same} were the same already, "
        f"{len(outcome.conflicts)} in conflict, {len(outcome.refused)} refused."
    )


def _tell_undecided(undecided: Sequence[str], outcome: Outcome) -> None:
    for identity in undecided:
        typer.echo(
            f"Refused: no clash with the id {identity} was met; it decided nothing.", err=True
        )
    if not outcome.conflicts:
        typer.echo("No clash is open.", err=True)
    for conflict in outcome.conflicts:
        typer.echo(f"Open: {conflict.id}, {conflict.name}", err=True)
