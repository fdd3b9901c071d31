"""``fluebook export``: readings, firing points or visits of a book as a file.

Exit statuses: 0 written; 2 the book cannot be used, or a package is missing; 64 wrong usage.
"""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

UNUSABLE, WRONG_USAGE = 2, 64


class What(StrEnum):
    """What is exported."""

    readings = "readings"
    points = "points"
    visits = "visits"


def export(
    target: Annotated[Path, typer.Argument(help="The file: .csv, .parquet or .sqlite.")],
    what: Annotated[What, typer.Option(help="Rows of the file.")] = What.points,
    book: Annotated[
        Path, typer.Option("--book", envvar="FLUEBOOK_BOOK", help="The book, one SQLite file.")
    ] = Path("fluebook.db"),
    superseded: Annotated[
        bool, typer.Option("--superseded", help="Readings that no longer stand, too.")
    ] = False,
    overwrite: Annotated[bool, typer.Option("--overwrite", help="Replace the file.")] = False,
) -> None:
    """Write a book's readings, firing points or visits, each number's unit beside it."""
    from ingest.export import FORMATS, NotInstalled, write_export
    from ingest.store import Book, BookError

    form = next((f for f in FORMATS if f == target.suffix.lower().removeprefix(".")), None)
    if form is None:
        endings = ", ".join("." + f for f in FORMATS)
        typer.echo(f"{target}: the ending says the format; write one of {endings}", err=True)
        raise typer.Exit(WRONG_USAGE)
    if target.exists() and not overwrite:
        typer.echo(f"{target}: is there already; say --overwrite to replace it", err=True)
        raise typer.Exit(WRONG_USAGE)
    if not book.is_file():
        typer.echo(f"{book}: there is no such book", err=True)
        raise typer.Exit(UNUSABLE)
    beside = target.with_name(f".{target.name}.part")
    try:
        beside.unlink(missing_ok=True)
        with Book(book) as opened:
            count = write_export(opened, what.value, form, beside, superseded=superseded)
        beside.replace(target)
    except (BookError, NotInstalled, OSError) as error:
        beside.unlink(missing_ok=True)
        typer.echo(str(error), err=True)
        raise typer.Exit(UNUSABLE) from error
    typer.echo(f"{target}: {count} {what.value} written")
