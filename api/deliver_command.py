"""``fluebook deliver``: deliver webhooks and mail of a book, beside a server or instead of its own.

Exit statuses: 0 done; 2 the book cannot be used; 64 wrong usage.
"""

from __future__ import annotations

import asyncio
import getpass
import time
from pathlib import Path
from typing import Annotated

import typer

from ingest.command_options import BookFile

UNUSABLE, WRONG_USAGE = 2, 64


def deliver(
    book: BookFile = Path("fluebook.db"),
    once: Annotated[bool, typer.Option("--once", help="Try what is due now, then end.")] = False,
    replay: Annotated[
        str | None,
        typer.Option(help="First set a dead letter on its way again: its delivery's id, or all."),
    ] = None,
    discard: Annotated[
        str | None,
        typer.Option(help="Only take a dead letter off the list: its delivery's id, or all."),
    ] = None,
    why: Annotated[str, typer.Option(help="Why it is discarded; kept in the trail.")] = "",
    dead: Annotated[bool, typer.Option("--dead", help="Only list the dead letters.")] = False,
) -> None:
    """Deliver what waits in the outbox; list, replay and discard what was given up."""
    from uuid import UUID

    from api.notify import Courier, courier_of
    from api.settings import settings_from_environment
    from ingest.intake import Intake
    from ingest.store import Book, BookError

    if not book.is_file():
        typer.echo(f"{book}: there is no such book", err=True)
        raise typer.Exit(UNUSABLE)
    try:
        settings = settings_from_environment()
        chosen = None if replay in (None, "all") else UUID(replay)
        unwanted = None if discard in (None, "all") else UUID(discard)
        if discard is not None and not why.strip():
            raise ValueError("--discard needs --why: say why it is discarded")
    except ValueError as error:
        typer.echo(str(error), err=True)
        raise typer.Exit(WRONG_USAGE) from error
    try:
        with Book(book) as opened:
            intake = Intake(opened)
            if dead:
                _list_dead(intake)
                return
            if discard is not None:
                who = getpass.getuser()
                if unwanted is None:
                    typer.echo(f"discarded: {intake.discard_deliveries(who, why)}")
                else:
                    intake.discard_delivery(unwanted, who, why)
                return
            if chosen is not None:
                intake.replay_delivery(chosen, getpass.getuser())
            elif replay == "all":
                typer.echo(f"set on their way: {intake.replay_deliveries(getpass.getuser())}")
            if once:
                tries = asyncio.run(Courier(intake, settings).once())
                counts = intake.delivery_counts()
                typer.echo(
                    f"tries: {tries}; waiting: {counts['waiting']}, "
                    f"delivered: {counts['delivered']}, dead: {counts['dead']}"
                )
                return
            with courier_of(intake, settings):
                while True:
                    time.sleep(3600)
    except BookError as error:
        typer.echo(str(error), err=True)
        raise typer.Exit(UNUSABLE) from error


def _list_dead(intake: object) -> None:
    from ingest.intake import Intake

    assert isinstance(intake, Intake)
    last = None
    while True:
        page = intake.deliveries(state="dead", before=last, most=100)
        for one in page:
            typer.echo(f"{one.id}  {one.made_at}  {one.event}  {one.recipient}  {one.why}")
        if len(page) < 100:
            return
        last = page[-1].id
