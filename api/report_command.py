"""``fluebook report VISIT``: the report of a visit, in a book or in a folder, as PDF or HTML.

Exit statuses: 0 written; 2 book, visit, readings or plans cannot be used; 64 wrong usage.
"""

from __future__ import annotations

import getpass
from pathlib import Path
from typing import Annotated, Literal, cast
from uuid import UUID

import typer

from ingest.command_options import (
    BookFile,
    Company,
    FolderPhase,
    FolderRates,
    PlansFolder,
    ShownUnits,
)

UNUSABLE, WRONG_USAGE = 2, 64
HTML = (".html", ".htm")
Paper = Literal["a4", "us-letter"]
Units = Literal["si", "us"]


def report(
    visit: Annotated[str, typer.Argument(help="Id of a visit in the book, or a visit's folder.")],
    book: BookFile = Path("fluebook.db"),
    out: Annotated[
        Path | None, typer.Option(help="Where to write; .html makes HTML. VISIT.pdf if absent.")
    ] = None,
    paper: Annotated[str, typer.Option(help="a4 or us-letter.")] = "a4",
    units: ShownUnits = "us",
    language: Annotated[str, typer.Option(help="en or es; es-MX writes numbers as there.")] = "en",
    plans: PlansFolder = None,
    company: Company = "",
    rates: FolderRates = None,
    phase: FolderPhase = None,
    signed: Annotated[
        str | None,
        typer.Option(
            help="As it was signed: the SHA-256 of its content or the first of its signs, or last."
        ),
    ] = None,
    who: Annotated[str | None, typer.Option(help="Who makes it; the login name.")] = None,
) -> None:
    """Write a visit's report; that of a visit in a book puts its SHA-256 into the audit chain."""
    from api.languages import language_and_region
    from api.report import ReportOptions, report_html, report_pdf
    from api.report.from_book import make_report, signed_report
    from api.report.from_folder import NoTime, folder_input
    from api.report.signatures import signed_content
    from ingest.documents import DocumentError
    from ingest.folder import Stated
    from ingest.intake import Intake
    from ingest.service.office import office_plans
    from ingest.service.plans import PlanError
    from ingest.statements import phase_stated, rates_stated
    from ingest.store import Book, BookError
    from parsers import ReadError

    if paper not in ("a4", "us-letter") or units not in ("si", "us"):
        typer.echo("--paper is a4 or us-letter, --units is si or us", err=True)
        raise typer.Exit(WRONG_USAGE)
    try:
        spoken, region = language_and_region(language)
    except ValueError as error:
        typer.echo(f"--language: {error}", err=True)
        raise typer.Exit(WRONG_USAGE) from error
    options = ReportOptions(cast(Paper, paper), cast(Units, units), spoken, region)
    folder = Path(visit)
    if signed is not None and (folder.is_dir() or (out and out.suffix.lower() in HTML)):
        typer.echo("--signed is for a visit in a book, and makes a PDF", err=True)
        raise typer.Exit(WRONG_USAGE)
    if folder.is_dir():
        target = out or folder.with_suffix(".pdf")
        try:
            stated = Stated(rates=tuple(rates_stated(rates) or ()), phase=phase_stated(phase))
            given = folder_input(folder, office_plans(plans), stated=stated, company=company)
        except (DocumentError, ReadError, PlanError, NoTime, FileNotFoundError) as error:
            typer.echo(str(error), err=True)
            raise typer.Exit(UNUSABLE) from error
        html = target.suffix.lower() in HTML
        target.write_bytes(
            report_html(given, options).encode() if html else report_pdf(given, options)
        )
        typer.echo(f"{target}: report {given.report_id}, not in a book, so not in an audit chain")
        return
    try:
        identity = UUID(visit)
    except ValueError as error:
        typer.echo(f"{visit!r} is not the id of a visit", err=True)
        raise typer.Exit(WRONG_USAGE) from error
    if not book.is_file():
        typer.echo(f"{book}: there is no such book", err=True)
        raise typer.Exit(UNUSABLE)
    target = out or Path(f"{identity}.pdf")
    try:
        with Book(book) as opened:
            intake = Intake(opened)
            if signed is not None:
                digest = signed_content(intake.trail(identity), signed)
                target.write_bytes(signed_report(intake, identity, digest, options.paper))
                typer.echo(f"{target}: as it was signed, content SHA-256 {digest}")
                return
            made = make_report(
                intake,
                identity,
                office_plans(plans),
                who or getpass.getuser(),
                face="html" if target.suffix.lower() in HTML else "pdf",
                options=options,
                company=company,
            )
    except (PlanError, FileNotFoundError, BookError) as error:
        typer.echo(str(error), err=True)
        raise typer.Exit(UNUSABLE) from error
    target.write_bytes(made.data)
    typer.echo(f"{target}: report {made.report_id}, content SHA-256 {made.content_sha256}")
