"""A program killed while it takes a file in leaves the whole change, or none of it."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path
from uuid import UUID

from ingest.intake import Intake
from ingest.store import Book, verify_file
from tests.ingest.books import open_book, with_boiler, with_visit

ROWS = 400
_TAKER = """
import sys
from pathlib import Path
from uuid import UUID
from ingest.intake import Intake, Statement
from ingest.store import Book
book = Book(Path(sys.argv[1]))
intake = Intake(book)
print("ready", flush=True)
for n, line in enumerate(sys.stdin):
    visit = UUID(line.strip())
    body = "Load [%];O2 [%];CO [ppm]\\n" + "".join(
        f"100;{4 + (n + k) % 9 / 10:.1f};{10 + (n * 7 + k) % 30}\\n" for k in range(ROWS)
    )
    intake.add_file(
        visit, body.encode(), "log.csv", "t", statement=Statement(phase="as_left")
    )
    intake.hand_in(visit, "t")
    print("taken", flush=True)
"""


def test_killed_many_times_no_visit_is_half_there(tmp_path: Path) -> None:
    with open_book(tmp_path) as book:
        intake = Intake(book)
        boiler = with_boiler(intake)
        visits = [with_visit(intake, boiler) for _ in range(120)]
    path = tmp_path / "book.db"
    chance = random.Random(20260304)
    waiting = list(visits)
    said_taken: list[UUID] = []
    kills = 0
    while kills < 6 and waiting:
        code = _TAKER.replace("ROWS", str(ROWS))
        with subprocess.Popen(
            [sys.executable, "-c", code, str(path)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        ) as program:
            assert program.stdin is not None and program.stdout is not None
            assert program.stdout.readline() == "ready\n"
            for _ in range(chance.randint(1, 4)):
                program.stdin.write(f"{waiting[0]}\n")
                program.stdin.flush()
                assert program.stdout.readline() == "taken\n"
                said_taken.append(waiting.pop(0))
            # One more, and in the midst of it the end.
            program.stdin.write(f"{waiting.pop(0)}\n")
            program.stdin.flush()
            time.sleep(chance.uniform(0.0, 0.06))
            os.kill(program.pid, signal.SIGKILL)
            kills += 1
            program.wait()
            assert program.returncode == -signal.SIGKILL
    assert verify_file(path) == []
    whole = 0
    with Book(path) as book:
        intake = Intake(book)
        for visit in visits:
            view = intake.visit(visit)
            readings, files, points = len(view.readings), len(view.attachments), len(view.points)
            assert (readings, files, points) in ((0, 0, 0), (ROWS, 1, 1))
            whole += readings == ROWS
            if view.state == "handed_in":
                assert readings == ROWS
                assert [j.kind for j in view.judgements][-1] == "hand_in"
        # What was answered as taken is there: the answer came after the sync.
        assert all(intake.visit(v).state == "handed_in" for v in said_taken)
    assert whole >= len(said_taken)


def test_a_process_killed_inside_a_change_leaves_nothing_of_it(tmp_path: Path) -> None:
    with open_book(tmp_path) as book:
        path = book.path
    code = """
import os, signal, sys
from pathlib import Path
from uuid import uuid4
from ingest.models import Site
from ingest.store import Book, places
book = Book(Path(sys.argv[1]))
with book.change("t") as change:
    for n in range(2000):
        places.put_site(change, Site(id=uuid4(), name=f"site {n}"), "", None)
    os.kill(os.getpid(), signal.SIGKILL)
"""
    done = subprocess.run([sys.executable, "-c", code, str(path)], check=False)
    assert done.returncode == -signal.SIGKILL
    assert verify_file(path) == []
    with Book(path) as book:
        assert Intake(book).sites() == []
