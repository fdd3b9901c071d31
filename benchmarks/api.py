"""The HTTP API under 32 connections, against a bare application that writes the same rows.

Real servers in processes of their own, real sockets, each change synced to the disk before it is
answered. Rounds of fluebook and of the floor take turns, and the best of each count: a busy
neighbour only ever slows one down. Two workers can scale only where the machine has cores for both
and for the client: with fewer than four the figure informs.
"""

from __future__ import annotations

import json
import os
import random
import shutil
import tempfile
from collections.abc import Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import Any

from api.posted_visit import posted_visit
from benchmarks import AtLeast
from benchmarks._http import Load, load, request
from benchmarks._serving import Server, serving
from benchmarks.validator import RATES
from ingest.documents import boiler_from
from ingest.identifiers import new_id
from ingest.intake import Intake
from ingest.store import Book

CONNECTIONS = 32
ROUNDS = 3
POSTS, GETS = 200, 1500
BOILERS, EARLIER = 20, 5
_Row = tuple[str, float, float | None, str]


def visit_body(rng: random.Random, boiler: str, day: int) -> dict[str, Any]:
    """Return a visit with twelve readings: six rates as found and as left."""
    return {
        "boiler_id": boiler,
        "started": f"2026-{1 + day // 28:02d}-{1 + day % 28:02d}T08:00:00+00:00",
        "technician": "T. Hale",
        "adjusted": True,
        "units": {"temperature": "degC"},
        "instrument": {"name": "A-1", "calibrated": "2026-01-10"},
        "readings": [
            {
                "phase": phase,
                "firing_rate": rate,
                "time": f"2026-{1 + day // 28:02d}-{1 + day % 28:02d}T08:{n:02d}:00+00:00",
                "values": {
                    "o2_dry": round(4.5 + rng.uniform(-0.2, 0.2), 2),
                    "co2_dry": round(9.3 + rng.uniform(-0.1, 0.1), 2),
                    "co_dry": rng.randint(5, 30),
                    "nox_dry": rng.randint(36, 44),
                    "stack_temperature": round(120 + 0.6 * rate + rng.uniform(-1, 1), 1),
                    "combustion_air_temperature": round(20.0 + rng.uniform(-1, 1), 1),
                },
            }
            for n, (phase, rate) in enumerate(
                (p, r) for p in ("as_found", "as_left") for r in RATES
            )
        ],
    }


def _seeded(path: Path, rng: random.Random) -> tuple[list[str], list[str]]:
    """Fill a book with boilers that have earlier visits; return boilers and open visits."""
    boilers, visits = [], []
    targets = [
        {"firing_rate": r, "o2_dry": {"low": 3.3, "aim": 4.5, "high": 5.7}} for r in (20.0, 100.0)
    ]
    with Book(path, durable=False) as book:
        intake = Intake(book)
        for n in range(BOILERS):
            document = {
                "id": str(new_id()),
                "name": f"B-{n}",
                "fuel": "natural_gas",
                "units": {"temperature": "degC"},
                "limits": {"targets": targets, "stack_temperature_max": 220},
            }
            boilers.append(str(intake.put_boiler(boiler_from(document), "bench").document.id))
            for day in range(EARLIER + 1):
                posted = posted_visit(visit_body(rng, boilers[-1], day))
                taken = intake.take_visit(posted.visit, posted.readings or (), "bench")
                identity = taken.kept.document.id
                assert identity is not None
                if day < EARLIER:
                    intake.hand_in(identity, "bench")
                else:
                    visits.append(str(identity))
    return boilers, visits


class _Side:
    """One server under load: its best round, and what it took of the processor."""

    def __init__(self, servers: Sequence[Server]) -> None:
        self.servers = servers
        self.best: Load | None = None
        self.all: list[float] = []
        self.processor = 0.0
        self.count = 0

    def round(self, requests: Sequence[bytes], expected: int) -> None:
        before = [s.processor_seconds() or 0.0 for s in self.servers]
        done = load([s.port for s in self.servers], requests, CONNECTIONS, expected)
        after = [s.processor_seconds() or 0.0 for s in self.servers]
        self.processor += sum(after) - sum(before)
        self.count += len(requests)
        self.all += done.each
        if self.best is None or done.rate > self.best.rate:
            self.best = done

    @property
    def rate(self) -> float:
        assert self.best is not None
        return self.best.rate

    @property
    def milliseconds(self) -> float:
        return 1e3 * self.processor / self.count


def run() -> list[_Row]:
    """Return ratios of requests per second, spread of times, and scaling by a second worker."""
    rng = random.Random(12)
    with tempfile.TemporaryDirectory() as folder, ExitStack() as stack:
        own_book, bare_book = Path(folder) / "own.db", Path(folder) / "bare.db"
        boilers, visits = _seeded(own_book, rng)
        shutil.copy(own_book, bare_book)
        own = stack.enter_context(serving("own", own_book, visits[0]))
        bare = stack.enter_context(serving("bare", bare_book, visits[0]))
        second = stack.enter_context(serving("own", own_book, visits[0]))
        post, post_floor = _Side([own]), _Side([bare])
        get, get_floor, both = _Side([own]), _Side([bare]), _Side([own, second])
        for _ in range(ROUNDS):
            bodies = [
                request("POST", "/v1/visits", json.dumps(visit_body(rng, b, 40)).encode())
                for b in (boilers * POSTS)[:POSTS]
            ]
            post.round(bodies, 201)
            post_floor.round(bodies, 201)
            reads = [request("GET", f"/v1/visits/{v}") for v in (visits * GETS)[:GETS]]
            get.round(reads, 200)
            get_floor.round(reads, 200)
            both.round(reads, 200)
    assert post.best is not None and get.best is not None and post_floor.best is not None
    cores = os.cpu_count() or 1
    scaling = AtLeast(1.7) if cores >= 4 else None
    return [
        ("POST of a visit with 12 readings over the bare one",
         post.rate / post_floor.rate, AtLeast(0.5), "of its requests/s"),
        ("POST, p99 over p50 at 32 connections",
         post.best.share(0.99) / post.best.share(0.5), 4.0, "times"),
        ("GET of a visit over a bare one", get.rate / get_floor.rate, AtLeast(0.6),
         "of its requests/s"),
        ("GET, p99 over p50 at 32 connections",
         get.best.share(0.99) / get.best.share(0.5), 4.0, "times"),
        ("GET with two workers over one", both.rate / get.rate, scaling, "times"),
        ("POST", post.rate, None, "requests/s"),
        ("POST, bare", post_floor.rate, None, "requests/s"),
        ("POST, p50", 1e3 * post.best.share(0.5), None, "ms"),
        ("POST, p99", 1e3 * post.best.share(0.99), None, "ms"),
        ("POST, processor", post.milliseconds, None, "ms"),
        ("POST, bare, processor", post_floor.milliseconds, None, "ms"),
        ("GET", get.rate, None, "requests/s"),
        ("GET, bare", get_floor.rate, None, "requests/s"),
        ("GET, p50", 1e3 * get.best.share(0.5), None, "ms"),
        ("GET, p99", 1e3 * get.best.share(0.99), None, "ms"),
        ("GET, processor", get.milliseconds, None, "ms"),
        ("GET, bare, processor", get_floor.milliseconds, None, "ms"),
    ]  # fmt: skip
