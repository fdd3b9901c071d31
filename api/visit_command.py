"""``fluebook visit FOLDER``: a filled visit folder into a book, and handed in where asked.

Exit statuses: 0 done; 2 book, documents, readings or plans cannot be used; 64 wrong usage.
"""

from __future__ import annotations

import getpass
from pathlib import Path
from typing import Annotated

import typer

from ingest.command_options import (
    Answering,
    BookFile,
    Company,
    FolderPhase,
    FolderRates,
    PlansFolder,
    ShownUnits,
)

UNUSABLE, WRONG_USAGE = 2, 64


def visit(
    folder: Annotated[Path, typer.Argument(help="A visit's folder, as `fluebook judge` takes it.")],
    book: BookFile = Path("fluebook.db"),
    who: Answering = None,
    hand_in: Annotated[
        bool, typer.Option("--hand-in", help="Hand it in: freeze the judgement, sign the report.")
    ] = False,
    printed_name: Annotated[
        str, typer.Option(help="Name as printed under the report; WHO if absent.")
    ] = "",
    rates: FolderRates = None,
    phase: FolderPhase = None,
    units: ShownUnits = "us",
    plans: PlansFolder = None,
    company: Company = "",
) -> None:
    """Bring a visit's folder (visit.json, boiler.json, readings, pictures) into a book."""
    from api.report import ReportOptions
    from api.report.from_book import signing
    from ingest.bring.folder import bring_folder
    from ingest.documents import DocumentError
    from ingest.folder import Stated
    from ingest.intake import OPEN_STATES, Intake, NotAPicture
    from ingest.service.office import office_plans
    from ingest.service.plans import PlanError
    from ingest.statements import phase_stated, rates_stated
    from ingest.store import Book, BookError
    from parsers import ReadError

    if not folder.is_dir() or units not in ("si", "us"):
        typer.echo(f"{folder} is to be a folder, --units si or us", err=True)
        raise typer.Exit(WRONG_USAGE)
    name = who or getpass.getuser()
    try:
        known = office_plans(plans)
        stated = Stated(rates=tuple(rates_stated(rates) or ()), phase=phase_stated(phase))
        with Book(book) as opened:
            intake = Intake(opened)
            brought = bring_folder(intake, folder, name, known, stated=stated)
            view = intake.visit(brought.visit_id)
            if hand_in and view.state in OPEN_STATES:
                sign = signing(
                    intake,
                    brought.visit_id,
                    known,
                    printed_name=printed_name,
                    options=ReportOptions(units="si" if units == "si" else "us"),
                    company=company,
                )
                intake.hand_in(brought.visit_id, name, sign=sign)
                view = intake.visit(brought.visit_id)
    except (
        DocumentError,
        ReadError,
        PlanError,
        NotAPicture,
        FileNotFoundError,
        BookError,
    ) as error:
        typer.echo(str(error), err=True)
        raise typer.Exit(UNUSABLE) from error
    worst = view.judgement.worst or "no"
    for left in brought.left_out:
        typer.echo(f"{left}: holds no readings and is left out")
    typer.echo(
        f"visit {brought.visit_id}: {brought.files} files of readings, {brought.pictures} "
        f"pictures, {view.state.replace('_', ' ')}, worst finding: {worst}"
    )
