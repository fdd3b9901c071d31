"""The whole job in a real Chromium: file in, flags seen, hand in, accept."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from samples.on_disk import HERE
from tests.browser import chromium

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(chromium() is None, reason="no Chromium is installed here"),
]
FILE = next((HERE / "weir-2").glob("*as_left*.csv"))


@pytest.fixture(params=["with script", "without script"])
def page(request: pytest.FixtureRequest, opened: Any) -> Iterator[Any]:
    context = opened.new_context(
        viewport={"width": 390, "height": 844},
        has_touch=True,
        java_script_enabled=request.param == "with script",
    )
    made = context.new_page()
    refused: list[str] = []
    made.on("console", lambda m: refused.append(m.text) if m.type == "error" else None)
    yield made
    context.close()
    assert [text for text in refused if "Content Security Policy" in text] == []


def make_visit(demo: str, page: Any) -> str:
    """Open a visit to the boiler of the sample file by the API; return its address."""
    first = page.request.get(f"{demo}/v1/boilers").json()["boilers"]
    boiler = next(b for b in first if b["name"] == "Weir 2")
    made = page.request.post(
        f"{demo}/v1/visits",
        data={"boiler_id": boiler["id"], "started": "2026-11-24T08:00:00Z", "adjusted": True},
    )
    return f"{demo}/visits/{made.json()['id']}"


def test_file_to_flags_to_hand_in_to_accept(demo: str, page: Any) -> None:
    page.goto(make_visit(demo, page))
    assert "Nothing was read yet" in page.locator(".first").inner_text()
    page.set_input_files("#file", str(FILE))
    page.fill("#rates", "100, 75, 50, 25")
    page.get_by_role("button", name="Read and judge").click()
    page.locator(".flags li.stop").first.wait_for()
    assert "CO air-free is" in page.locator(".first").inner_text()
    assert page.locator("figure.pane svg").count() == 3
    page.fill("#who", "T. One")
    page.get_by_role("button", name="Hand in").click()
    page.get_by_role("heading", name="Accept").wait_for()
    page.fill("#a-who", "R. Two")
    page.fill("#a-why", "locked out, burner head on order")
    page.get_by_role("button", name="Accept the visit").click()
    page.get_by_text("accepted, by R. Two").wait_for()


def test_wrong_file_is_said_on_the_page_and_the_visit_stays(
    demo: str, page: Any, tmp_path: Path
) -> None:
    wrong = tmp_path / "log.csv"
    wrong.write_text("O2 %,Stack temperature\n3.0,402\n")
    page.goto(make_visit(demo, page))
    page.set_input_files("#file", str(wrong))
    page.get_by_role("button", name="Read and judge").click()
    said = page.locator("#refused")
    said.wait_for()
    assert "Line 1, column 2" in said.inner_text()
    assert "Nothing was read yet" in page.locator(".first").inner_text()


def test_three_clicks_from_the_list_to_the_line_of_the_file(demo: str, page: Any) -> None:
    page.goto(demo)
    page.locator("ol.visits a.visit.fix").first.click()
    page.locator(".flags li.fix a").first.click()
    target = page.url.partition("#")[2]
    assert page.locator(f"#{target}").is_visible()


@pytest.mark.parametrize("width", [390, 820, 1440])
def test_nothing_is_wider_than_the_window(demo: str, opened: Any, width: int) -> None:
    context = opened.new_context(viewport={"width": width, "height": 900})
    page = context.new_page()
    page.goto(demo)
    links = page.locator("ol.visits a.visit").evaluate_all("all => all.map(a => a.href)")
    assert len(links) > 5
    for address in [demo, *links]:
        page.goto(address)
        assert page.evaluate("document.documentElement.scrollWidth") <= width, address
    context.close()


def test_targets_are_large_enough_for_cold_hands(demo: str, opened: Any) -> None:
    context = opened.new_context(viewport={"width": 390, "height": 844})
    page = context.new_page()
    page.goto(make_visit(demo, page))
    small = page.locator(
        "button, input:not([type=radio], [type=checkbox], [type=hidden]), .choices label, summary"
    ).evaluate_all(
        "all => all.filter(e => e.checkVisibility() && e.getBoundingClientRect().height < 48)"
        ".map(e => e.outerHTML)"
    )
    assert small == []
    context.close()


def phone_without_script(opened: Any, address: str) -> Any:
    context = opened.new_context(
        viewport={"width": 390, "height": 844}, has_touch=True, java_script_enabled=False
    )
    page = context.new_page()
    page.goto(address)
    return page


@pytest.mark.parametrize("language", ["en", "es"])
def test_the_ways_take_one_row_on_a_phone_and_open_without_script(
    demo: str, opened: Any, language: str
) -> None:
    page = phone_without_script(opened, f"{demo}/?language={language}")
    ways = page.locator("nav.office")
    assert ways.bounding_box()["height"] == 48
    ways.locator("summary").tap()
    help_page = ways.locator('a[href="/help"]')
    box = help_page.bounding_box()
    assert box["x"] >= 0 and box["x"] + box["width"] <= 390 and box["height"] >= 48
    help_page.tap()
    page.wait_for_url("**/help")
    assert "here" in (ways.locator("summary").get_attribute("class") or "")
    page.context.close()


@pytest.mark.parametrize("language", ["en", "es"])
def test_the_head_is_one_row_above_the_title_on_a_phone(
    demo: str, opened: Any, language: str
) -> None:
    page = phone_without_script(opened, f"{demo}/?language={language}")
    row = page.locator(".dado .name")
    assert row.bounding_box()["height"] == 48
    small = row.locator("a, summary").evaluate_all(
        "all => all.filter(e => e.checkVisibility() && e.getBoundingClientRect().height < 48)"
        ".map(e => e.outerHTML)"
    )
    assert small == []
    row.locator("summary").tap()
    other = row.get_by_role("link", name="English" if language == "es" else "Español")
    box = other.bounding_box()
    assert box["x"] >= 0 and box["x"] + box["width"] <= 390 and box["height"] >= 48
    other.tap()
    page.wait_for_url("**/?language=*")
    assert page.locator("html").get_attribute("lang") == ("en" if language == "es" else "es")
    page.context.close()
