"""The real application over a real book in a temporary file."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient

from api.app import create_app
from api.settings import Settings
from ingest.identifiers import new_id
from ingest.intake import Intake
from ingest.store import Book
from tests.answers import looks_at
from tests.browser import browser, running_demo
from tests.clock import HandClock
from tests.office import Office
from tests.page_list import Listed, pages

BOILER: dict[str, Any] = {
    "name": "Test boiler",
    "fuel": "natural_gas",
    "rated_input": {"value": 2000, "unit": "MBH"},
    "turndown": 4,
    "rates": [100, 75, 50, 25],
    "limits": {
        "targets": [
            {"firing_rate": 25, "o2_dry": {"low": 4.5, "aim": 5.5, "high": 6.5}},
            {"firing_rate": 100, "o2_dry": {"low": 2.5, "aim": 3.5, "high": 4.5}},
        ],
        "stack_temperature_max": "455 degF",
        "source": "commissioning sheet",
    },
}
# Two snapshots; CO at high fire is far above any limit: 900 * 20.9 / (20.9 - 3.0) = 1051 air-free.
CSV = (
    b"O2 %,CO ppm,Stack temperature degF,Air temperature degF\r\n"
    b"3.0,900,402.8,63\r\n"
    b"5.6,12,240,63\r\n"
)


@pytest.fixture
def clock() -> HandClock:
    """Return a clock that a test sets; a book takes it where it is given it."""
    return HandClock()


@pytest.fixture(scope="module")
def demo() -> Iterator[str]:
    """A demo of this module's own, where nobody signs in."""
    with running_demo() as address:
        yield address


@pytest.fixture(scope="module")
def opened() -> Iterator[Any]:
    """A Chromium of this module's own."""
    with browser() as found:
        yield found


@pytest.fixture(scope="module")
def listed(demo: str, opened: Any) -> tuple[Listed, ...]:
    """Every page of the demo, and its address there."""
    context = opened.new_context()
    found = pages(context.request, demo)
    context.close()
    return found


@pytest.fixture
def office(tmp_path: Path) -> Iterator[Office]:
    """An office that comes and goes, with a book of its own where nobody signs in."""
    made = Office(tmp_path / "book.db")
    made.come()
    yield made
    made.go()
    made.book.close()


@pytest.fixture
def intake(tmp_path: Path) -> Iterator[Intake]:
    with Book(tmp_path / "book.db") as book:
        yield Intake(book)


@pytest.fixture
def client(intake: Intake) -> Iterator[TestClient]:
    app = create_app(intake, Settings(max_upload=1024 * 1024, alone=True))
    with TestClient(app, raise_server_exceptions=False) as opened:
        opened.event_hooks["response"].append(looks_at(app))
        yield opened


@pytest.fixture
def visit(client: TestClient) -> str:
    """A boiler and an open visit to it; the visit's id."""
    boiler, identity = str(new_id()), str(new_id())
    assert client.put(f"/v1/boilers/{boiler}", json=BOILER).status_code == 200
    document = {"boiler_id": boiler, "started": "2026-11-02T08:00:00+00:00", "adjusted": False}
    assert client.put(f"/v1/visits/{identity}", json=document).status_code == 200
    return identity
