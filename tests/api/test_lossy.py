"""Visits posted over a bad link to a server that is killed: each there once, identical, verified.

A fifth of all messages is dropped before or after it arrives, doubled, delayed, or comes again
later, behind newer ones. The program in between is the shipped client; the server is the shipped
command on a book of its own, killed with SIGKILL at moments of no choosing.
"""

from __future__ import annotations

import contextlib
import os
import random
import signal
import socket
import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import Any

import httpx
import pytest

from fluebook import Client, Unreachable
from ingest.identifiers import new_id
from ingest.store import verify_file
from tests.api.conftest import BOILER

TROUBLED = 0.2


class BadLink(httpx.HTTPTransport):
    """Loses, doubles, delays and reorders messages, by a seed."""

    def __init__(self, seed: int) -> None:
        super().__init__()
        self._chance = random.Random(seed)
        self._late: list[httpx.Request] = []
        self.troubled = 0

    def handle_request(self, request: httpx.Request) -> httpx.Response:
        if self._late and self._chance.random() < 0.3:
            # An old message arrives now, behind newer ones; nobody waits for its answer.
            self._quietly(self._late.pop(0))
        if self._chance.random() >= TROUBLED:
            return super().handle_request(request)
        self.troubled += 1
        kind = self._chance.choice(("lost", "unanswered", "doubled", "slow", "late"))
        if kind == "lost":
            raise httpx.ConnectError("lost", request=request)
        if kind == "slow":
            time.sleep(self._chance.uniform(0.0, 0.05))
        if kind == "doubled":
            self._quietly(request)
        if kind in ("unanswered", "late"):
            self._quietly(request)
            if kind == "late":
                self._late.append(request)
            raise httpx.ReadError("the answer was lost", request=request)
        return super().handle_request(request)

    def _quietly(self, request: httpx.Request) -> None:
        with contextlib.suppress(httpx.TransportError):
            response = super().handle_request(request)
            response.read()
            response.close()


class Server:
    """The shipped server on one port, killed and started again."""

    def __init__(self, book: Path) -> None:
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            self.port = free.getsockname()[1]
        self._book = book
        self.kills = 0
        self._ended = threading.Event()
        self._program = self._start()

    def _start(self) -> subprocess.Popen[bytes]:
        command = [str(Path(sys.executable).with_name("fluebook")), "serve", "--alone"]
        return subprocess.Popen(
            [*command, "--book", str(self._book), "--port", str(self.port)],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            env={**os.environ, "FLUEBOOK_LOG_LEVEL": "error"},
        )

    @property
    def address(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def wait(self) -> None:
        for _ in range(600):
            with contextlib.suppress(httpx.TransportError):
                if httpx.get(f"{self.address}/readyz", timeout=2).status_code == 200:
                    return
            time.sleep(0.05)
        raise AssertionError("the server does not come up")

    def kill_now_and_then(self, times: int, chance: random.Random) -> None:
        while self.kills < times and not self._ended.is_set():
            self.wait()
            if self._ended.wait(chance.uniform(0.05, 0.6)):
                return
            self._program.send_signal(signal.SIGKILL)
            self._program.wait()
            self.kills += 1
            self._program = self._start()

    def end(self) -> None:
        self._ended.set()

    def stop(self) -> None:
        self._program.kill()
        self._program.wait()


def document_of(number: int, boiler: str) -> dict[str, Any]:
    return {
        "boiler_id": boiler,
        "started": f"2026-11-02T08:{number % 60:02d}:00+00:00",
        "adjusted": False,
        "technician": f"technician {number}",
        "readings": [
            {
                "id": str(new_id()),
                "values": {
                    "o2_dry": 3.0 + rate / 50,
                    "co_dry": 20 + number % 7,
                    "stack_temperature": {"value": 300 + rate, "unit": "degF"},
                },
                "firing_rate": rate,
                "phase": "as_left",
            }
            for rate in (100, 75, 50, 25)
            for _ in range(3)
        ],
    }


def posted_over_a_bad_link(folder: Path, visits: int, kills: int, seed: int) -> str:
    server = Server(folder / "book.db")
    link = BadLink(seed)
    try:
        server.wait()
        sent: dict[str, dict[str, Any]] = {}
        with httpx.Client(transport=link, timeout=20) as http:
            client = Client(server.address, "tablet", http=http, wait=lambda _: time.sleep(0.02))

            def insist(call: Any, *given: Any) -> Any:
                for _ in range(2000):
                    try:
                        return call(*given)
                    except Unreachable:
                        time.sleep(0.05)
                raise AssertionError("never through")

            boiler = str(new_id())
            insist(client.put_boiler, {**BOILER, "id": boiler})
            killer = threading.Thread(
                target=server.kill_now_and_then, args=(kills, random.Random(seed + 1))
            )
            killer.start()
            number = 0
            while number < visits or server.kills < kills:
                identity = str(new_id())
                sent[identity] = document_of(number, boiler)
                insist(client.put_visit, {**sent[identity], "id": identity})
                number += 1
            server.end()
            killer.join()
        server.wait()
        clean = httpx.Client(timeout=20)
        with Client(server.address, "office", http=clean) as office:
            there = list(office.all("visits", "visits", fields="id"))
            assert sorted(v["id"] for v in there) == sorted(sent)
            for identity, document in sent.items():
                whole = office.visit(identity)
                assert whole["visit"]["technician"] == document["technician"]
                rows = list(office.all("readings", "readings", visit_id=identity))
                assert [r["id"] for r in rows] == [r["id"] for r in document["readings"]]
                assert [r["values"]["o2_dry"] for r in rows] == [
                    r["values"]["o2_dry"] for r in document["readings"]
                ]
                assert whole["version"] == 1, "a repeat changed something"
        clean.close()
    finally:
        server.end()
        server.stop()
    assert verify_file(folder / "book.db") == []
    return f"{len(sent)} visits, {server.kills} kills, {link.troubled} messages troubled"


def test_visits_over_a_bad_link_to_a_server_that_is_killed(tmp_path: Path) -> None:
    assert posted_over_a_bad_link(tmp_path, visits=40, kills=2, seed=20261102)


@pytest.mark.soak
def test_two_thousand_visits_and_fifty_kills(tmp_path: Path) -> None:
    print(posted_over_a_bad_link(tmp_path, visits=2000, kills=50, seed=20261103))
