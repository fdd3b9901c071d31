"""The commands on a whole book: import, verify, backup, restore, rekey.

Exit statuses: 0 done and clean; 1 verify found something, or rekey lost a secret; 2 the input or
the book cannot be used; 64 wrong usage.
"""

from __future__ import annotations

import getpass
import json
from pathlib import Path
from typing import Annotated

import typer

from ingest.bring import (
    ImportRefused,
    bring_boilers,
    bring_visits,
    holds_readings,
    read_boilers,
    read_visits,
)
from ingest.bring.layouts import bring_layout, layout_of
from ingest.bring.table import read_table, unread
from ingest.command_options import Answering, BookFile
from ingest.intake import Intake
from ingest.store import Book, BookError, verify_file
from ingest.store import backup as backed_up
from ingest.store import restore as restored
from ingest.store.safekeeping import keys_named
from ingest.store.sealing import VARIABLE, key_file
from parsers import ReadError, ReadOptions

FOUND, UNUSABLE = 1, 2
BookPath = BookFile


def _refused(error: Exception) -> typer.Exit:
    typer.echo(str(error), err=True)
    typer.echo("Nothing was changed.", err=True)
    return typer.Exit(UNUSABLE)


def bring(
    files: Annotated[list[Path], typer.Argument(help="Lists of boilers or of past visits, CSV.")],
    book: BookPath = Path("fluebook.db"),
    who: Answering = None,
    day_first: Annotated[
        bool | None, typer.Option("--day-first/--month-first", help="How 03/04/2026 is meant.")
    ] = None,
) -> None:
    """Bring a list of boilers, or past visits with one row for each firing point, into a book.

    Each file goes in whole or not at all. Past visits are marked as imported: they feed the
    history of their boilers and never stand on the review list.
    """
    for file in files:
        if not file.is_file():
            typer.echo(f"{file}: there is no such file", err=True)
            raise typer.Exit(64)
    name = who or getpass.getuser()
    try:
        with Book(book) as opened:
            intake = Intake(opened)
            for file in files:
                _one(intake, file, name, ReadOptions(day_first=day_first))
    except (ImportRefused, ReadError, BookError) as error:
        raise _refused(error) from error


def _one(intake: Intake, file: Path, who: str, options: ReadOptions) -> None:
    data = file.read_bytes()
    layout = layout_of(intake, data)
    if layout is not None:
        done = bring_layout(intake, layout, data, file.name, who)
        typer.echo(
            f"{file.name}: read by the layout {layout.name!r}, {done.visits} past visits with "
            f"{done.points} firing points brought in, {done.there_already} were there already."
        )
        return
    table = read_table(data, file.name)
    if holds_readings(table):
        done = bring_visits(intake, table, read_visits(table, data, options=options), data, who)
        said = f"{done.visits} past visits with {done.points} firing points brought in"
    else:
        done = bring_boilers(intake, read_boilers(table), who)
        said = f"{done.boilers} boilers and {done.sites} new sites brought in"
    if unread(table):
        typer.echo(f"{file.name}: columns not read: {', '.join(map(repr, unread(table)))}")
    already = f", {done.there_already} were there already" if done.there_already else ""
    typer.echo(f"{file.name}: {len(table.rows)} rows, {said}{already}.")


def verify(
    book: Annotated[Path, typer.Argument(help="The book, one SQLite file.")],
    as_json: Annotated[bool, typer.Option("--json", help="For programs.")] = False,
) -> None:
    """Check a book: its audit trail, its evidence, its frozen judgements. Nothing is changed."""
    try:
        found = verify_file(book)
    except BookError as error:
        typer.echo(str(error), err=True)
        raise typer.Exit(UNUSABLE) from error
    if as_json:
        document = {
            "format": "fluebook.verify/1",
            "book": book.name,
            "clean": not found,
            "findings": [{"where": f.where, "what": f.what} for f in found],
        }
        typer.echo(json.dumps(document, ensure_ascii=False))
    else:
        for one in found:
            typer.echo(f"{one.where}: {one.what}")
        if not found:
            typer.echo(f"{book.name}: clean; every line of the trail and every file is as written.")
    if found:
        raise typer.Exit(FOUND)


def backup(
    target: Annotated[Path, typer.Argument(help="The copy to write; must not exist.")],
    book: BookPath = Path("fluebook.db"),
) -> None:
    """Write a consistent copy of a book, also while a server writes it."""
    try:
        backed_up(book, target)
    except BookError as error:
        raise _refused(error) from error
    typer.echo(f"{target}: written")
    names = keys_named(target)
    if names:
        typer.echo(
            f"Its signing secrets open with the key {', '.join(names)} ({VARIABLE} or "
            f"{key_file(book)}), which is not in it: keep that key, elsewhere."
        )


def restore(
    source: Annotated[Path, typer.Argument(help="A backup.")],
    book: Annotated[Path, typer.Argument(help="The book to make of it; must not exist.")],
) -> None:
    """Make a book of a backup, after checking that the backup is as it was written."""
    try:
        restored(source, book)
    except BookError as error:
        raise _refused(error) from error
    typer.echo(f"{book}: restored")
    names = keys_named(book)
    if names:
        typer.echo(
            f"Webhooks wait for the key {', '.join(names)}: give it in {VARIABLE}, or put its file "
            f"at {key_file(book)} with mode 600."
        )


def rekey(
    book: BookPath = Path("fluebook.db"),
    lost: Annotated[
        bool, typer.Option("--lost", help="Give up secrets that no key at hand opens.")
    ] = False,
) -> None:
    """Seal the webhooks' signing secrets with a new key; the receivers notice nothing."""
    if not book.is_file():
        typer.echo(f"{book}: there is no such book", err=True)
        raise typer.Exit(UNUSABLE)
    try:
        with Book(book) as opened:
            shut = opened.rekey(getpass.getuser(), lost=lost)
            where = VARIABLE if opened.seal.given else key_file(book)
    except BookError as error:
        raise _refused(error) from error
    typer.echo(f"Signing secrets are sealed with the new key in {where}.")
    for one in shut:
        typer.echo(
            f"webhook {one}: its secret is lost; rotate it and give its receiver the new one"
        )
    if shut:
        raise typer.Exit(FOUND)
