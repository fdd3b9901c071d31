"""The service part in a real Chromium: filled on a phone, reachable, readable, never too wide."""

from __future__ import annotations

from typing import Any

import pytest

from samples.service import two_yearly_plan
from tests.api.report_case import png
from tests.browser import chromium

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(chromium() is None, reason="no Chromium is installed here"),
]
PLAN = two_yearly_plan()


def addresses(demo: str, page: Any) -> tuple[str, str]:
    """Return the serviced visit of Orchard B and the open visit of the demo."""
    page.goto(demo)
    serviced = page.locator("a.visit", has_text="Orchard B").first.get_attribute("href")
    return f"{demo}{serviced}", f"{demo}{page.locator('a.visit').last.get_attribute('href')}"


@pytest.mark.parametrize("width", [390, 820, 1280])
def test_no_page_of_the_service_part_is_wider_than_the_window(
    demo: str, opened: Any, width: int
) -> None:
    page = opened.new_page(viewport={"width": width, "height": 844})
    serviced, unfilled = addresses(demo, page)
    for address in (serviced, f"{unfilled}/service?plan={PLAN.key}"):
        page.goto(address)
        page.locator("details").evaluate_all("all => all.forEach(d => { d.open = true; })")
        assert page.evaluate("document.documentElement.scrollWidth") <= width, address
    page.close()


def test_a_time_a_reason_and_a_record_are_asked_once_they_are_owed(demo: str, opened: Any) -> None:
    page = opened.new_page(viewport={"width": 390, "height": 844})
    _, unfilled = addresses(demo, page)
    page.goto(f"{unfilled}/service?plan={PLAN.key}")
    task = next(t.key for t in PLAN.task)
    time = page.locator("[id='step.fresh_air_check.time']")
    reason = page.locator(f"[id='task.{task}.reason']")
    note = page.locator(f"[id='task.{task}.note']")
    reset = page.locator("[id='test.high_limit.reset']")
    assert not time.is_visible()
    assert not reason.is_visible()
    assert not note.is_visible() and not reset.is_visible()
    page.locator("[name='step.fresh_air_check']").check()
    page.locator(f"[name='task.{task}.outcome'][value=not_done]").check()
    assert time.is_visible()
    reason.fill("no key to the plant room")
    page.locator(f"[name='task.{task}.outcome'][value=done]").check()
    assert reason.is_visible(), "what is filled in stays in sight"
    assert note.is_visible() and not reset.is_visible()
    page.locator("[name='test.high_limit.result'][value=did_not_trip]").check()
    reset.select_option("manual")
    for name in (f"task.{task}.outcome", "test.high_limit.result"):
        page.locator(f"[name='{name}'][value='']").check()
    assert note.is_visible() and reset.is_visible(), "a record that is begun stays in sight"


def test_targets_of_the_form_are_48_pixels_high(demo: str, opened: Any) -> None:
    page = opened.new_page(viewport={"width": 390, "height": 844})
    _, unfilled = addresses(demo, page)
    page.goto(f"{unfilled}/service?plan={PLAN.key}")
    for every in ("main input[type=checkbox]", "main input[value=not_done]"):
        page.locator(every).evaluate_all("all => all.forEach(e => { e.checked = true; })")
    small = page.locator(
        "main button, main select, main textarea, main summary, main a, main label:has(input), "
        "main input:not([type=checkbox]):not([type=radio]):not([type=hidden])"
    ).evaluate_all(
        "all => all.filter(e => e.getBoundingClientRect().height < 47.9).map(e => e.outerHTML)"
    )
    assert small == []
    page.close()


@pytest.mark.parametrize("script", [True, False])
def test_service_part_is_filled_on_a_phone_and_shown(demo: str, opened: Any, script: bool) -> None:
    context = opened.new_context(viewport={"width": 390, "height": 844}, java_script_enabled=script)
    page = context.new_page()
    blocked: list[str] = []
    page.on("console", lambda m: blocked.append(m.text) if m.type == "error" else None)
    boilers = page.request.get(f"{demo}/v1/boilers").json()["boilers"]
    boiler = next(b for b in boilers if b["name"] == "Quarry 2")
    made = page.request.post(
        f"{demo}/v1/visits",
        data={"boiler_id": boiler["id"], "started": "2026-11-24T08:00:00Z", "adjusted": False},
    )
    page.goto(f"{demo}/visits/{made.json()['id']}")
    page.get_by_role("link", name="Begin the service part").click()
    page.get_by_role("link", name=PLAN.title).click()
    page.fill("#who", "T. One")
    page.get_by_label("Power locked and tagged", exact=True).check()
    page.locator("[name='task.igniter.outcome'][value=done]").check()
    page.fill("[id='task.igniter.value.gap']", "wide")
    page.get_by_role("button", name="Save and look at the visit").click()
    page.locator("#refused").wait_for()
    assert page.locator("[id='task.igniter.value.gap']").input_value() == "wide"
    page.fill("[id='task.igniter.value.gap']", "3,6")
    page.locator("[name='test.high_limit.result'][value=did_not_trip]").check()
    page.get_by_role("button", name="Save and look at the visit").click()
    page.locator("#photos").wait_for()
    said = page.locator("section.service").inner_text()
    assert "did not trip" in said
    assert page.locator(".flags li.stop").count() >= 1
    page.set_input_files(
        "#photo", {"name": "image.png", "mimeType": "image/png", "buffer": png(40, 30)}
    )
    page.fill("#caption", "Burner head")
    page.get_by_role("button", name="Add the picture").click()
    shown = page.get_by_alt_text("Burner head")
    shown.scroll_into_view_if_needed()
    shown.wait_for()
    page.get_by_role("link", name="Go on with the service part").click()
    assert page.get_by_label("Power locked and tagged", exact=True).is_checked()
    assert page.locator("[id='task.igniter.value.gap']").input_value() == "3.6"
    context.close()
    assert [text for text in blocked if "Content Security Policy" in text] == []
