"""A visit begun without signal, in a real Chromium: at once open for all that is entered at one."""

from __future__ import annotations

from pathlib import Path
from typing import Any
from uuid import UUID

import pytest

from tests.browser import chromium
from tests.office import Office, filed, phone, photographed, ready, typed, waits

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(chromium() is None, reason="no Chromium is installed here"),
]


def begun(page: Any) -> UUID:
    """Begin a visit without signal and stand on its page."""
    page.locator("#begin-who").fill("J. Harrow")
    page.get_by_role("button", name="Begin a visit now").click()
    page.wait_for_url("**/visits/*")
    page.get_by_text("This visit was begun without signal").wait_for()
    return UUID(page.url.rsplit("/", 1)[1])


def test_all_that_is_entered_at_a_visit_begun_without_signal_goes_up_once_in_order(
    office: Office, tmp_path: Path
) -> None:
    profile = tmp_path / "profile"
    with phone(profile) as page:
        ready(page, office)
        office.go()
        visit = begun(page)
        waits(page, 1)
        page.get_by_role("link", name="Or type readings").click()
        typed(page, "6.2")
        waits(page, 2)
        page.reload()  # the copy again: its next reading is another one
        page.get_by_label("100").check()
        typed(page, "4.4")
        waits(page, 3)
        page.get_by_role("link", name="Back to the visit").click()
        page.get_by_role("link", name="Begin the service part").click()
        page.locator("a[href^='?plan=']").first.click()
        page.locator("#note").fill("Burner noisy at half rate")
        page.locator("#told").fill("The caretaker")
        page.locator("input[name=who]").last.fill("J. Harrow")
        page.locator(".save button").first.click()
        waits(page, 4)
    with phone(profile) as page:  # the browser was quit; there is still no signal
        page.goto(f"{office.address}/visits/{visit}")
        waits(page, 4)
        filed(page)
        waits(page, 5)
        photographed(page)
        waits(page, 6)
        assert page.evaluate("document.documentElement.scrollWidth") <= 390
    with phone(profile) as page:
        page.goto(f"{office.address}/visits/{visit}")
        waits(page, 6)
        assert office.intake.unfinished_visits(office.boiler) == []
        office.come()
        page.get_by_role("button", name="Send now").click()
        waits(page, 0)
        page.get_by_role("link", name="Load it again").click()
        page.locator("section.waiting[hidden]").wait_for(state="attached")
        assert page.get_by_text("This visit was begun without signal").count() == 0
        assert page.get_by_text("burner.png").first.is_visible()
    at = f"/visits/{visit}"
    assert office.posts == [
        f"/boilers/{office.boiler}/visits",
        f"{at}/readings",
        f"{at}/readings",
        f"{at}/service",
        f"{at}/files",
        f"{at}/photos",
    ]
    assert [row.id for row in office.intake.unfinished_visits(office.boiler)] == [visit]
    assert office.readings(visit) == [(30.0, 6.2), (100.0, 4.4), (30.0, 5.1), (100.0, 4.6)]
    kept = office.intake.visit(visit)
    assert kept.visit.technician == "J. Harrow"
    assert kept.visit.note == "Burner noisy at half rate"
    assert kept.visit.service is not None and kept.visit.service.left.told == ["The caretaker"]
    assert [a.name for a in kept.attachments] == ["a.csv", "burner.png"]


def test_a_lost_answer_to_the_beginning_begins_one_visit(office: Office, tmp_path: Path) -> None:
    with phone(tmp_path / "profile") as page:
        ready(page, office)
        office.lose_answer = True
        page.locator("#begin-who").fill("J. Harrow")
        page.get_by_role("button", name="Begin a visit now").click()
        page.wait_for_url("**/visits/*")
        waits(page, 0)  # the page that opens sends what waits
        visit = UUID(page.url.rsplit("/", 1)[1])
    assert office.posts == [f"/boilers/{office.boiler}/visits"] * 2
    assert [row.id for row in office.intake.unfinished_visits(office.boiler)] == [visit]


def test_a_clock_that_is_put_back_does_not_send_a_reading_before_its_visit(
    office: Office, tmp_path: Path
) -> None:
    with phone(tmp_path / "profile") as page:
        ready(page, office)
        office.go()
        visit = begun(page)
        page.goto(f"{page.url}/readings")
        page.evaluate("{ const real = Date.now; Date.now = () => real() - 3600000; }")
        typed(page, "6.2")
        waits(page, 2)
        office.come()
        page.get_by_role("button", name="Send now").click()
        waits(page, 0)
    assert office.posts == [f"/boilers/{office.boiler}/visits", f"/visits/{visit}/readings"]
    assert office.readings(visit) == [(30.0, 6.2)]


def test_a_refused_beginning_holds_back_its_entries_and_is_corrected_under_its_id(
    office: Office, tmp_path: Path
) -> None:
    with phone(tmp_path / "profile") as page:
        ready(page, office)
        office.go()
        page.locator("#begin-who").fill(" ")  # no name, which only the office sees
        page.get_by_role("button", name="Begin a visit now").click()
        page.wait_for_url("**/visits/*")
        visit = UUID(page.url.rsplit("/", 1)[1])
        page.goto(f"{page.url}/readings")
        typed(page, "6.2")
        waits(page, 2)
        office.come()
        page.get_by_role("button", name="Send now").click()
        page.wait_for_selector("#waiting li[data-state=refused]")
        waits(page, 2)
        page.get_by_role("button", name="Look at it").click()
        page.wait_for_url("**/boilers/*/visits")
        page.goto(f"{office.address}/boilers/{office.boiler}")
        page.locator("#begin-who").fill("J. Harrow")
        page.get_by_role("button", name="Begin a visit now").click()
        page.wait_for_url("**/visits/*")
        waits(page, 0)
    assert [row.id for row in office.intake.unfinished_visits(office.boiler)] == [visit]
    assert office.readings(visit) == [(30.0, 6.2)]
