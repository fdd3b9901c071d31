"""Pages in other languages in a real Chromium: never too wide, and declared as what they are."""

from __future__ import annotations

import pytest

from api.locales.pseudo import PSEUDO
from tests.browser import browser, chromium, running_demo

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(chromium() is None, reason="no Chromium is installed here"),
]


def test_pages_in_spanish_and_the_pseudo_locale_fit_a_phone() -> None:
    with running_demo() as entry, browser() as opened:
        demo = "/".join(entry.split("/")[:3])  # the address that is told signs in
        for language in ("es", PSEUDO):
            page = opened.new_context(viewport={"width": 390, "height": 844}).new_page()
            page.goto(entry)
            page.goto(f"{demo}/?language={language}")
            visits = page.locator("a.visit")
            first, last = visits.first.get_attribute("href"), visits.last.get_attribute("href")
            for place in ("/", "/due", "/maps", first, last, f"{last}/service"):
                page.goto(f"{demo}{place}")
                root = page.locator("html")
                assert root.get_attribute("lang") == language, place
                wide = page.evaluate("document.documentElement.scrollWidth")
                assert wide <= 390, (language, place, wide)
            page.context.close()
