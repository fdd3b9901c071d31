"""Pages without signal in a real Chromium: the server is stopped half way and comes back."""

from __future__ import annotations

import re
import time
from pathlib import Path

import pytest

from api.pages import signal
from samples.service import two_yearly_plan
from tests.browser import SHIFT, WATCH, chromium
from tests.office import Office, begun_with_signal, filed, phone, photographed, typed, waits

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(chromium() is None, reason="no Chromium is installed here"),
]
PLAN = two_yearly_plan()
TAKEN_ALONG = """new Promise((done) => {
  indexedDB.open("fluebook").onsuccess = (opened) => {
    const entries = opened.target.result.transaction("entries", "readwrite").objectStore("entries");
    entries.getAllKeys().onsuccess = (found) => {
      for (const key of found.target.result) entries.delete(key);
      done(found.target.result.length);
    };
  };
})"""
"""Throws away what waits, and tells how many there were."""


def test_entries_without_signal_survive_a_restart_and_go_up_once_in_order(
    office: Office, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    profile = tmp_path / "profile"
    with phone(profile) as page:
        address, visit = begun_with_signal(page, office)
        # A new version of the program: its worker takes over, and the copies stay.
        newer = re.sub('(?<=VERSION = )"\\w+"', '"next"', signal._worker())
        monkeypatch.setattr(signal, "_worker", lambda: newer)
        page.goto(f"{office.address}/due")
        fixed = "caches.keys().then(all => all.filter(n => n.includes('fixed')).join())"
        until = time.monotonic() + 20.0
        while page.evaluate(fixed) != "fluebook-fixed-next":
            assert time.monotonic() < until, "the new worker does not take over"
            time.sleep(0.05)
        page.goto(f"{office.address}/boilers")
        office.go()
        page.goto(f"{address}/readings")  # from the worker's copy
        page.locator("#waiting .copy").wait_for()
        typed(page, "6.2")
        waits(page, 1)
        typed(page, "4.4")
        waits(page, 2)
        page.goto(address)
        page.locator("#waiting summary").click()
        waits(page, 2)
        filed(page)
        waits(page, 3)
        titles = page.locator("#waiting li a").all_inner_texts()
        assert titles[1:] == ["Typed reading · B-1 · 100 %", "The analyzer's file · B-1"]
        page.reload()
        waits(page, 3)
        assert page.evaluate("document.documentElement.scrollWidth") <= 390
    with phone(profile) as page:  # the browser was quit; there is still no signal
        page.goto(address)
        waits(page, 3)
        office.come()
        page.get_by_role("button", name="Send now").click()
        waits(page, 0)
        older = page.locator("#waiting .copy")
        assert older.inner_text().startswith("What waited has gone up.")
        older.get_by_role("link", name="Load it again").click()
        page.locator("#waiting").wait_for(state="hidden")
        assert page.locator("html").get_attribute("data-copy") is None
    assert office.posts[-3:] == [
        f"/visits/{visit}/readings",
        f"/visits/{visit}/readings",
        f"/visits/{visit}/files",
    ]
    assert office.readings(visit) == [(30.0, 6.2), (100.0, 4.4), (30.0, 5.1), (100.0, 4.6)]
    assert len(office.intake.visit(visit).attachments) == 1


def test_an_answer_lost_on_its_way_doubles_nothing(office: Office, tmp_path: Path) -> None:
    with phone(tmp_path / "profile") as page:
        _, visit = begun_with_signal(page, office)
        office.lose_answer = True
        filed(page)
        waits(page, 1)
        page.locator("#waiting button.send").click()
        waits(page, 0)
    assert office.posts.count(f"/visits/{visit}/files") == 2
    assert office.readings(visit) == [(30.0, 5.1), (100.0, 4.6)]


def test_a_refused_entry_is_kept_with_the_office_s_words_and_holds_back_the_rest(
    office: Office, tmp_path: Path
) -> None:
    with phone(tmp_path / "profile") as page:
        address, visit = begun_with_signal(page, office)
        office.go()
        page.goto(f"{address}/readings")
        typed(page, "99")  # more oxygen than there is in air
        waits(page, 1)
        typed(page, "4.4")
        waits(page, 2)
        office.come()
        page.get_by_role("button", name="Send now").click()
        page.wait_for_selector("#waiting li[data-state=refused]")
        waits(page, 2)
        held = page.locator("#waiting li[data-state=held] b").inner_text()
        assert held == "waits for what was not taken above it"
        assert office.readings(visit) == []
        # The rows are made anew with every try; whoever is at one of them stays there.
        page.get_by_role("button", name="Throw it away").focus()
        page.evaluate("document.querySelector('#waiting li').dataset.old = 'yes'")
        page.evaluate("dispatchEvent(new Event('online'))")
        page.locator("#waiting li[data-old]").wait_for(state="detached")
        assert page.evaluate("document.activeElement.textContent") == "Throw it away"
        page.get_by_role("button", name="Look at it").click()
        page.wait_for_selector(".hint.bad")
        waits(page, 2)  # nothing is gone while it is looked at
        assert page.locator("input[name=o2_dry]").input_value() == "99"
        page.locator("input[name=o2_dry]").fill("5.9")
        page.get_by_role("button", name="Keep this reading").click()
        waits(page, 0)
        assert office.readings(visit) == [(30.0, 5.9), (100.0, 4.4)]  # in the order of entry
        # Another window sends first what is entered here: it is told, though no answer came.
        page.goto(f"{address}/readings")
        page.evaluate(
            "void navigator.locks.request('fluebook-waiting',"
            " () => new Promise((free) => { window.free = free }))"
        )
        typed(page, "4.2")
        until = time.monotonic() + 15.0
        while not page.evaluate(TAKEN_ALONG):
            assert time.monotonic() < until, "the entry is not kept"
        page.evaluate("window.free()")
        page.locator("#waiting .copy", has_text="What waited has gone up.").wait_for()


def test_a_device_without_room_sends_at_once_or_says_that_nothing_is_kept(
    office: Office, tmp_path: Path
) -> None:
    full = (
        "IDBObjectStore.prototype.put = () => { throw new DOMException('', 'QuotaExceededError') }"
    )
    with phone(tmp_path / "profile") as page:
        address, visit = begun_with_signal(page, office)
        page.add_init_script(full)
        page.goto(f"{address}/readings")
        office.go()
        typed(page, "6.2")
        page.get_by_role("alert").filter(has_text="has no room left").wait_for()
        assert page.get_by_label("O2", exact=False).first.input_value() == "6.2"
        office.come()
        page.get_by_role("button", name="Keep this reading").click()
        page.wait_for_url("**#typed")
        # A browser that keeps nothing at all sends its forms as one without scripts does.
        nothing = "indexedDB.open = () => { throw new DOMException('', 'UnknownError') }"
        page.add_init_script(nothing)
        page.goto(f"{address}/readings")
        typed(page, "4.4")
        page.wait_for_url("**#typed")
    assert sorted(o2 for _, o2 in office.readings(visit)) == [4.4, 6.2]


def test_half_filled_forms_are_offered_again(office: Office, tmp_path: Path) -> None:
    with phone(tmp_path / "profile") as page:
        address, visit = begun_with_signal(page, office)
        page.goto(f"{address}/readings")
        page.locator("input[name=o2_dry]").fill("5.5")
        page.wait_for_timeout(600)
        page.add_init_script(WATCH)
        page.reload()
        assert page.locator("input[name=o2_dry]").input_value() == ""
        page.get_by_role("button", name="Put them back").wait_for()
        assert page.evaluate("window.shift") < SHIFT  # what waits is told without moving the form
        page.get_by_role("button", name="Put them back").click()
        assert page.locator("input[name=o2_dry]").input_value() == "5.5"
        page.get_by_label("Your name").fill("J. Harrow")
        page.get_by_role("button", name="Keep this reading").click()
        page.wait_for_selector("#typed")
        assert page.locator(".offer").count() == 0
    assert office.readings(visit) == [(30.0, 5.5)]


def test_what_two_devices_changed_is_shown_in_both_versions(office: Office, tmp_path: Path) -> None:
    with phone(tmp_path / "one") as page:
        address, visit = begun_with_signal(page, office)
        page.goto(f"{address}/service?plan={PLAN.key}")
        office.go()
        page.locator("#note").fill("Burner noisy at half rate")
        page.locator("#told").fill("The caretaker")
        page.locator("input[name=who]").last.fill("J. Harrow")
        page.locator(".save button").first.click()
        waits(page, 1)
        now = office.intake.visit(visit)
        office.intake.put_visit(
            now.visit.model_copy(update={"note": "Burner quiet"}), "the other device"
        )
        office.come()
        page.locator("#waiting button.send").click()
        page.wait_for_selector("#waiting li[data-state=refused]", state="attached")
        assert office.intake.visit(visit).visit.note == "Burner quiet"
        if not page.get_by_role("button", name="Look at it").is_visible():
            page.locator("#waiting summary").click()
        page.get_by_role("button", name="Look at it").click()
        page.wait_for_selector("#conflicts")
        both = page.locator("section[aria-labelledby=conflicts]").inner_text()
        assert "Burner quiet" in both and "Burner noisy at half rate" in both
        page.get_by_text("yours, as it stands below").click()
        page.locator(".save button").first.click()
        page.wait_for_url("**/service?saved=*")
        waits(page, 0)
    kept = office.intake.visit(visit).visit
    assert kept.note == "Burner noisy at half rate"
    assert kept.service is not None and kept.service.left.told == ["The caretaker"]


def test_a_picture_waits_too_and_signing_out_throws_copies_away(
    office: Office, tmp_path: Path
) -> None:
    with phone(tmp_path / "one") as page:
        address, visit = begun_with_signal(page, office)
        office.go()
        page.goto(address)
        photographed(page, "The burner's head")
        waits(page, 1)
        office.come()
        page.reload()
        waits(page, 0)
        assert [a.name for a in office.intake.visit(visit).attachments] == ["burner.png"]
        # A page asked for just before signing out comes after it, and leaves nothing behind.
        page.evaluate(
            "navigator.serviceWorker.controller.postMessage({near: ['/boilers', '/due']}),"
            "fetch('/sign-out', {method: 'POST'}).catch(() => null)"
        )
        names = "caches.keys().then(all => all.filter(n => n.includes('pages')))"
        until = time.monotonic() + 10.0
        while page.evaluate(names):
            assert time.monotonic() < until, "copies stay after signing out"
            time.sleep(0.05)
