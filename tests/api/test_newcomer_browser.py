"""A newcomer's path in a real Chromium: from what the demo prints to the worst visit's reason."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest

from api.pages.show import SEVERITY_WORDS
from ingest.rules import RULES
from tests.browser import browser, chromium, running_demo

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(chromium() is None, reason="no Chromium is installed here"),
]
MOST_CLICKS = 3


@pytest.fixture(scope="module")
def printed() -> Iterator[str]:
    """Yield the address that the demo prints, which lets in whoever opens it."""
    with running_demo("--port", "0") as address:
        yield address


class Newcomer:
    """Somebody who clicks on what stands in the window, and counts."""

    def __init__(self, page: Any) -> None:
        self.page = page
        self.clicks = 0

    def opens(self, printed: str) -> None:
        self.clicks += 1  # the line in the terminal
        self.page.goto(printed)

    def clicks_on(self, wanted: Any) -> None:
        self.clicks += 1
        wanted.click()
        self.page.wait_for_load_state()

    def sees(self, wanted: Any) -> str:
        """Return a text that stands in the window as it opened, nothing scrolled."""
        box, window = wanted.bounding_box(), self.page.viewport_size
        assert box is not None and box["y"] + box["height"] <= window["height"], wanted
        text: str = wanted.inner_text()
        return text


@pytest.mark.parametrize("width, height", [(390, 844), (1440, 900)])
def test_three_clicks_to_the_reason_why_the_worst_visit_is_flagged(
    printed: str, width: int, height: int
) -> None:
    with browser() as opened:
        page = opened.new_page(viewport={"width": width, "height": height})
        newcomer = Newcomer(page)
        newcomer.opens(printed)
        first = page.locator("main a[href^='/visits/']").first
        row = page.locator("ol.visits a.visit").first
        ranks = [*SEVERITY_WORDS, "none"]  # worst first
        shown = (
            page.locator("ol.visits")
            .first.locator("a.visit")
            .evaluate_all("all => all.map(a => a.className)")
        )
        rank = [next(n for n, s in enumerate(ranks) if s in name.split()) for name in shown]
        assert rank == sorted(rank) and rank[0] < rank[-1]
        assert first.get_attribute("href") == row.get_attribute("href"), "the worst comes first"
        assert newcomer.sees(first)

        newcomer.clicks_on(first)
        worst = page.locator(".flags > li").first
        said = worst.locator(".says").inner_text()
        assert any(figure.isdigit() for figure in said), "a finding says its number"
        # The page opens with the finding, or with leaving where CO is in the room.
        assert newcomer.sees(page.locator(".leave, .first").first)
        assert worst.locator("dt", has_text="Limit").count() == 1

        rule = worst.locator("a[href^='/help/rules/']")
        key = rule.get_attribute("href").rpartition("/")[2]
        newcomer.clicks_on(rule)
        assert RULES[key].title.lower() in newcomer.sees(page.locator("h1")).lower()
        assert len(page.locator("main").inner_text()) > 200
        assert newcomer.clicks <= MOST_CLICKS


def test_a_reviewer_clears_the_list_by_keys_and_the_focus_is_never_lost(printed: str) -> None:
    with browser() as opened:
        page = opened.new_page(viewport={"width": 1440, "height": 900})
        pressed: list[str] = []

        def press(key: str) -> None:
            pressed.append(key)
            page.keyboard.press(key)

        def leads_on(key: str) -> None:
            with page.expect_navigation():
                press(key)

        def focused() -> str:
            found = "e => e.matches(':focus-visible') ? e.id || e.className || e.tagName : ''"
            name: str = page.locator(":focus").evaluate(found)
            return name

        page.goto(printed)
        waiting = page.locator("ol.visits").first.locator("a.visit").count()
        press("j")
        leads_on("Enter")
        for left in range(waiting, 0, -1):
            here = page.url
            press("e")  # the line of the file that the first finding was read from
            if page.locator(":target").count():
                assert focused() == "lines"
            press("a")
            if focused() == "a-why":
                page.keyboard.type("Seen")
            leads_on("Enter")
            assert page.url == f"{here.partition('#')[0]}#next"
            assert focused() == "next"
            assert "accepted" in page.locator("p.where").inner_text()
            leads_on("Enter")
            assert ("/visits/" in page.url) == (left > 1)
        assert len(pressed) == 2 + 4 * waiting
        # What is turned off stays so: a letter that is spoken does nothing.
        page.locator("#keys summary").click()
        page.locator("#keys-on").uncheck()
        page.reload()
        press("/")
        assert page.locator(":focus").count() == 0
