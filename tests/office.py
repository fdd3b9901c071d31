"""An office that can be away and come back at the same address, and a phone that stays itself."""

from __future__ import annotations

import time
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any
from uuid import UUID

from api.app import create_app
from api.settings import Settings
from ingest.documents import boiler_from
from ingest.identifiers import new_id
from ingest.intake import Intake
from ingest.store import Book
from tests.api.report_case import png
from tests.browser import ARGUMENTS, chromium
from tests.serving import serving


class Office:
    """A server over one book that can be away and come back at the same address."""

    def __init__(
        self, path: Path, rates: Sequence[float] = (30, 100), *, alone: bool = True
    ) -> None:
        self.alone = alone
        self.book = Book(path, durable=False)
        self.intake = Intake(self.book)
        self.port, self.address = 0, ""
        self._open = ExitStack()
        self.posts: list[str] = []
        self.lose_answer = False
        document: dict[str, Any] = {"id": str(new_id()), "name": "B-1", "fuel": "natural_gas"}
        document["rates"] = list(rates)
        boiler = self.intake.put_boiler(boiler_from(document), "t").document
        assert boiler.id is not None
        self.boiler: UUID = boiler.id

    def come(self) -> None:
        inner = create_app(self.intake, Settings(alone=self.alone, requests_a_minute=0))
        self.desk = inner.state.desk

        async def app(scope: Any, receive: Any, send: Any) -> None:
            if scope["type"] == "http" and scope["method"] == "POST":
                self.posts.append(scope["path"])
                if self.lose_answer:
                    self.lose_answer = False
                    await inner(scope, receive, _nowhere)
                    raise ConnectionError("the answer is lost on its way")
            await inner(scope, receive, send)

        self.address = self._open.enter_context(serving(app, self.port))
        self.port = int(self.address.rpartition(":")[2])

    def go(self) -> None:
        self._open.close()

    def readings(self, visit: UUID) -> list[tuple[float | None, float]]:
        kept = self.intake.visit(visit).readings
        return [(r.reading.firing_rate, r.reading.values["o2_dry"]) for r in kept]


async def _nowhere(message: Any) -> None:
    del message


@contextmanager
def phone(profile: Path, *, width: int = 390, touch: bool = False) -> Iterator[Any]:
    """Yield a page of a browser that keeps its profile in a folder."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play, _open(play, profile, width, touch) as page:
        yield page


@contextmanager
def phones(*profiles: Path) -> Iterator[list[Any]]:
    """Yield a page of each of several such browsers."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play, ExitStack() as opened:
        yield [opened.enter_context(_open(play, profile)) for profile in profiles]


@contextmanager
def _open(play: Any, profile: Path, width: int = 390, touch: bool = False) -> Iterator[Any]:
    context = play.chromium.launch_persistent_context(
        str(profile),
        executable_path=chromium(),
        args=ARGUMENTS,
        viewport={"width": width, "height": 844},
        has_touch=touch,
    )
    context.set_default_timeout(15000)
    try:
        yield context.pages[0]
    finally:
        context.close()


def waits(page: Any, number: int) -> None:
    """Wait until so many entries are shown as waiting."""
    page.locator(f"#waiting[data-count='{number}']").wait_for(state="attached")
    assert page.locator("#waiting li").count() == number


CSV = (
    b"Time;O2 %;CO ppm;Stack C;Air C\r\n"
    b"2026-03-04 09:30:00;5.1;12;131.0;20.1\r\n"
    b"2026-03-04 09:40:00;4.6;15;142.0;20.2\r\n"
)
COMING = (
    "caches.keys().then(all => all.find(n => n.startsWith('fluebook-pages-coming-')))"
    ".then(name => name ? caches.open(name).then(c => c.keys()) : [])"
    ".then(all => all.length)"
)


def ready(page: Any, office: Office) -> None:
    """Open the boiler's page with signal, until the browser keeps what a visit needs."""
    page.goto(f"{office.address}/boilers/{office.boiler}")
    page.evaluate("navigator.serviceWorker.ready.then(() => true)")
    page.reload()
    wanted = len(page.locator("[data-coming]").get_attribute("data-coming").split(" "))
    assert wanted > 3, "the boiler has plans"
    until = time.monotonic() + 20.0
    while page.evaluate(COMING) < wanted:
        assert time.monotonic() < until, "the worker keeps no pages of a coming visit"
        time.sleep(0.05)


def typed(page: Any, o2: str) -> None:
    """Type one oxygen reading on the page of readings, and keep it."""
    page.get_by_label("O2", exact=False).first.fill(o2)
    name = page.get_by_label("Your name")
    if name.is_editable():  # else it is that of whoever signed in
        name.fill("J. Harrow")
    page.get_by_role("button", name="Keep this reading").click()


def filed(page: Any) -> None:
    """Hand over a file of two readings on the visit's page."""
    page.locator("#file").set_input_files({"name": "a.csv", "mimeType": "text/csv", "buffer": CSV})
    page.locator("#rates").fill("30, 100")
    page.get_by_role("button", name="Read and judge").click()


def photographed(page: Any, caption: str = "") -> None:
    """Hand over a picture of the burner on the visit's page."""
    page.locator("#photo").set_input_files(
        {"name": "burner.png", "mimeType": "image/png", "buffer": png(40, 30)}
    )
    page.locator("#caption").fill(caption)
    page.get_by_role("button", name="Add the picture").click()


def begun_with_signal(page: Any, office: Office) -> tuple[str, UUID]:
    """Begin a visit with signal, open its forms once; return its address and id."""
    page.goto(f"{office.address}/boilers/{office.boiler}")
    page.locator("#begin-who").fill("J. Harrow")
    page.get_by_role("button", name="Begin a visit now").click()
    page.wait_for_url("**/visits/*")
    page.evaluate("navigator.serviceWorker.ready.then(() => true)")
    page.reload()
    kept = (
        "caches.keys().then(all => all.find(n => n.startsWith('fluebook-pages-alone-')))"
        ".then(name => name ? caches.open(name).then(c => c.keys()) : [])"
        ".then(all => all.map(one => one.url))"
    )
    until = time.monotonic() + 15.0
    while not any(one.endswith("/readings") for one in page.evaluate(kept)):
        assert time.monotonic() < until, "the worker keeps no copy"
        time.sleep(0.05)
    return page.url, UUID(page.url.rsplit("/", 1)[1])
