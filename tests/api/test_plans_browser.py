"""The plans' page in a real Chromium: from a mistake to its line, a trial, never too wide."""

from __future__ import annotations

from typing import Any

import pytest

from samples.service import two_yearly_plan
from tests.browser import broken, chromium

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(chromium() is None, reason="no Chromium is installed here"),
]
PLAN = two_yearly_plan()


def changed(demo: str, page: Any) -> str:
    """Open the two-yearly plan; return it with a version of its own and another interval."""
    page.goto(f"{demo}/plans?plan={PLAN.key}")
    text: str = page.locator("#text").input_value()
    text = text.replace(f'version = "{PLAN.version}"', 'version = "own.1"')
    return text.replace("interval_months = 24", "interval_months = 36", 1)


def test_a_mistake_leads_to_its_line_and_the_text_stays(demo: str, opened: Any) -> None:
    page = opened.new_page(viewport={"width": 390, "height": 844})
    text = changed(demo, page).replace("interval_months = 36", "interval_months = 3.5")
    page.fill("#text", text)
    page.get_by_role("button", name="Show what would have been flagged").click()
    link = page.locator("a[data-line]")
    assert link.count() == 1
    link.click()
    field = page.locator("#text")
    chosen = field.evaluate("f => f.value.slice(f.selectionStart, f.selectionEnd)")
    assert chosen == "interval_months = 3.5"
    # The line stands within what the field shows, though long lines wrap.
    shown = field.evaluate("f => f.scrollTop > 0 && f.scrollTop < f.scrollHeight - f.clientHeight")
    assert shown
    assert field.input_value() == text
    page.close()


@pytest.mark.parametrize("script", [True, False])
def test_a_plan_is_tried_with_and_without_script(demo: str, opened: Any, script: bool) -> None:
    context = opened.new_context(viewport={"width": 390, "height": 844}, java_script_enabled=script)
    page = context.new_page()
    text = changed(demo, page)
    page.fill("#text", text)
    page.get_by_role("button", name="Show what would have been flagged").click()
    said = "Nothing would have been flagged otherwise; 1 visit tried."
    assert page.get_by_text(said).is_visible()
    assert page.get_by_role("heading", name="On another day").is_visible()
    assert page.locator("#text").input_value() == text
    context.close()


@pytest.mark.parametrize("face", ["light", "dark"])
def test_axe_finds_nothing_on_a_trial_and_on_mistakes(demo: str, opened: Any, face: str) -> None:
    context = opened.new_context(
        viewport={"width": 390, "height": 844}, color_scheme=face, bypass_csp=True
    )
    page = context.new_page()
    for spoilt in ("", "x"):
        text = changed(demo, page).replace("low = 30", f"low = 33{spoilt}", 1)
        page.fill("#text", text)
        page.locator("button[value=try]").click()
        assert page.evaluate("document.documentElement.scrollWidth") <= 390
        assert broken(page) == []
    context.close()
