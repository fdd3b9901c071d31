"""``fluebook report VISIT``: the report of a visit in a book, as PDF or HTML.

Exit statuses: 0 written; 2 the book, the visit or the plans cannot be used; 64 wrong usage.
"""

from __future__ import annotations

import getpass
from pathlib import Path
from typing import Annotated, Literal, cast
from uuid import UUID

import typer

UNUSABLE, WRONG_USAGE = 2, 64
Paper = Literal["a4", "us-letter"]
Units = Literal["si", "us"]


def report(
    visit: Annotated[str, typer.Argument(help="Id of the visit.")],
    book: Annotated[
        Path, typer.Option("--book", envvar="FLUEBOOK_BOOK", help="The book, one SQLite file.")
    ] = Path("fluebook.db"),
    out: Annotated[
        Path | None, typer.Option(help="Where to write; .html makes HTML. VISIT.pdf if absent.")
    ] = None,
    paper: Annotated[str, typer.Option(help="a4 or us-letter.")] = "a4",
    units: Annotated[str, typer.Option(envvar="FLUEBOOK_UNITS", help="si or us.")] = "us",
    language: Annotated[str, typer.Option(help="Language of a catalogue; English else.")] = "en",
    plans: Annotated[
        Path | None, typer.Option(envvar="FLUEBOOK_PLANS", help="Folder of the office's plans.")
    ] = None,
    company: Annotated[str, typer.Option(envvar="FLUEBOOK_COMPANY", help="At its head.")] = "",
    who: Annotated[str | None, typer.Option(help="Who makes it; the login name.")] = None,
) -> None:
    """Write a visit's report; its content's SHA-256 goes to the audit chain."""
    from api.plans import office_plans
    from api.report.from_book import make_report
    from api.report.given import ReportOptions
    from ingest.intake import Intake
    from ingest.service.plans import PlanError
    from ingest.store import Book, BookError

    try:
        identity = UUID(visit)
    except ValueError as error:
        typer.echo(f"{visit!r} is not the id of a visit", err=True)
        raise typer.Exit(WRONG_USAGE) from error
    if paper not in ("a4", "us-letter") or units not in ("si", "us"):
        typer.echo("--paper is a4 or us-letter, --units is si or us", err=True)
        raise typer.Exit(WRONG_USAGE)
    if not book.is_file():
        typer.echo(f"{book}: there is no such book", err=True)
        raise typer.Exit(UNUSABLE)
    target = out or Path(f"{identity}.pdf")
    try:
        with Book(book) as opened:
            made = make_report(
                Intake(opened),
                identity,
                office_plans(plans),
                who or getpass.getuser(),
                face="html" if target.suffix.lower() in (".html", ".htm") else "pdf",
                options=ReportOptions(cast(Paper, paper), cast(Units, units), language),
                company=company,
            )
    except (PlanError, FileNotFoundError, BookError) as error:
        typer.echo(str(error), err=True)
        raise typer.Exit(UNUSABLE) from error
    target.write_bytes(made.data)
    typer.echo(f"{target}: report {made.report_id}, content SHA-256 {made.content_sha256}")
