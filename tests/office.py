"""An office that can be away and come back at the same address, and a phone that stays itself."""

from __future__ import annotations

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
from tests.browser import ARGUMENTS, chromium
from tests.serving import serving


class Office:
    """A server over one book that can be away and come back at the same address."""

    def __init__(self, path: Path, rates: Sequence[float] = (30, 100)) -> None:
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
        inner = create_app(self.intake, Settings(alone=True, requests_a_minute=0))

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

    with sync_playwright() as play:
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


def typed(page: Any, o2: str) -> None:
    """Type one oxygen reading on the page of readings, and keep it."""
    page.get_by_label("O2", exact=False).first.fill(o2)
    page.get_by_label("Your name").fill("J. Harrow")
    page.get_by_role("button", name="Keep this reading").click()
