"""Pictures of every page at three widths, light and dark: ``python -m tests.pictures``.

They go into ``pictures/`` and are for looking at; nothing is compared.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

from tests.browser import browser, running_demo
from tests.page_list import pages as all_pages

WIDTHS = (390, 820, 1440)
FACES = ("light", "dark")
WHERE = Path("pictures")
WRONG = "not readings at all\nbut two lines of prose\n"


def refused(page: Any, address: str) -> None:
    """Hand over a file that is none."""
    page.goto(address)
    file = {"name": "notes.txt", "mimeType": "text/plain", "buffer": WRONG.encode()}
    page.set_input_files("#file", file)
    page.get_by_role("button", name="Read and judge").click()
    page.locator("#refused").wait_for()


def main() -> None:
    """Take the pictures."""
    WHERE.mkdir(exist_ok=True)
    with running_demo() as base, browser() as opened:
        listed = all_pages(opened.new_context().request, base)
        pages = {one.name: one.address for one in listed}
        for width in WIDTHS:
            for face in FACES:
                context = opened.new_context(
                    viewport={"width": width, "height": 900}, color_scheme=face
                )
                page = context.new_page()
                for name, path in pages.items():
                    page.goto(base + path)
                    page.screenshot(path=WHERE / f"{name}-{width}-{face}.png", full_page=True)
                refused(page, base + pages["open"])
                page.screenshot(path=WHERE / f"refused-{width}-{face}.png", full_page=True)
                context.close()
    print(f"{(len(pages) + 1) * len(WIDTHS) * len(FACES)} pictures in {WHERE}/")


if __name__ == "__main__":
    main()
