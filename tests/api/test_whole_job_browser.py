"""The whole job in a real Chromium: file in, a boundary corrected, flag seen, handed in, accepted.

By mouse, by keyboard alone, and by touch on a small screen; and by touch with the signal gone half
way.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any
from uuid import UUID

import pytest

from tests import logs
from tests.browser import chromium
from tests.office import Office, phone, waits

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(chromium() is None, reason="no Chromium is installed here"),
]
LOG = logs.as_csv(logs.made())
BOUNDARY = ".log .boundary"
TICKS = "input[name^=right-]"


class Hand:
    """One way of working a page."""

    def __init__(self, page: Any) -> None:
        self.page = page

    def press(self, selector: str) -> None:
        """Press what the selector names, the first in sight."""
        self.page.locator(selector).locator("visible=true").first.click()

    def write(self, selector: str, text: str) -> None:
        self.press(selector)
        self.page.keyboard.press("ControlOrMeta+a")
        self.page.keyboard.type(text)

    def choose(self, selector: str, file: Path) -> None:
        with self.page.expect_file_chooser() as chooser:
            self.press(selector)
        chooser.value.set_files(file)

    def earlier(self, selector: str) -> None:
        """Move a boundary to the left."""
        grip = self.page.locator(selector).locator("visible=true").nth(2)
        grip.scroll_into_view_if_needed()
        box = grip.locator(".grip").bounding_box()
        x, y = box["x"] + box["width"] / 2, box["y"] + 4
        self.page.mouse.move(x, y)
        self.page.mouse.down()
        self.page.mouse.move(x - 12, y, steps=4)
        self.page.mouse.up()


class Finger(Hand):
    """A finger on a screen of 390 px."""

    def press(self, selector: str) -> None:
        self.page.locator(selector).locator("visible=true").first.tap()

    def earlier(self, selector: str) -> None:
        grip = self.page.locator(selector).locator("visible=true").nth(2)
        grip.scroll_into_view_if_needed()
        box = grip.locator(".grip").bounding_box()
        x, y = box["x"] + box["width"] / 2, box["y"] + 4
        session = self.page.context.new_cdp_session(self.page)
        for kind, at in (("touchStart", x), ("touchMove", x - 6), ("touchMove", x - 12)):
            points = [{"x": at, "y": y}]
            session.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})
        session.send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})


class Keys(Hand):
    """The keyboard alone: everything is reached by Tab."""

    def reach(self, selector: str, skip: int = 0) -> None:
        for _ in range(400):
            self.page.keyboard.press("Tab")
            if self.page.evaluate("s => document.activeElement.matches(s)", selector):
                if not skip:
                    return
                skip -= 1
        raise AssertionError(f"Tab does not reach {selector}")

    def press(self, selector: str) -> None:
        group, _, value = selector.partition("[value=")
        if value and group.startswith("input"):  # Tab enters a group, arrows choose in it
            self.reach(group)
            for _ in range(10):
                if self.page.locator(selector).is_checked():
                    return
                self.page.keyboard.press("ArrowDown")
        self.reach(selector)
        kind = self.page.evaluate("document.activeElement.type || 'link'")
        self.page.keyboard.press("Space" if kind in ("checkbox", "radio", "file") else "Enter")

    def write(self, selector: str, text: str) -> None:
        self.reach(selector)
        self.page.keyboard.press("ControlOrMeta+a")
        self.page.keyboard.type(text)

    def earlier(self, selector: str) -> None:
        self.reach(selector, skip=2)
        for _ in range(5):
            self.page.keyboard.press("ArrowLeft")


@pytest.fixture
def office(tmp_path: Path) -> Iterator[Office]:
    made = Office(tmp_path / "book.db", rates=[25, 50, 75, 100])
    made.come()
    yield made
    made.go()
    made.book.close()


def cut_seen(hand: Hand, office: Office, tmp_path: Path) -> tuple[str, UUID]:
    """Begin a visit and hand over a log; return the visit's address and id on the cut's page."""
    file = tmp_path / "log.csv"
    file.write_bytes(LOG)
    page = hand.page
    page.goto(f"{office.address}/boilers/{office.boiler}")
    hand.write("#begin-who", "J. Harrow")
    hand.press("form[action$='/visits'] button")
    page.wait_for_url("**/visits/*")
    address = page.url
    hand.choose("#file", file)
    hand.press("input[name=as_log]")
    hand.press("form[action$='/files'] button")
    page.wait_for_url("**/logs/**")
    page.wait_for_load_state()
    return address, UUID(address.rsplit("/", 1)[1])


def cut_taken(hand: Hand) -> None:
    page = hand.page
    before = page.locator("#end-2").input_value()
    hand.earlier(BOUNDARY)
    assert page.locator("#end-2").input_value() < before
    hand.press("input[name=phase-all][value=as_left]")
    for tick in page.locator(TICKS).all():
        name = tick.get_attribute("name")
        hand.press(f"input[name={name}]")
    hand.write("#who", "J. Harrow")
    hand.press("button[value=confirm]")


def handed_in(hand: Hand) -> None:
    hand.write("form[action$='/hand-in'] #who", "J. Harrow")
    hand.press("form[action$='/hand-in'] button")


def accepted(hand: Hand, office: Office, visit: UUID) -> None:
    page = hand.page
    page.wait_for_selector("form[action$='/accept']")
    hand.write("#a-who", "A. Merrow")
    hand.write("#a-why", "Seen and agreed")
    hand.press("form[action$='/accept'] button")
    page.wait_for_selector("form[action$='/accept']", state="detached")
    view = office.intake.visit(visit)
    assert view.state == "accepted"
    assert [p.key.firing_rate for p in view.points] == [25.0, 50.0, 100.0, 75.0]
    cut = office.intake.log_cut(visit, view.attachments[0].id)
    assert cut.corrections[0].operation["action"] == "move"
    assert office.intake.evidence(view.attachments[0].sha256) == LOG
    assert office.book.verify() == []


@pytest.mark.parametrize("way", [Hand, Keys, Finger])
def test_the_whole_job(office: Office, tmp_path: Path, way: Callable[[Any], Hand]) -> None:
    small = way is Finger
    with phone(tmp_path / "profile", width=390 if small else 1280, touch=small) as page:
        hand = way(page)
        _, visit = cut_seen(hand, office, tmp_path)
        cut_taken(hand)
        page.wait_for_url("**/visits/*#why")
        assert page.locator("ol.flags li").count() == len(
            office.intake.visit(visit).judgement.flags
        )
        handed_in(hand)
        accepted(hand, office, visit)


def test_the_signal_goes_half_way_and_comes_back(office: Office, tmp_path: Path) -> None:
    with phone(tmp_path / "profile", touch=True) as page:
        hand = Finger(page)
        address, visit = cut_seen(hand, office, tmp_path)
        page.evaluate("navigator.serviceWorker.ready.then(() => true)")
        page.reload()
        office.go()
        cut_taken(hand)
        waits(page, 1)
        page.goto(address)
        handed_in(hand)
        waits(page, 2)
        assert office.intake.visit(visit).state == "open"
    with phone(tmp_path / "profile", touch=True) as page:  # a new start of the browser
        office.come()
        page.goto(address)
        waits(page, 0)
        page.reload()
        accepted(Finger(page), office, visit)
    assert [p.rsplit("/", 1)[1] for p in office.posts].count("hand-in") == 1
