"""``fluebook due``: what is due in a book until a month, and what to pack for it.

Exit statuses: 0 answered; 2 the book or the plans cannot be used; 64 wrong usage.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from ingest.command_options import BookFile, PlansFolder

if TYPE_CHECKING:
    from api.due_list import DueList

UNUSABLE, WRONG_USAGE = 2, 64


def due(
    until: Annotated[str, typer.Option(help="Last month or day looked at: 2027-03.")],
    book: BookFile = Path("fluebook.db"),
    plans: PlansFolder = None,
    ical: Annotated[Path | None, typer.Option(help="Write it as a calendar, too.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="fluebook.due/1 instead.")] = False,
) -> None:
    """List boilers, tasks, tests, parts to pick, wanted readings and open findings."""
    from api.due_list import due_ics, due_in_book, due_json
    from ingest.intake import Intake
    from ingest.service.intervals import end_of_month
    from ingest.service.office import office_plans
    from ingest.service.plans import PlanError
    from ingest.store import Book, BookError

    try:
        last = end_of_month(until)
    except ValueError as error:
        typer.echo(str(error), err=True)
        raise typer.Exit(WRONG_USAGE) from error
    if not book.is_file():
        typer.echo(f"{book}: there is no such book", err=True)
        raise typer.Exit(UNUSABLE)
    try:
        known = office_plans(plans)
        with Book(book) as opened:
            intake = Intake(opened)
            found = due_in_book(intake, last, intake.plans_in_force(known))
            if ical is not None:
                ical.write_bytes(due_ics(intake, found, intake.plans_in_force(known)))
    except (PlanError, FileNotFoundError, BookError) as error:
        typer.echo(str(error), err=True)
        raise typer.Exit(UNUSABLE) from error
    if as_json:
        typer.echo(json.dumps(due_json(found), ensure_ascii=False))
        return
    for line in _lines(found):
        typer.echo(line)


def _lines(found: DueList) -> list[str]:
    lines = [f"Due until {found.until}: {len(found.items)}"]
    place = None
    for item in sorted(found.items, key=lambda i: (i.boiler, i.place, i.on, i.kind, i.key)):
        if item.place != place:
            place = item.place
            lines += ["", f"{item.boiler}, {item.site}" if item.site else item.boiler]
            wanted = found.readings.get(place, ())
            if wanted:
                lines.append(f"  readings wanted: {', '.join(wanted)}")
        about = "about " if item.estimated else ""
        lines.append(f"  {about}{item.on}  {item.kind:<8} {item.title} ({item.why})")
        if item.not_computed:
            lines.append(f"              {item.not_computed}")
    if found.picks:
        lines += ["", "Parts to pick"]
        for pick in found.picks:
            where = " ".join(filter(None, [pick.van or "any van", pick.kit]))
            lines.append(f"  {pick.quantity:>3} x {pick.title} ({where})")
    if found.not_looked_at:
        lines += ["", "Not looked at"]
        lines += [f"  {name}: {why}" for name, why in found.not_looked_at.items()]
    return lines
