"""``fluebook export``: readings, firing points or visits of a book as a file.

Exit statuses: 0 written; 2 the book cannot be used, or a package is missing; 64 wrong usage.
"""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from ingest.command_options import BookFile

UNUSABLE, WRONG_USAGE = 2, 64


class What(StrEnum):
    """What is exported."""

    readings = "readings"
    points = "points"
    visits = "visits"


def export(
    target: Annotated[Path, typer.Argument(help="The file: .csv, .parquet or .sqlite.")],
    what: Annotated[What, typer.Option(help="Rows of the file.")] = What.points,
    book: BookFile = Path("fluebook.db"),
    layout: Annotated[
        str | None, typer.Option(help="A saved layout, by its name; the file is .csv.")
    ] = None,
    superseded: Annotated[
        bool, typer.Option("--superseded", help="Readings that no longer stand, too.")
    ] = False,
    overwrite: Annotated[bool, typer.Option("--overwrite", help="Replace the file.")] = False,
) -> None:
    """Write a book's readings, firing points or visits, each number's unit beside it."""
    from ingest.export import FORMATS, NotInstalled, write_export
    from ingest.layouts import layout_named, write_layout
    from ingest.store import Book, BookError

    form = next((f for f in FORMATS if f == target.suffix.lower().removeprefix(".")), None)
    if form is None:
        endings = ", ".join("." + f for f in FORMATS)
        typer.echo(f"{target}: the ending says the format; write one of {endings}", err=True)
        raise typer.Exit(WRONG_USAGE)
    if layout is not None and form != "csv":
        typer.echo(f"{target}: a table in a layout is written as .csv", err=True)
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
            if layout is None:
                count = write_export(opened, what.value, form, beside, superseded=superseded)
            else:
                count = write_layout(opened, layout_named(opened, layout)[0], beside)
        beside.replace(target)
    except (BookError, NotInstalled, OSError) as error:
        beside.unlink(missing_ok=True)
        typer.echo(str(error), err=True)
        raise typer.Exit(UNUSABLE) from error
    rows = what.value if layout is None else "rows"
    typer.echo(f"{target}: {count} {rows} written")


def layouts(
    file: Annotated[
        Path | None, typer.Argument(help="A layout as JSON, to be saved; none lists all.")
    ] = None,
    book: BookFile = Path("fluebook.db"),
    who: Annotated[str, typer.Option(help="Who answers for it.")] = "command line",
) -> None:
    """Save a layout of tables in a book, or list those that it has."""
    from pydantic import ValidationError

    from ingest.export.layout import Layout
    from ingest.intake import Intake
    from ingest.layouts import all_layouts, put_layout
    from ingest.store import Book, BookError

    try:
        with Book(book) as opened:
            if file is None:
                for one in all_layouts(opened):
                    typer.echo(f"{one.name}: one row per {one.rows}, {len(one.columns)} columns")
                return
            made = Layout.model_validate_json(file.read_bytes())
            put_layout(Intake(opened), made, who)
    except (BookError, ValidationError, OSError) as error:
        typer.echo(str(error), err=True)
        raise typer.Exit(UNUSABLE) from error
    typer.echo(f"{made.name}: saved")
