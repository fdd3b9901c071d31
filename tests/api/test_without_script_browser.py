"""A visit without a script: begun, typed, handed in, sent back, handed in again, accepted."""

from __future__ import annotations

import pytest

from tests.browser import browser, chromium, running_demo

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(chromium() is None, reason="no Chromium is installed here"),
]


def test_a_visit_is_begun_typed_handed_in_sent_back_and_accepted_without_script() -> None:
    with running_demo() as demo, browser() as opened:
        context = opened.new_context(
            viewport={"width": 390, "height": 844}, java_script_enabled=False
        )
        context.set_default_timeout(8000)
        page = context.new_page()
        boilers = page.request.get(f"{demo}/v1/boilers").json()["boilers"]
        weir = next(b["id"] for b in boilers if b["name"] == "Weir 2")
        page.goto(f"{demo}/boilers/{weir}")
        page.fill("#begin-who", "T. One")
        page.get_by_role("button", name="Begin a visit now").click()
        visit = page.url.partition("?")[0].removesuffix("/readings")
        page.goto(f"{visit}/readings")
        page.locator("[name=rate]").first.check()
        page.fill("#o2_dry", "4,5")
        page.fill("#co_dry", "30")
        page.fill("#who", "T. One")
        page.get_by_role("button", name="Keep this reading").click()
        for back in (True, False):
            page.goto(visit)
            page.fill("form[action$='/hand-in'] [name=who]", "T. One")
            page.locator("form[action$='/hand-in'] button").click()
            page.get_by_role("heading", name="Accept", exact=True).wait_for()
            if back:
                page.fill("#b-who", "R. Two")
                page.fill("form[action$='/send-back'] [name=why]", "read the stack again")
                page.locator("form[action$='/send-back'] button").click()
                page.get_by_text("read the stack again").first.wait_for()
        page.fill("#a-who", "R. Two")
        page.fill("#a-why", "looked through")
        page.get_by_role("button", name="Accept the visit").click()
        page.get_by_text("accepted, by R. Two").wait_for()
        kept = page.request.get(visit.replace("/visits/", "/v1/visits/")).json()
        assert kept["state"] == "accepted"
        assert [p["values"]["o2_dry"]["mean"] for p in kept["points"]] == [4.5]
        context.close()
