"""A server killed with SIGKILL loses no event: whatever was in the outbox arrives afterwards."""

from __future__ import annotations

import http.client
import json
import time
from collections.abc import Callable
from pathlib import Path
from urllib.parse import urlsplit
from uuid import UUID

import pytest
from typer.testing import CliRunner

from api.command import main
from ingest.identifiers import new_id
from ingest.intake import Intake
from ingest.models import Visit
from ingest.store import Book
from ingest.store.webhooks import Subscription
from tests.api.notify.receiver import Receiver
from tests.serving import killed, started

ENVIRONMENT = {"FLUEBOOK_WEBHOOK_ALLOW_PRIVATE": "yes", "FLUEBOOK_WEBHOOK_TIMEOUT_S": "2"}


def hand_in(address: str, visit: UUID) -> None:
    where = urlsplit(address)
    connection = http.client.HTTPConnection(str(where.hostname), where.port, timeout=30)
    body = json.dumps({"who": "J. Harrow"})
    headers = {"content-type": "application/json"}
    connection.request("POST", f"/v1/visits/{visit}/hand-in", body, headers)
    assert connection.getresponse().status == 200
    connection.close()


def eventually(true: Callable[[], bool], seconds: float) -> None:
    until = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < until, "did not happen in time"
        time.sleep(0.05)


def ready(path: Path, url: str, count: int) -> tuple[str, list[UUID]]:
    ids = [new_id() for _ in range(count)]
    with Book(path) as book:
        _, secret = Intake(book).add_webhook(Subscription(url, "", ("visit.handed_in",)), "A")
        for one in ids:
            Intake(book).put_visit(Visit(id=one), "J. Harrow")
    return secret, ids


def test_a_server_killed_before_or_during_a_try_loses_no_event(tmp_path: Path) -> None:
    path = tmp_path / "book.db"
    with Receiver(hang_s=1.5) as there:
        secret, visits = ready(path, there.url, 3)
        server, address = started(path, "--alone", **ENVIRONMENT, FLUEBOOK_DELIVER="no")
        for one in visits:
            hand_in(address, one)
        killed(server)  # before anything was sent
        assert there.seen == []
        server, _ = started(path, "--alone", **ENVIRONMENT)
        eventually(lambda: len(there.seen) == 1, 30)
        killed(server)  # the receiver has it, and nobody wrote that down
        there.hang_s = 0.0
        server, _ = started(path, "--alone", **ENVIRONMENT)
        try:
            # The claim of the killed server has to run out first.
            eventually(lambda: len(there.seen) == 4, 40)
        finally:
            killed(server)
        first = there.seen[0]
        again = [r for r in there.seen[1:] if r.message_id == first.message_id]
        assert [r.body for r in again] == [first.body]
        got = [UUID(r.verified(secret)["data"]["visit_id"]) for r in there.seen[1:]]
    assert sorted(got) == sorted(visits)


def test_the_command_delivers_once_lists_and_replays(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "book.db"
    for name, value in ENVIRONMENT.items():
        monkeypatch.setenv(name, value)

    def deliver(*given: str) -> str:
        done = CliRunner().invoke(main, ["deliver", "--book", str(path), *given])
        assert done.exit_code == 0, done.output
        return done.output

    with Receiver(answers=[410]) as there:
        _, visits = ready(path, there.url, 1)
        with Book(path) as book:
            Intake(book).hand_in(visits[0], "J. Harrow")
        assert "dead: 1" in deliver("--once")
        assert "visit.handed_in" in deliver("--dead")
        with Book(path) as book:
            intake = Intake(book)
            (hook,) = intake.webhooks()
            intake.change_webhook(hook.id, Subscription(there.url, "", hook.asked.events), "A")
        assert "delivered: 1, dead: 0" in deliver("--replay", "all", "--once")


@pytest.mark.parametrize("given", [["--replay", "nonsense"], ["--no-such-option"]])
def test_wrong_usage_of_the_command_ends_with_64(tmp_path: Path, given: list[str]) -> None:
    with Book(tmp_path / "book.db"):
        pass
    asked = ["deliver", "--book", str(tmp_path / "book.db"), *given]
    assert CliRunner().invoke(main, asked).exit_code == 64


def test_a_book_that_is_not_there_is_said(tmp_path: Path) -> None:
    done = CliRunner().invoke(main, ["deliver", "--book", str(tmp_path / "none.db")])
    assert done.exit_code == 2
