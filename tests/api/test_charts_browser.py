"""Points of a chart in a real Chromium: by mouse, by touch, by keyboard, each told in full."""

from __future__ import annotations

import re
from typing import Any

import pytest

from tests.browser import broken, chromium
from tests.page_list import pages

pytestmark = pytest.mark.skipif(chromium() is None, reason="no Chromium is installed here")
TIP = ".tip"


@pytest.fixture(scope="module")
def places(demo: str, opened: Any) -> dict[str, str]:
    context = opened.new_context()
    found = {one.name: demo + one.address for one in pages(context.request, demo)}
    context.close()
    return found


@pytest.fixture
def page(opened: Any) -> Any:
    context = opened.new_context(
        viewport={"width": 1440, "height": 900}, reduced_motion="reduce", locale="en"
    )
    made = context.new_page()
    made.wrong = []
    made.on("console", lambda m: made.wrong.append(m.text) if m.type == "error" else None)
    made.on("pageerror", lambda e: made.wrong.append(str(e)))
    yield made
    assert made.wrong == []
    context.close()


def told(page: Any) -> str:
    return str(page.locator(TIP).inner_text())


def test_arrow_keys_go_from_point_to_point_and_from_line_to_line(
    page: Any, places: dict[str, str]
) -> None:
    page.goto(places["visit-1"])
    chart = page.locator("[data-chart]").first
    page.locator("#sheet").scroll_into_view_if_needed()
    page.keyboard.press("Tab")
    chart.focus()
    assert told(page).startswith("As left · 25 % · ")
    assert re.search(r" %? · ± 0\.\d+ % \(k = 2\) · .+\.csv, line \d+$", told(page))
    outline = "e => getComputedStyle(e).outlineStyle"
    assert chart.evaluate(outline) == "solid"
    page.keyboard.press("ArrowRight")
    assert told(page).startswith("As left · 50 %")
    page.keyboard.press("End")
    assert told(page).startswith("As left · 100 %")
    page.keyboard.press("ArrowRight")
    assert told(page).startswith("As left · 100 %")
    page.keyboard.press("ArrowDown")
    assert told(page).startswith("As found · 100 %")
    page.keyboard.press("Home")
    assert told(page).startswith("As found · 25 %")
    page.keyboard.press("ArrowDown")
    assert re.match(r"As left, \d+ \w+ \d{4} · 25 %", told(page))
    assert page.locator(TIP).get_attribute("role") == "status"
    page.keyboard.press("Escape")
    assert page.locator(TIP).is_hidden()
    assert page.evaluate("document.activeElement.dataset.chart") == "pane-o2_dry"


def test_enter_leads_to_the_line_of_the_file(page: Any, places: dict[str, str]) -> None:
    page.goto(places["visit-1"])
    page.locator("[data-chart]").first.focus()
    page.keyboard.press("Home")
    value = re.search(r"· ([\d.]+) % · ±", told(page))
    assert value is not None
    page.keyboard.press("Enter")
    page.wait_for_function("location.hash !== ''")
    line = page.locator(":target").inner_text()
    assert float(value[1]) == pytest.approx(float(re.findall(r"\b\d+\.\d\b", line)[0]), abs=0.05)


def test_mouse_tells_the_nearest_point_and_gives_time_to_reach_the_link(
    page: Any, places: dict[str, str]
) -> None:
    page.goto(places["visit-1"])
    chart = page.locator("[data-chart=pane-stack_temperature] svg")
    chart.scroll_into_view_if_needed()
    box = chart.locator(".left-dot").first.bounding_box()
    page.mouse.move(box["x"] + 14, box["y"] + 10)
    assert re.match(r"As left · 25 % · [\d.]+ °F · ± [\d.]+ °F \(k = 2\)", told(page))
    link = page.locator(f"{TIP} a")
    link.hover()
    page.wait_for_timeout(1000)
    assert link.is_visible()
    page.mouse.move(5, 400)
    page.wait_for_timeout(1000)
    assert page.locator(TIP).is_hidden()


def test_touch_tells_a_point_and_a_touch_beside_closes(opened: Any, places: dict[str, str]) -> None:
    context = opened.new_context(viewport={"width": 390, "height": 844}, has_touch=True)
    page = context.new_page()
    page.goto(places["boiler"])
    chart = page.locator("[data-chart] svg").first
    chart.scroll_into_view_if_needed()
    box = chart.locator(".left-dot").nth(1).bounding_box()
    page.touchscreen.tap(box["x"] + 3, box["y"] + 3)
    assert re.search(r"\d{4} · 25 % .+ ± [\d.]+ % \(k = 2\); .*line", told(page))
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    page.touchscreen.tap(195, 5)
    assert page.locator(TIP).is_hidden()
    context.close()


@pytest.mark.parametrize("name", ["visit-1", "boiler", "compare", "cut"])
def test_every_chart_tells_every_point_and_is_clean_for_axe(
    page: Any, places: dict[str, str], name: str
) -> None:
    page.goto(places[name])
    charts = page.locator("[data-chart]:visible")
    assert charts.count() > 0
    for n in range(min(charts.count(), 4)):
        charts.nth(n).focus()
        page.keyboard.press("Home")
        assert "±" in told(page) or "not known" in told(page)
    missing = page.evaluate(
        """() => [...document.querySelectorAll('[data-point]')].map(e => e.dataset.row
          || e.closest('[data-chart]').dataset.chart + '-' + e.dataset.point)
          .filter(id => !document.getElementById(id))"""
    )
    assert missing == []
    assert broken(page, ".tip", "[data-chart]") == []


def test_without_a_script_the_table_behind_says_all_of_it(
    opened: Any, places: dict[str, str]
) -> None:
    context = opened.new_context(java_script_enabled=False, locale="en")
    page = context.new_page()
    page.goto(places["visit-1"])
    page.locator(".behind summary").click()
    row = page.locator("#pane-o2_dry-0-0").inner_text()
    assert re.search(r"As left\s+25 %\s+[\d.]+ %\s+± [\d.]+ % \(k = 2\)\s+.+\.csv, line \d+", row)
    context.close()
