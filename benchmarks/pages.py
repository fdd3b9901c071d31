"""The pages on a book of 100,000 visits: a real server, beside the bare queries of each page.

Page by page the server is asked one request at a time, in three ways: a page made anew (a part of
the address that nobody reads makes it another page), the same page once more, and once more after
another program has changed the book elsewhere. In between the statements that the page sent to the
book run alone, and their rows are fetched, over a new connection of the same kind. A page may take
three times its bare queries; one made anew ``FLOOR_S`` where that is more, and never more than
``MEDIAN_S``. How many take the server itself (without its client and the line between) over three
times when made anew is told. The first answer, which may fill what
the program keeps, is told apart; so are the opening of the visits of the list one after the other,
each for the first time, pages for a reader who is held to every other site, and pages that are
made anew for several readers at once. What a page with its styles and scripts weighs is counted as
sent, compressed. Where Chromium is installed, it tells when these pages and those of the demo can
be used.
"""

from __future__ import annotations

import gzip
import http.client
import re
import secrets
import sqlite3
import statistics
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing, contextmanager
from itertools import count
from pathlib import Path
from time import perf_counter
from typing import NamedTuple
from uuid import UUID

from starlette.testclient import TestClient

from api.accounts import Desk
from api.app import create_app
from api.settings import Settings
from benchmarks._interactive import interactive
from benchmarks._serving import serving
from ingest.intake import Intake
from ingest.store import Book
from tests.big_book import big_book
from tests.browser import running_demo

ROUNDS = 21
READERS = 8
_EACH = 3
"""How often each of several readers asks for each page."""
# A page that takes longer than this is asked three times only.
SLOW_S = 1.0
# What a page may take beside its queries where those take next to nothing: its words are made anew
# for each reader. Below this the ratio says nothing but how fast an index is.
FLOOR_S = 0.010
MEDIAN_S = 0.050
TIMES = 3.0
NEXT_MS = 100.0
_READS = ("SELECT", "WITH")
_Row = tuple[str, float, float | None, str]
_INSIDE = re.compile(r"app;dur=([0-9.]+)")
_anew = count()


class _Traced(Book):
    """A book that tells the statements sent to it."""

    told: list[str] | None = None

    def _connect(self, kind: type[sqlite3.Connection] = sqlite3.Connection) -> sqlite3.Connection:
        connection = super()._connect(kind)
        connection.set_trace_callback(self._tell)
        return connection

    def _tell(self, statement: str) -> None:
        if self.told is not None and statement.lstrip().upper().startswith(_READS):
            self.told.append(statement)


def main_pages(book: Path) -> dict[str, str]:
    """Return the main pages by name, of the newest visit and its boiler."""
    with closing(sqlite3.connect(book)) as sql:
        visit, boiler = sql.execute(
            "SELECT id, boiler_id FROM visit WHERE state = 'handed_in' ORDER BY started DESC"
        ).fetchone()
    return {
        "review list": "/",
        "review list, stops": "/?severity=stop",
        "review list, search": "/?text=boiler",
        "visit": f"/visits/{visit}",
        "boilers": "/boilers",
        "boiler's life": f"/boilers/{boiler}",
        "limits": f"/boilers/{boiler}/limits",
        "fleet": "/fleet",
        "accept together": "/accept-together",
        "duty": "/duty",
        "audit": "/audit",
        "plans": "/plans",
        "maps": "/maps",
        "help": "/help",
    }


def _anew_at(path: str) -> str:
    """Return the address of a page as one that was never asked for."""
    return f"{path}{'&' if '?' in path else '?'}anew={next(_anew)}"


class _Answer(NamedTuple):
    """What a request took its client and, where it is told, the application; and what came."""

    took_s: float
    inside_s: float
    body: bytes


