"""A program killed while it takes a file in leaves the whole change, or none of it."""

from __future__ import annotations

import os
import random
import signal
import time
from pathlib import Path
from uuid import UUID, uuid4

from ingest.intake import Intake, Statement
from ingest.models import Site
from ingest.store import Book, places, verify_file
from tests.ingest.books import open_book, with_boiler, with_visit

ROWS = 200
KILLS = 40


def _log(number: int) -> bytes:
    rows = (
        f"100;{4 + (number + k) % 9 / 10:.1f};{10 + (number * 7 + k) % 30}" for k in range(ROWS)
    )
    return "\n".join(["Load [%];O2 [%];CO [ppm]", *rows, ""]).encode()


def _take_in(path: Path, visits: list[UUID], taken: int) -> None:
    """Take a log into one visit after the other, and say so after each; never returns."""
    try:
        intake = Intake(Book(path))
        for visit in visits:
            intake.add_file(
                visit, _log(visit.int % 97), "log.csv", "t", statement=Statement(phase="as_left")
            )
            intake.hand_in(visit, "t")
            os.write(taken, visit.bytes)
        time.sleep(60)
    finally:
        os._exit(1)


def test_killed_many_times_no_visit_is_half_there(tmp_path: Path) -> None:
    with open_book(tmp_path) as book:
        intake = Intake(book)
        boiler = with_boiler(intake)
        visits = [with_visit(intake, boiler) for _ in range(KILLS * 3)]
    path = tmp_path / "book.db"
    chance = random.Random(20260304)
    said_taken: set[UUID] = set()
    for kill in range(KILLS):
        given = visits[kill * 3 : kill * 3 + 3]
        reader, writer = os.pipe()
        program = os.fork()
        if program == 0:
            _take_in(path, given, writer)
        os.close(writer)
        # After the first answer, at any moment of what follows; sometimes before it.
        if kill % 4:
            said_taken.add(UUID(bytes=os.read(reader, 16)))
        time.sleep(chance.uniform(0.0, 0.08))
        os.kill(program, signal.SIGKILL)
        _, status = os.waitpid(program, 0)
        assert os.WTERMSIG(status) == signal.SIGKILL
        rest = b"".join(iter(lambda r=reader: os.read(r, 4096), b""))
        os.close(reader)
        said_taken |= {UUID(bytes=rest[n : n + 16]) for n in range(0, len(rest) - 15, 16)}
    assert verify_file(path) == []
    whole = 0
    with Book(path) as book:
        intake = Intake(book)
        for visit in visits:
            view = intake.visit(visit)
            found = (len(view.readings), len(view.attachments), len(view.points))
            assert found in ((0, 0, 0), (ROWS, 1, 1))
            whole += found[1]
            if view.state == "handed_in":
                assert found[1] == 1
                assert view.judgements[-1].kind == "hand_in"
            if found[1]:
                lines = [line["action"] for line in intake.trail(visit)]
                assert lines[:2] == ["visit_opened", "file_added"]
        # What was answered as taken is there: the answer came after the sync.
        assert all(intake.visit(v).state == "handed_in" for v in said_taken)
    assert KILLS / 2 <= len(said_taken) <= whole < len(visits)


def test_a_process_killed_inside_a_change_leaves_nothing_of_it(tmp_path: Path) -> None:
    with open_book(tmp_path) as book:
        path = book.path
    program = os.fork()
    if program == 0:
        try:
            with Book(path).change("t") as change:
                for n in range(2000):
                    places.put_site(change, Site(id=uuid4(), name=f"site {n}"), "", None)
                os.kill(os.getpid(), signal.SIGKILL)
        finally:
            os._exit(1)
    _, status = os.waitpid(program, 0)
    assert os.WTERMSIG(status) == signal.SIGKILL
    assert verify_file(path) == []
    with Book(path) as book:
        assert Intake(book).sites() == []
