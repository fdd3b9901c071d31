"""One device with several people, and one visit on several devices, in a real Chromium."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any
from uuid import UUID

import pytest

from samples.service import two_yearly_plan
from tests.api.report_case import png
from tests.browser import chromium
from tests.office import (
    CSV,
    Office,
    begun_with_signal,
    filed,
    phone,
    phones,
    photographed,
    ready,
    typed,
    waits,
)

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(chromium() is None, reason="no Chromium is installed here"),
]
PASSWORD = "seven cold burners"
SERVICE = f"service?plan={two_yearly_plan().key}"


@pytest.fixture
def signed_office(tmp_path: Path) -> Iterator[Office]:
    made = Office(tmp_path / "book.db", alone=False)
    made.come()
    for name in ("J. Harrow", "L. Tindall"):
        made.desk.use_link(made.desk.add_account(name, "technician", "test")[1], PASSWORD)
    yield made
    made.go()
    made.book.close()


def enter(page: Any, office: Office, name: str) -> None:
    """Sign in on a device where nobody is signed in."""
    page.context.clear_cookies()  # the session of whoever was here is over
    page.goto(f"{office.address}/sign-in")
    page.locator("#name").fill(name)
    page.locator("#password").fill(PASSWORD)
    page.locator("form.narrow button").click()
    page.wait_for_url(f"{office.address}/")


def sign_out(page: Any) -> None:
    page.locator("details.self summary").click()
    page.get_by_role("button", name="Sign out").click()


def begun(page: Any) -> UUID:
    page.get_by_role("button", name="Begin a visit now").click()
    page.wait_for_url("**/visits/*")
    return UUID(page.url.rsplit("/", 1)[1])


def served(page: Any, **fields: str) -> None:
    """Fill fields of the service part and save it."""
    for name, text in {**fields, "who": "J. Harrow"}.items():
        page.locator(f"form.work [name={name}]").last.fill(text)
    page.locator(".save button").first.click()


def test_a_service_entry_a_picture_and_a_file_wait_together_through_a_restart(
    office: Office, tmp_path: Path
) -> None:
    profile = tmp_path / "profile"
    with phone(profile) as page:
        address, visit = begun_with_signal(page, office)
        page.goto(f"{address}/{SERVICE}")
        office.go()
        served(page, note="Burner noisy at half rate", told="The caretaker")
        waits(page, 1)
        page.goto(address)
        photographed(page, "The burner's head")
        waits(page, 2)
        filed(page)
        waits(page, 3)
    with phone(profile) as page:
        page.goto(address)
        waits(page, 3)
        office.come()
        page.get_by_role("button", name="Send now").click()
        waits(page, 0)
    at = f"/visits/{visit}"
    assert office.posts[-3:] == [f"{at}/service", f"{at}/photos", f"{at}/files"]
    assert len(office.posts) == 4
    kept = office.intake.visit(visit)
    assert kept.visit.note == "Burner noisy at half rate"
    assert [(a.name, a.size) for a in kept.attachments] == [
        ("burner.png", len(png(40, 30))),
        ("a.csv", len(CSV)),
    ]
    assert office.readings(visit) == [(30.0, 5.1), (100.0, 4.6)]


def test_two_people_on_one_device_neither_see_nor_send_each_others_entries(
    signed_office: Office, tmp_path: Path
) -> None:
    office = signed_office
    with phone(tmp_path / "profile") as page:
        enter(page, office, "J. Harrow")
        ready(page, office)
        office.go()
        first = begun(page)
        page.goto(f"{page.url}/readings")
        typed(page, "6.2")
        waits(page, 2)
        sign_out(page)
        page.get_by_text("No signal: nothing was sent").wait_for()
        page.goto(f"{office.address}/boilers/{office.boiler}")
        waits(page, 2)  # the copies are still there, and so is what waits

        office.come()
        enter(page, office, "L. Tindall")
        waits(page, 0)
        ready(page, office)
        office.go()
        page.goto(f"{office.address}/visits/{first}")
        assert page.get_by_text("No signal, and no copy of this page here").is_visible()
        page.goto(f"{office.address}/boilers/{office.boiler}")
        second = begun(page)
        waits(page, 1)
        office.come()
        page.get_by_role("button", name="Send now").click()
        waits(page, 0)
        begins, signs = f"/boilers/{office.boiler}/visits", "/sign-in"
        sign_out(page)  # it leaves what another person entered where it is, and in sight
        page.get_by_text("2 entries are kept on this device until they have gone up.").wait_for()
        outs = "/sign-out"
        assert office.posts == [signs, signs, begins, outs]

        enter(page, office, "J. Harrow")
        waits(page, 0)  # they went up as soon as their own person was back
    theirs = [begins, f"/visits/{first}/readings"]
    assert office.posts == [signs, signs, begins, outs, signs, *theirs]
    begun_by = {r.id: r.visit.technician for r in office.intake.unfinished_visits(office.boiler)}
    assert begun_by == {first: "J. Harrow", second: "L. Tindall"}
    assert office.readings(first) == [(30.0, 6.2)]
    assert office.readings(second) == []
    assert {line["who"] for line in office.intake.trail(first)} == {"J. Harrow"}
    assert {line["who"] for line in office.intake.trail(second)} == {"L. Tindall"}


def test_two_devices_on_one_visit_are_merged_or_shown_both(office: Office, tmp_path: Path) -> None:
    with phones(tmp_path / "one", tmp_path / "two") as (one, two):
        address, visit = begun_with_signal(one, office)
        two.goto(address)
        two.evaluate("navigator.serviceWorker.ready.then(() => true)")
        for page in (one, two):
            page.goto(f"{address}/{SERVICE}")
            page.reload()
        office.go()
        served(one, told="The caretaker", note="Burner noisy at half rate")
        served(two, reason_by="A. Merrow", note="Burner quiet")
        for page, o2 in ((one, "6.2"), (two, "6.4")):
            waits(page, 1)
            page.goto(f"{address}/readings")
            typed(page, o2)
            waits(page, 2)
        office.come()
        one.get_by_role("button", name="Send now").click()
        waits(one, 0)
        two.get_by_role("button", name="Send now").click()
        two.wait_for_selector("#waiting li[data-state=refused]")
        assert office.readings(visit) == [(30.0, 6.2)]  # what came after it waits with it
        two.get_by_role("button", name="Look at it").click()
        both = two.locator("section[aria-labelledby=conflicts]").inner_text()
        assert "Burner noisy at half rate" in both and "Burner quiet" in both
        assert "The caretaker" not in both and "A. Merrow" not in both  # these touch nothing
        two.get_by_text("as stored by the other").click()
        two.locator(".save button").first.click()
        two.wait_for_url("**/service?saved=*")
        waits(two, 0)
    kept = office.intake.visit(visit).visit
    assert kept.note == "Burner noisy at half rate"
    assert kept.service is not None
    assert kept.service.left.told == ["The caretaker"]
    assert kept.service.left.reason_by == "A. Merrow"
    assert office.readings(visit) == [(30.0, 6.2), (30.0, 6.4)]