def _asked(connection: http.client.HTTPConnection, path: str, key: str | None = None) -> _Answer:
    headers = {"Accept": "text/html", "Accept-Encoding": "gzip"}
    if key is not None:
        headers["Authorization"] = f"Bearer {key}"
    started = perf_counter()
    connection.request("GET", path, headers=headers)
    answer = connection.getresponse()
    body = answer.read()
    if answer.status != 200:
        raise RuntimeError(f"{path} was answered with {answer.status}")
    took_s = perf_counter() - started
    told = _INSIDE.search(answer.getheader("server-timing", ""))
    return _Answer(took_s, took_s if told is None else float(told[1]) / 1000, body)


def _bare(book: Path, statements: list[str]) -> float:
    with closing(sqlite3.connect(book)) as sql:
        started = perf_counter()
        for statement in statements:
            sql.execute(statement).fetchall()
        return perf_counter() - started


def _change(book: Path) -> None:
    """Write a number of the file's own that no page reads."""
    with closing(sqlite3.connect(book)) as sql:
        sql.execute("PRAGMA synchronous = OFF")
        sql.execute(f"PRAGMA user_version = {next(_anew) + 1}")


def _loaded(connection: http.client.HTTPConnection, page: bytes) -> int:
    """Return the bytes of the styles and scripts that a page names."""
    text = gzip.decompress(page) if page[:2] == b"\x1f\x8b" else page
    named = {m.decode() for m in re.findall(rb'(?:href|src)="(/static/[^"]+)"', text)}
    return sum(len(_asked(connection, path).body) for path in named)


def _next_visits(connection: http.client.HTTPConnection) -> list[_Row]:
    """Return what each visit of the review list takes to open, one after the other."""
    listed = gzip.decompress(_asked(connection, "/").body)
    ids = dict.fromkeys(re.findall(rb'href="/visits/([0-9a-f-]{36})"', listed))
    times = [_asked(connection, f"/visits/{one.decode()}").took_s for one in ids]
    return [
        (f"{len(times)} visits of the list: median", 1e3 * statistics.median(times), NEXT_MS, "ms"),
        (f"{len(times)} visits of the list: slowest", 1e3 * max(times), None, "ms"),
    ]


def _timed(line: http.client.HTTPConnection, path: str, key: str | None = None) -> list[float]:
    """Return what a page takes that is made anew with each request."""
    times = list[float]()
    for n in range(ROUNDS):
        times.append(_asked(line, _anew_at(path), key).took_s)
        if n >= 2 and times[-1] > SLOW_S:
            break
    return times


def _one_page(
    line: http.client.HTTPConnection, book: Path, name: str, path: str, statements: list[str]
) -> tuple[list[_Row], bool]:
    """Return the rows of a page, and whether it kept to the strict bound when made anew."""
    opened = _asked(line, path)
    anew, inside, again, changed, bare = (list[float]() for _ in range(5))
    for n in range(ROUNDS):
        made = _asked(line, _anew_at(path))
        anew.append(made.took_s)
        inside.append(made.inside_s)
        again.append(_asked(line, path).took_s)
        _change(book)
        last = _asked(line, path)
        changed.append(last.took_s)
        bare.append(_bare(book, statements))
        if n >= 2 and made.took_s > SLOW_S:
            break
    made_s, queries = statistics.median(anew), statistics.median(bare)
    inside_s = statistics.median(inside)
    bound = min(max(TIMES * queries, FLOOR_S), MEDIAN_S)
    body = last.body
    first = (len(body) + _loaded(line, body)) / 1000
    rows: list[_Row] = [
        (f"{name}: {len(statements)} bare queries", 1e3 * queries, None, "ms"),
        (f"{name}: made anew, in the server, over them", inside_s / queries, None, "times"),
        (f"{name}: made anew, in the server, median", 1e3 * inside_s, None, "ms"),
        (f"{name}: made anew, median", 1e3 * made_s, 1e3 * bound, "ms"),
        (f"{name}: made anew, p95", 1e3 * sorted(anew)[int(0.95 * (len(anew) - 1))], None, "ms"),
        (f"{name}: again, median", 1e3 * statistics.median(again), 1e3 * MEDIAN_S, "ms"),
        (f"{name}: again", statistics.median(again) / queries, TIMES, "times"),
        (f"{name}: after a change elsewhere", statistics.median(changed) / queries, TIMES, "times"),
        (f"{name}: first answer", 1e3 * opened.took_s, None, "ms"),
        (f"{name}: first load, without fonts", first, 150.0, "kB"),
        (f"{name}: after", len(body) / 1000, 30.0, "kB"),
    ]
    return rows, inside_s <= TIMES * queries


