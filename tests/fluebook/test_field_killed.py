"""`fluebook send` killed in the middle: afterwards each thing is at the office exactly once."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import threading
from pathlib import Path
from typing import Any

from ingest.intake import Intake
from ingest.store import Book
from tests.fluebook.field_case import (
    PERSON,
    hand_in_signed,
    opened_visit,
    reading,
    running_office,
    same,
    with_everything,
)

KILLS = 3
COMMAND = "import sys; from api.command import main; main()"


class Killing:
    """An office whose caller is killed at a request: before it is done, or before its answer."""

    def __init__(self, chance: random.Random) -> None:
        self.chance = chance
        self.caller: subprocess.Popen[bytes] | None = None
        self.after = 0
        self.kills = 0
        self.lock = threading.Lock()

    def aim(self, caller: subprocess.Popen[bytes]) -> None:
        with self.lock:
            self.caller, self.after = caller, self.chance.randint(1, 14)

    def kill(self) -> None:
        assert self.caller is not None
        os.kill(self.caller.pid, signal.SIGKILL)
        self.kills += 1
        self.caller = None

    def __call__(self, app: Any) -> Any:
        async def wrapped(scope: Any, receive: Any, send: Any) -> None:
            early = late = False
            if scope["type"] == "http":
                with self.lock:
                    self.after -= 1
                    if self.caller is not None and self.after == 0:
                        early = self.chance.random() < 0.3
                        late = not early
                    if early:
                        self.kill()
            if not late:
                await app(scope, receive, send)
                return

            async def unheard(message: Any) -> None:
                with self.lock:
                    if self.caller is not None:
                        self.kill()
                await send(message)

            await app(scope, receive, unheard)

        return wrapped


def test_sending_that_is_killed_again_and_again_brings_each_thing_once(tmp_path: Path) -> None:
    chance = random.Random(20261102)
    killing = Killing(chance)
    with Book(tmp_path / "field.db") as book:
        field = Intake(book)
        visit_id = with_everything(field)
        hand_in_signed(field, visit_id)
        other = opened_visit(field)
        assert field.add_readings(other, [(other, reading(4.4))], PERSON)
        with running_office(tmp_path / "office.db", wrapped=killing) as office:
            command = [sys.executable, "-c", COMMAND, "send", "--office", office.address]
            command += ["--book", str(tmp_path / "field.db"), "--who", PERSON]
            environment = {**os.environ, "FLUEBOOK_KEY": office.secret}

            def sent(kill: bool) -> subprocess.Popen[bytes]:
                running = subprocess.Popen(command, env=environment, stdout=subprocess.PIPE)
                if kill:
                    killing.aim(running)
                running.communicate(timeout=120)
                return running

            for _ in range(KILLS):
                sent(kill=True)
            killing.caller = None
            assert killing.kills >= KILLS - 1, "the office was hardly asked"
            assert sent(kill=False).returncode == 0
            for one in (visit_id, other):
                same(field, office.intake, one)
            assert len(office.intake.jobs()) == len(office.intake.boilers()) // 2 == 1
            actions = [line["action"] for line in office.intake.trail(visit_id)]
            assert actions.count("visit_opened") == actions.count("handed_in") == 1
            assert actions.count("file_added") == 3
            assert actions.count("photo_added") == actions.count("cut_confirmed") == 1
            assert actions.count("reading_superseded") == 4
            before = len(office.intake.trail_lines(most=10_000))
            assert sent(kill=False).returncode == 0
            assert len(office.intake.trail_lines(most=10_000)) == before
