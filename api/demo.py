"""``fluebook demo``: the invented cooperative in a book of its own, shown at one address."""

from __future__ import annotations

import secrets
import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from api.serve import DEFAULT_PORT, LOOPBACK, OWN_NAMES, address_of, open_socket, server_over
from ingest.command_options import Port

if TYPE_CHECKING:
    from collections.abc import Callable

    from fastapi import FastAPI

    from ingest.intake import Intake
    from ingest.store.accounts import Role

REVIEWER = "A. Merrow"
OTHERS: tuple[tuple[str, Role], ...] = (("M. Tarrant", "technician"), ("L. Sorrel", "reviewer"))


class _Moment:
    """A clock that is set by hand, so that the demo's trail tells its three years."""

    def __init__(self) -> None:
        self.at = datetime(2023, 1, 9, 8, tzinfo=UTC)

    def __call__(self) -> datetime:
        self.at += timedelta(seconds=1)
        return self.at


def fill(intake: Intake, moment: Callable[[datetime], None] | None = None) -> None:
    """Bring the cooperative's three years into a book, by the door that everyone uses.

    Parameters
    ----------
    intake : Intake
        Of an empty book.
    moment : callable or None
        Told the time of each visit before it is brought in, for a book with a clock of its own.
    """
    from api.report.from_book import signing
    from ingest.intake import Statement
    from ingest.service.plans import read_plans
    from samples.cooperative import COMPANY, fleet, sites, visits
    from samples.service import PLAN_FOLDER
    from samples.visit_log import waiting_log

    for plan in read_plans(PLAN_FOLDER).values():
        intake.put_plan(plan, REVIEWER)
    for site in sites():
        intake.put_site(site, REVIEWER)
    for unit in fleet():
        intake.put_boiler(unit.boiler, REVIEWER)
    for _, made in visits():
        visit = made.visit
        if visit.id is None or visit.started is None:
            raise ValueError("a demo visit has its id and its time")
        if moment is not None:
            moment(visit.started)
        intake.put_visit(visit, made.technician)
        for file in made.files:
            statement = Statement(rates=file.rates, phase=file.phase)
            intake.add_file(visit.id, file.data, file.name, made.technician, statement=statement)
        if made.handed_in:
            if moment is not None:
                moment(visit.ended or visit.started)
            # Those that wait are signed as a page does; the older ones spare the demo the seconds.
            sign = (
                None
                if made.accepted
                else signing(intake, visit.id, intake.plans(), company=COMPANY)
            )
            intake.hand_in(visit.id, made.technician, sign=sign)
        if made.accepted:
            if moment is not None:
                moment(visit.started + timedelta(days=3))
            # Accepted long ago: whoever accepted it had also taken its stop, where it had one.
            if any(stop.visit_id == visit.id for stop in intake.standing_stops()):
                intake.take_stop(visit.id, REVIEWER, "looked through")
            intake.accept(visit.id, REVIEWER, "looked through")
    # The one visit that is still open has a log whose cut nobody has looked at.
    visit_id, saved, technician = waiting_log()
    intake.add_log(visit_id, saved.data, saved.name, technician)


def open_entry(app: FastAPI, password: str) -> str:
    """Make the demo's accounts and return the path that lets a visitor in as its reviewer.

    It works as long as this demo runs, on this machine only; a book of an office has no such path.
    """
    from starlette.exceptions import HTTPException
    from starlette.requests import Request
    from starlette.responses import Response

    from api.accounts import Desk, tokens
    from api.pages.sign_in import let_in

    desk: Desk = app.state.desk
    made = []
    everyone: tuple[tuple[str, Role], ...] = ((REVIEWER, "administrator"), *OTHERS)
    for name, role in everyone:
        _, token = desk.add_account(name, role, "demo")
        made.append(desk.use_link(token, password))
    key = tokens.new_token()

    def enter(request: Request) -> Response:
        if not secrets.compare_digest(request.path_params["token"].encode(), key.encode()):
            raise HTTPException(404, "This demo has another address.")
        return let_in(request, desk.begin_session(made[0]), "/")

    app.add_route("/enter/{token}", enter)
    return f"enter/{key}"


def demo(
    port: Port = DEFAULT_PORT,
    no_serve: Annotated[
        bool, typer.Option("--no-serve", "--once", help="Make the book, say what is in it, end.")
    ] = False,
    alone: Annotated[
        bool, typer.Option("--alone", help="Nobody signs in: let anyone at this machine in.")
    ] = False,
) -> None:
    """Make the invented cooperative's book in a temporary place and show its review list."""
    begun = time.perf_counter()
    from ingest.intake import Intake
    from ingest.store import Book
    from samples.cooperative import COMPANY

    with tempfile.TemporaryDirectory(prefix="fluebook-demo-") as folder:
        clock = _Moment()

        def moment(at: datetime) -> None:
            clock.at = at

        with Book(Path(folder) / "demo.db", clock=clock, durable=False) as book:
            intake = Intake(book)
            fill(intake, moment)
            # Whatever is done on the pages from here on happens now.
            clock.at = datetime.now(UTC)
            counts = intake.counts()
            flagged = sum(n for severity, n in counts.items() if severity not in (None, "info"))
            took = time.perf_counter() - begun
            typer.echo(
                f"{COMPANY}, invented: {flagged} visits are flagged and wait for review, "
                f"{counts.get('stop', 0)} with a stop. Made in {took:.1f} s, deleted at the end."
            )
            if not no_serve:
                _show(intake, port, COMPANY, alone)


def _show(intake: Intake, port: int, company: str, alone: bool) -> None:
    from api.accounts import tokens
    from api.app import create_app
    from api.settings import Settings

    try:
        listening = open_socket(LOOPBACK, port)
    except OSError:
        # The usual port is taken, perhaps by another demo: any free one does as well.
        listening = open_socket(LOOPBACK, 0)
    app = create_app(intake, Settings(company=company, hosts=OWN_NAMES, alone=alone))
    if alone:
        typer.echo(f"Open {address_of(listening)}   (Ctrl+C ends it)")
    else:
        password = tokens.new_token()[:12]
        entry = open_entry(app, password)
        typer.echo(
            f"Open {address_of(listening)}{entry}   (Ctrl+C ends it)\n"
            f"It lets you in as {REVIEWER}, who administers. To see what others see, sign out and "
            f"in as {' or '.join(f'{n} ({role})' for n, role in OTHERS)}; password {password}"
        )
    server_over(app).run(sockets=[listening])