def _many_readers(port: int, paths: dict[str, str]) -> list[_Row]:
    """Return what pages take that are made anew for several readers at once."""

    def reader(begin: int) -> list[float]:
        asked = [*paths.values()][begin:] + [*paths.values()][:begin]
        with closing(http.client.HTTPConnection("127.0.0.1", port, timeout=300)) as line:
            return [_asked(line, _anew_at(path)).took_s for path in asked * _EACH]

    with ThreadPoolExecutor(READERS) as pool:
        started = perf_counter()
        times = sorted(t for found in pool.map(reader, range(READERS)) for t in found)
        took = perf_counter() - started
    return [
        (
            f"{READERS} readers at once: median of all pages",
            1e3 * times[len(times) // 2],
            None,
            "ms",
        ),
        (f"{READERS} readers at once: p95", 1e3 * times[int(0.95 * (len(times) - 1))], None, "ms"),
        (f"{READERS} readers at once: answers", len(times) / took, None, "pages/s"),
    ]


@contextmanager
def _held_reader(book: Path, visit: str) -> Iterator[str]:
    """Make a key of a reviewer who reaches the visit's site and every other one, until the end."""
    with Book(book, durable=False) as opened:
        desk = Desk(opened)
        intake = Intake(opened)
        sites = [site.id for site in intake.sites() if site.id is not None][::2]
        boiler = intake.visit(UUID(visit)).boiler
        if boiler is not None and boiler.site_id is not None:
            sites.append(boiler.site_id)
        name = f"benchmark {secrets.token_hex(4)}"
        key, secret = desk.add_key(name, "benchmark", role="reviewer", sites=sites)
        try:
            yield secret
        finally:
            desk.revoke_key(key.id, "benchmark")


def _held(book: Path, paths: dict[str, str]) -> list[_Row]:
    """Return what pages made anew take a reader who is held to some of the sites."""
    visit = paths["visit"].rpartition("/")[2]
    rows: list[_Row] = []
    with (
        _held_reader(book, visit) as secret,
        serving("office", book, visit) as server,
        closing(http.client.HTTPConnection("127.0.0.1", server.port, timeout=300)) as line,
    ):
        for name, path in paths.items():
            if name == "audit":
                continue  # for administrators
            _asked(line, path, secret)
            median = 1e3 * statistics.median(_timed(line, path, secret))
            rows.append((f"held to half the sites, {name}: median", median, 1e3 * MEDIAN_S, "ms"))
    return rows


def run(visits: int | None = None) -> list[_Row]:
    """Return for each page its times over its bare queries, its medians, p95 and sizes."""
    book = big_book() if visits is None else big_book(visits)
    rows: list[_Row] = []
    strict = 0
    paths = main_pages(book)
    settings = Settings(alone=True, requests_a_minute=0)
    traced = _Traced(book, durable=False)
    with traced:
        traced_app = TestClient(create_app(Intake(traced), settings))
        shown = paths["visit"].rpartition("/")[2]
        with (
            serving("own", book, shown) as server,
            closing(http.client.HTTPConnection("127.0.0.1", server.port, timeout=300)) as line,
        ):
            rows += _next_visits(line)
            for name, path in paths.items():
                traced.told = []
                traced_app.get(path, headers={"Accept": "text/html"})
                statements, traced.told = traced.told, None
                found, kept_to = _one_page(line, book, name, path, statements)
                rows += found
                strict += not kept_to
            rows.append(
                ("pages made anew that take the server over three times", strict, None, "pages")
            )
            rows += _many_readers(server.port, paths)
            rows += interactive(f"http://127.0.0.1:{server.port}", paths, "Chromium")
    rows += _held(book, paths)
    with running_demo() as demo:
        rows += interactive(demo, None, "demo, Chromium")
    return rows
