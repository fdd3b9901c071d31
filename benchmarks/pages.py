"""The pages on a book of 100,000 visits: a real server, beside the bare queries of each page.

Page by page the server is asked one request at a time; then the statements that the page sent to
the book run alone, and their rows are fetched, over a connection of the same kind. A page may take
three times its bare queries, or ``FLOOR_S`` where that is more, and never more than ``MEDIAN_S``.
The first answer, which may fill what the program keeps, is told apart; so is the opening
of the visits of the list one after the other, each for the first time. What a page with its styles
and scripts weighs is counted as sent, compressed. Where Chromium is installed, it tells when these
pages and those of the demo can be used.
"""

from __future__ import annotations

import gzip
import http.client
import re
import sqlite3
import statistics
from contextlib import closing
from pathlib import Path
from time import perf_counter

from starlette.testclient import TestClient

from api.app import create_app
from api.settings import Settings
from benchmarks._interactive import interactive
from benchmarks._serving import serving
from ingest.intake import Intake
from ingest.store import Book
from tests.big_book import big_book
from tests.browser import running_demo

ROUNDS = 21
# A page that takes longer than this is asked three times only.
SLOW_S = 1.0
# What a page may take beside its queries where those take next to nothing: its words are made anew
# for each reader. Below this the ratio says nothing but how fast an index is.
FLOOR_S = 0.010
MEDIAN_S = 0.050
NEXT_MS = 100.0
_READS = ("SELECT", "WITH")
_Row = tuple[str, float, float | None, str]


class _Traced(Book):
    """A book that tells the statements sent to it."""

    told: list[str] | None = None

    def _connect(self) -> sqlite3.Connection:
        connection = super()._connect()
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


def _asked(connection: http.client.HTTPConnection, path: str) -> tuple[float, bytes]:
    started = perf_counter()
    connection.request("GET", path, headers={"Accept": "text/html", "Accept-Encoding": "gzip"})
    answer = connection.getresponse()
    body = answer.read()
    if answer.status != 200:
        raise RuntimeError(f"{path} was answered with {answer.status}")
    return perf_counter() - started, body


def _bare(book: Path, statements: list[str]) -> float:
    with closing(sqlite3.connect(book)) as sql:
        started = perf_counter()
        for statement in statements:
            sql.execute(statement).fetchall()
        return perf_counter() - started


def _loaded(connection: http.client.HTTPConnection, page: bytes) -> int:
    """Return the bytes of the styles and scripts that a page names."""
    text = gzip.decompress(page) if page[:2] == b"\x1f\x8b" else page
    named = {m.decode() for m in re.findall(rb'(?:href|src)="(/static/[^"]+)"', text)}
    return sum(len(_asked(connection, path)[1]) for path in named)


def _next_visits(connection: http.client.HTTPConnection) -> list[_Row]:
    """Return what each visit of the review list takes to open, one after the other."""
    listed = gzip.decompress(_asked(connection, "/")[1])
    ids = dict.fromkeys(re.findall(rb'href="/visits/([0-9a-f-]{36})"', listed))
    times = [_asked(connection, f"/visits/{one.decode()}")[0] for one in ids]
    return [
        (f"{len(times)} visits of the list: median", 1e3 * statistics.median(times), NEXT_MS, "ms"),
        (f"{len(times)} visits of the list: slowest", 1e3 * max(times), None, "ms"),
    ]


def run(visits: int | None = None) -> list[_Row]:
    """Return for each page its time over its bare queries, its median, p95 and sizes."""
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
                first_s, body = _asked(line, path)
                times, bare = list[float](), list[float]()
                for n in range(ROUNDS):
                    took, body = _asked(line, path)
                    times.append(took)
                    bare.append(_bare(book, statements))
                    if n >= 2 and took > SLOW_S:
                        break
                median = statistics.median(times)
                queries = statistics.median(bare)
                bound = min(max(3.0 * queries, FLOOR_S), MEDIAN_S)
                strict += median > 3.0 * queries
                first = (len(body) + _loaded(line, body)) / 1000
                rows += [
                    (f"{name}: over its bare queries", median / queries, None, "times"),
                    (f"{name}: median", 1e3 * median, 1e3 * bound, "ms"),
                    (f"{name}: first answer", 1e3 * first_s, None, "ms"),
                    (f"{name}: p95", 1e3 * sorted(times)[int(0.95 * (len(times) - 1))], None, "ms"),
                    (f"{name}: {len(statements)} bare queries", 1e3 * queries, None, "ms"),
                    (f"{name}: first load, without fonts", first, 150.0, "kB"),
                    (f"{name}: after", len(body) / 1000, 30.0, "kB"),
                ]  # fmt: skip
            rows.append(("pages over three times their bare queries", strict, None, "pages"))
            rows += interactive(f"http://127.0.0.1:{server.port}", paths, "Chromium")
    with running_demo() as demo:
        rows += interactive(demo, None, "demo, Chromium")
    return rows
