"""Handing a file over says how far it came: bytes sent, then what the office makes of them."""

from __future__ import annotations

import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import Any
from uuid import uuid4

import numpy as np
import pytest
from starlette.testclient import TestClient

from api import file_progress
from api.file_progress import FileProgress, HowFar
from ingest import intake_cuts
from ingest.how_far import Stage, reached, telling
from ingest.models import Visit
from samples.plant import BoilerModel
from samples.plant_log import log
from tests import logs
from tests.browser import browser, chromium
from tests.office import Office

LOG = logs.as_csv(log(BoilerModel(), logs.STAYS, np.random.default_rng(3), interval=0.25))
ROWS = LOG.count(b"\n") - 1


def test_a_log_tells_its_bytes_its_rows_and_its_firing_points(
    client: TestClient, visit: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    told: list[tuple[Stage, int]] = []
    heard = FileProgress.following

    def following(self: FileProgress, key: Any, size: int) -> Any:
        told.append(("received", size))
        return heard(self, key, size)

    monkeypatch.setattr(FileProgress, "following", following)
    monkeypatch.setattr(intake_cuts, "reached", lambda stage, n: told.append((stage, n)))
    answer = client.post(
        f"/visits/{visit}/files",
        files={"file": ("log.csv", LOG, "text/csv")},
        data={"as_log": "true"},
        follow_redirects=False,
    )
    assert answer.status_code == 303
    assert told[:2] == [("received", len(LOG)), ("rows", ROWS)]
    cut = client.get("/v1" + answer.headers["location"] + "/cut").json()
    found = sum(s["kind"] == "plateau" for s in cut["segments"])
    assert told[2:] == [("cut", found)]


def test_what_is_told_is_the_senders_own_and_ends_with_the_sending(tmp_path: Path) -> None:
    progress, visit = FileProgress(tmp_path / "book.db"), uuid4()
    key = ("one", visit, "entry")
    with progress.following(key, 12345):
        assert progress.said(key).words == "All 12345 bytes are there and are being read."
        reached("rows", 1)
        assert progress.said(key) == HowFar("1 row is read and being judged.", True)
        assert progress.said(("other", visit, "entry")) == HowFar("", False)
    assert progress.said(key) == HowFar("", False)
    with pytest.raises(ValueError, match="gone wrong"), progress.following(key, 1):
        raise ValueError("gone wrong")
    assert progress.said(key) == HowFar("", False)
    reached("rows", 2)  # nobody listens: nothing happens
    assert list(tmp_path.iterdir()) == []


_ANOTHER = """
import sys, time
from pathlib import Path
from uuid import UUID
from api.file_progress import FileProgress
from ingest.how_far import reached
progress = FileProgress(Path(sys.argv[1]))
with progress.following(("one", UUID(sys.argv[2]), "../../entry"), 5):
    reached("rows", 40)
    print("taking", flush=True)
    time.sleep(60)
"""


def test_another_program_tells_how_far_it_came_and_that_it_was_killed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    book, visit = tmp_path / "book.db", uuid4()
    progress, key = FileProgress(book), ("one", visit, "../../entry")
    with subprocess.Popen(
        [sys.executable, "-c", _ANOTHER, str(book), str(visit)], stdout=subprocess.PIPE, text=True
    ) as other:
        try:
            assert other.stdout is not None
            assert other.stdout.readline() == "taking\n"
            assert progress.said(key) == HowFar("40 rows are read and being judged.", True)
            (written,) = (tmp_path / "book.db.taking").iterdir()
            before = written.stat().st_mtime_ns
            until = time.monotonic() + 20
            while written.stat().st_mtime_ns == before:  # it beats
                assert time.monotonic() < until
                time.sleep(0.1)
        finally:
            other.kill()
    monkeypatch.setattr(file_progress, "_STALLED_S", 0.1)
    time.sleep(0.2)
    said = progress.said(key)
    assert not said.going
    assert said.words.startswith("Nothing has been heard of the reading for")
    monkeypatch.setattr(file_progress, "_LEFT_S", 0.1)
    FileProgress(book)
    assert list(tmp_path.iterdir()) == []


def test_one_stage_that_never_ends_is_told_as_standing_still(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    progress, key = FileProgress(tmp_path / "book.db"), ("one", uuid4(), "entry")
    with progress.following(key, 5):
        assert progress.said(key).going
        monkeypatch.setattr(file_progress, "_LONGEST_S", -1.0)
        assert not progress.said(key).going


def test_a_folder_that_cannot_be_written_stops_no_file(tmp_path: Path) -> None:
    progress, key = FileProgress(tmp_path / "none" / "book.db"), ("one", uuid4(), "entry")
    with progress.following(key, 5):
        reached("rows", 1)
        assert progress.said(key) == HowFar("", False)


def test_only_the_innermost_listener_is_told() -> None:
    heard: list[tuple[str, Stage, int]] = []
    with telling(lambda stage, n: heard.append(("outer", stage, n))):
        with telling(lambda stage, n: heard.append(("inner", stage, n))):
            reached("rows", 1)
        reached("cut", 2)
    assert heard == [("inner", "rows", 1), ("outer", "cut", 2)]


def test_nothing_is_said_of_a_file_that_is_not_on_its_way(client: TestClient, visit: str) -> None:
    answer = client.get(f"/visits/{visit}/files/progress/nothing")
    assert (answer.status_code, answer.text) == (200, "")
    assert answer.headers["cache-control"] == "no-store"
    assert answer.headers["fluebook-taking"] == "still"


def _impatient(route: Any) -> None:
    """Have a browser ask after a second, not after a minute, whether the office still reads."""
    text = route.fetch().text()
    assert "QUIET = 60000" in text
    headers = {"Content-Type": "text/javascript"}
    route.fulfill(body=text.replace("QUIET = 60000", "QUIET = 1000"), headers=headers)


@pytest.mark.skipif(chromium() is None, reason="needs Chromium")
def test_a_telephone_shows_the_bytes_and_then_the_reading(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    rows_told, may_cut = threading.Event(), threading.Event()
    plain = intake_cuts.proposed

    def slow(*given: Any) -> Any:
        rows_told.set()
        assert may_cut.wait(30)
        return plain(*given)

    monkeypatch.setattr(intake_cuts, "proposed", slow)
    office = Office(tmp_path / "book.db")
    office.come()
    made = office.intake.put_visit(
        Visit(boiler_id=office.boiler, started=logs.STARTED.astimezone()), "t"
    ).document
    file = tmp_path / "log.csv"
    file.write_bytes(LOG)
    try:
        with browser() as opened:
            page = opened.new_page(viewport={"width": 390, "height": 844})
            page.route("**/waiting.js*", _impatient)
            page.goto(f"{office.address}/visits/{made.id}")
            page.locator("#waiting").wait_for(state="attached")
            net = page.context.new_cdp_session(page)
            net.send("Network.enable")
            slowly = {"offline": False, "latency": 0, "downloadThroughput": -1}
            net.send(
                "Network.emulateNetworkConditions", slowly | {"uploadThroughput": len(LOG) // 4}
            )
            form = page.locator("form[action$='/files']")
            form.locator("input[type=file]").set_input_files(file)
            form.get_by_label("it is a continuous log").check()
            form.get_by_role("button", name="Read and judge").click()
            status = form.get_by_role("status")
            status.filter(has_text="kB sent").wait_for(timeout=20000)
            assert rows_told.wait(30)
            net.send("Network.emulateNetworkConditions", slowly | {"uploadThroughput": -1})
            status.filter(has_text=f"{ROWS} rows are read").wait_for(timeout=10000)
            box = status.bounding_box()
            page.wait_for_timeout(2500)  # longer than the browser waits for one that stands still
            assert status.is_visible()
            assert box is not None
            assert box["x"] >= 0
            assert box["x"] + box["width"] <= 390
            may_cut.set()
            page.wait_for_url("**/logs/*", timeout=20000)
            assert sum(post.endswith("/files") for post in office.posts) == 1
    finally:
        may_cut.set()
        office.go()
        office.book.close()
