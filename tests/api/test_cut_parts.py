"""A long log is drawn whole and corrected part by part; each part is a page of its own."""

from __future__ import annotations

import gzip
import re
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from time import process_time
from uuid import UUID

import numpy as np
import pytest
from httpx import Response
from starlette.testclient import TestClient

from api.app import create_app
from api.cut_chart import LEFT, MOST_APART, RIGHT, Stretch, time_chart
from api.cut_traces import Level, Trace
from api.cut_window import CLOSEST, Window, ways_of
from api.settings import Settings
from ingest.cut_logs import forget_held_logs
from ingest.intake import Intake
from ingest.models import Visit
from ingest.store import Book
from samples.plant_log import Step
from tests import logs
from tests.api.test_cut_page import fields_of, hand_over, page_of, sent, served
from tests.browser import browser, chromium

STARTED = datetime.fromisoformat("2026-11-02T09:00:00")
TURNS = (25, 50, 100, 75)
LONG = [Step("purge", 45), *(Step("fire", 200, TURNS[n % 4]) for n in range(72))]


def widest(svg_or_page: str) -> list[float]:
    """Return the abscissas of the broad drawing's first trace."""
    broad = svg_or_page[svg_or_page.rindex('viewBox="0 0 760') :]
    found = re.search(r'class="trace" d="([^"]+)"', broad)
    assert found is not None
    return [float(x) for x in re.findall(r"[ML]([\d.]+),", found[1])]


@pytest.fixture(scope="module")
def long_log() -> bytes:
    return logs.as_csv(logs.made(LONG), rate=True)


def test_a_part_lies_within_its_log_and_leads_to_the_parts_beside() -> None:
    whole = Window(0.0, 1000.0, 0.0, 1000.0)
    assert whole.query == ""
    assert [w.query for w in ways_of(whole)] == ["?from=250.0&to=750.0"]
    part = whole.placed(900.0, 1100.0)
    assert (part.begin, part.end) == (800.0, 1000.0)
    assert [w.words for w in ways_of(part)] == ["earlier", "closer", "wider", "whole log"]
    tiny = whole.placed(500.0, 500.5)
    assert tiny.end - tiny.begin == CLOSEST
    assert "closer" not in [w.words for w in ways_of(tiny)]
    short = Window(0.0, 5.0, 0.0, 5.0)
    assert short.placed(1.0, 2.0) == short
    assert ways_of(short) == []


def test_many_stretches_are_drawn_together() -> None:
    times = np.arange(36_000.0)
    values = np.sin(times / 50.0) + 5.0
    stretches = [
        Stretch(f"s{n}", n * 100.0, n * 100.0 + 100.0, n // 2 + 1 if n % 2 else None, index=n)
        for n in range(360)
    ]
    levels = [Level(s.start, s.end, 5.0, "left", 0.1, "row") for s in stretches if s.number]
    trace = Trace("o2_dry", "O2", "%", 1, values, levels)
    drawn = time_chart(times, [trace], stretches, started=STARTED, width=760, ident="a")
    assert 'class="boundary"' not in drawn
    assert "data-row" not in drawn
    assert drawn.count('class="level left"') == 1
    assert "360 stretches from 09:00:00 to 19:00:00, 180 of them firing points." in drawn
    assert len(widest(drawn)) <= 2 * (760 - LEFT - RIGHT)
    assert len(drawn) < 60_000
    # A part of them as any short log.
    few = [s for s in stretches if s.end > 1000.0 and s.start < 2000.0]
    part = time_chart(
        times[1000:2001], [replace(trace, values=values[1000:2001], levels=())], few,
        started=STARTED, width=760, ident="a", window=(1000.0, 2000.0),
    )  # fmt: skip
    assert [int(n) for n in re.findall(r'data-boundary="(\d+)"', part)] == list(range(10, 19))


def test_a_spike_that_the_whole_log_hides_in_a_column_is_seen_closer(
    client: TestClient, visit: str
) -> None:
    address = hand_over(client, visit)
    whole = page_of(client, address)
    part = page_of(client, f"{address}?from=09:05:00&to=09:06:00")
    # The log has a sample a second: all of a minute are drawn, and the line goes on at both ends.
    assert len(widest(part)) == 63
    assert widest(part)[0] == LEFT
    assert widest(part)[-1] == 760 - RIGHT
    assert len(widest(whole)) > 600
    assert "09:05:10" in part  # its axis counts seconds
    assert 'value="look:" data-looks>whole log' in part
    # Nonsense, and ends the wrong way round, show the whole log.
    for asked in ("from=soon&to=later", "from=600&to=60", "from=nan&to=inf"):
        assert page_of(client, f"{address}?{asked}").count('class="ways"') == 1
        assert len(widest(page_of(client, f"{address}?{asked}"))) == len(widest(whole))


def test_a_boundary_is_corrected_in_its_part(
    client: TestClient, visit: str, intake: Intake
) -> None:
    address = hand_over(client, visit)
    identity = UUID(visit), UUID(address.rsplit("/", 1)[1])
    before = intake.log_cut(*identity)
    n = next(k for k, s in enumerate(before.segments) if s.kind == "plateau")
    end = before.segments[n].end
    query = f"?from={end - 60:.1f}&to={end + 60:.1f}"
    html = page_of(client, address + query)
    assert set(re.findall(r'data-boundary="(\d+)"', html)) <= set(
        re.findall(r'data-end="(\d+)"', html)
    )
    assert f'name="end-{n + 4}"' not in html  # of another part
    to = (before.log.started + timedelta(seconds=round(end) - 10)).strftime("%H:%M:%S")
    form = fields_of(html) | {"who": "T. One", "then": "keep", f"end-{n}": to}
    answer = client.post(address, data=form, follow_redirects=False)
    assert answer.status_code == 303
    assert answer.headers["location"] == f"{address}{query}#chart"  # the same part again
    after = intake.log_cut(*identity)
    assert len(after.corrections) == 1
    assert after.segments[n].end == round(end) - 10
    assert [s.end for k, s in enumerate(after.segments) if k != n] == [
        s.end for k, s in enumerate(before.segments) if k != n
    ]
    # What is refused stays in its part, too; a part without firing points can still be taken.
    refused = client.post(address, data=form | {"known": "1", f"end-{n}": "noon"})
    assert refused.status_code == 422
    assert f'name="from" value="{end - 60:.1f}' in refused.text
    first = page_of(client, f"{address}?from=0&to=60")
    assert "The whole log is taken, with all its" in first
    assert 'value="confirm"' in first


def test_a_log_of_many_stretches_is_corrected_part_by_part(
    client: TestClient, visit: str, intake: Intake, long_log: bytes
) -> None:
    address = hand_over(client, visit, long_log)
    cut = intake.log_cut(UUID(visit), UUID(address.rsplit("/", 1)[1]))
    assert len(cut.segments) > MOST_APART
    whole = page_of(client, address)
    assert 'name="end-' not in whole
    assert 'class="boundary"' not in whole
    assert whole.count('<th scope="row"><button form="corrections"') == len(cut.plateaus)
    assert len(gzip.compress(whole.encode())) < 60_000
    parts = re.findall(r'<li><button[^>]*#correct"[^>]*value="look:([^"]+)"', whole)
    assert len(parts) >= 2
    asked: set[int] = set()
    for part in parts:
        html = page_of(client, address + part.replace("&amp;", "&"))
        fields = {int(n) for n in re.findall(r'data-end="(\d+)"', html)}
        assert len(fields) <= MOST_APART
        assert {int(n) for n in re.findall(r'data-boundary="(\d+)"', html)} <= fields
        asked |= fields
    assert asked == set(range(len(cut.segments) - 1))  # every boundary has its field somewhere
    # A point of the table leads to its own part.
    link = re.search(r'<th scope="row"><button[^>]*#(stretch-\d+)"[^>]*value="look:([^"]+)"', whole)
    assert link is not None
    assert f'id="{link[1]}"' in page_of(client, address + link[2].replace("&amp;", "&"))
    # And the whole is taken without any of them.
    status, place = sent(client, address, "confirm", phase_all="as_left")
    assert (status, place) == (303, f"/visits/{visit}#why")


def look(client: TestClient, address: str, query: str, form: dict[str, str]) -> Response:
    """Follow the way to another part, as its button sends the form."""
    asked = form | {"then": f"look:{query}"}
    return client.post(address, data=asked, follow_redirects=False)


def test_what_was_typed_in_one_part_goes_along_to_the_next(
    client: TestClient, visit: str, intake: Intake, long_log: bytes
) -> None:
    address = hand_over(client, visit, long_log)
    identity = UUID(visit), UUID(address.rsplit("/", 1)[1])
    before = intake.log_cut(*identity)
    whole = page_of(client, address)
    found = re.findall(r'<li><button[^>]*#correct"[^>]*value="look:([^"]+)"', whole)
    first, second = [q.replace("&amp;", "&") for q in found[:2]]
    form = fields_of(page_of(client, address + first))
    # Nothing typed: the part has an address of its own.
    assert look(client, address, second, form).headers["location"] == address + second
    n = next(k for k, s in enumerate(before.segments) if s.kind == "plateau")
    m = max(int(k) for k in re.findall(r'data-end="(\d+)"', page_of(client, address + second)))
    late = max(k for k in range(m) if before.segments[k].kind == "plateau")
    to = (before.log.started + timedelta(seconds=round(before.segments[n].end) - 10)).time()
    typed = {f"end-{n}": to.isoformat(), f"rate-{n}": "30", f"join-{n + 2}": "1", "who": "T. One"}
    there = look(client, address, second, form | typed)
    assert there.status_code == 200
    assert "3 entries of other parts of the log are not kept yet" in there.text
    assert intake.log_cut(*identity).corrections == []
    later = fields_of(there.text)
    assert later["who"] == "T. One"
    assert later.items() >= typed.items()
    # Back again they stand in their own fields, and those of the second part go along.
    later |= {f"drop-{late}": "1", "phase-all": "as_left"}
    again = look(client, address, first, later)
    assert f'id="end-{n}" name="end-{n}" autocomplete="off" value="{to.isoformat()}"' in again.text
    assert f'name="join-{n + 2}" value="1" checked' in again.text
    assert 'value="as_left" checked' in again.text
    assert "1 entry of other parts" in again.text
    # A field that is refused is shown, in whichever part it lies.
    last = fields_of(again.text) | {f"join-{n + 2}": "1", "phase-all": "as_left", "then": "keep"}
    refused = client.post(address, data=last | {f"end-{m - 2}": "noon", "known": "0"})
    assert refused.status_code == 422
    assert f'aria-describedby="wrong-end-{m - 2}"' in refused.text
    assert client.post(address, data=last, follow_redirects=False).status_code == 303
    done = [c.operation["action"] for c in intake.log_cut(*identity).corrections]
    assert sorted(done) == ["drop", "join", "move", "phase", "rate"]
    # By numbers of a cut that was corrected meanwhile nothing is carried anywhere.
    lost = look(client, address, second, form | typed)
    assert lost.status_code == 409
    assert "corrected the cut meanwhile" in lost.text


@pytest.mark.soak
def test_the_page_of_a_day_at_10_hz_is_light_and_quick_after_a_restart(tmp_path: Path) -> None:
    """Measured 60 kB and 0.5 s of processor time with two cores shared, then 0.3 s."""
    from tests.ingest.test_long_logs import day_at_10_hz  # makes an hour of it when imported

    day_at_10_hz(tmp_path / "day.csv")
    data = (tmp_path / "day.csv").read_bytes()
    with Book(tmp_path / "book.db", durable=False) as book:
        intake = Intake(book)
        visit = intake.put_visit(Visit(started=STARTED), "A. Merrow").document.id
        assert visit is not None
        log = intake.add_log(visit, data, "day.csv", "A. Merrow", response_time=30.0)[0]
        with TestClient(create_app(intake, Settings(alone=True))) as client:
            client.get("/help")
            forget_held_logs()
            for query, most in (("", 2.0), ("", 1.0), ("?from=36000&to=39600", 1.0)):
                began = process_time()
                answer = client.get(f"/visits/{visit}/logs/{log.attachment.id}{query}")
                assert process_time() - began < most
                assert answer.status_code == 200
                assert len(gzip.compress(answer.content)) < 150_000


@pytest.mark.browser
@pytest.mark.skipif(chromium() is None, reason="needs Chromium")
@pytest.mark.parametrize("width", [390, 1440])
def test_in_a_browser_a_boundary_of_a_part_moves_its_own_field(tmp_path: Path, width: int) -> None:
    with served(tmp_path) as (base, intake, visit), browser() as opened:
        cut = intake.add_log(visit, logs.as_csv(logs.made()), "log.csv", "A. Merrow")[0]
        n = next(k for k, s in enumerate(cut.segments) if s.kind == "plateau")
        end = cut.segments[n].end
        page = opened.new_page(viewport={"width": width, "height": 900})
        said: list[str] = []
        page.on("console", lambda m: said.append(m.text))
        page.on("pageerror", lambda e: said.append(str(e)))
        page.goto(f"{base}/visits/{visit}/logs/{cut.attachment.id}?from={end - 90}&to={end + 90}")
        fields = page.locator("input[data-end]")
        before = [one.input_value() for one in fields.all()]
        page.locator(f'.boundary[data-boundary="{n}"]:visible').press("ArrowRight")
        moved = [one.input_value() for one in fields.all()]
        changed = [k for k, (a, b) in enumerate(zip(before, moved, strict=True)) if a != b]
        assert [fields.nth(k).get_attribute("data-end") for k in changed] == [str(n)]
        page.fill("#who", "A. Merrow")
        page.click("text=Keep corrections, draw again")
        page.locator("#told").wait_for()  # the corrections so far
        page.wait_for_load_state("networkidle")
        assert f"from={end - 90:.1f}" in page.url
        after = intake.log_cut(visit, cut.attachment.id)
        assert after.segments[n].end == pytest.approx(end + 1.0)
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        # Moved by the script and not kept, it goes along to another part and back.
        page.locator(f'.boundary[data-boundary="{n}"]:visible').press("ArrowLeft")
        typed = page.input_value(f"#end-{n}")
        page.click(".ways >> text=whole log")
        page.wait_for_url(lambda url: url.endswith(f"{cut.attachment.id}#chart"))
        assert page.input_value(f"#end-{n}") == typed
        moved_there = page.locator(f'.boundary.moved[data-boundary="{n}"]:visible')
        assert moved_there.get_attribute("aria-valuetext") == typed
        assert page.locator(".boundary.moved:visible").count() == 1
        page.locator(f'.boundary[data-boundary="{n}"]:visible').press("Escape")
        page.click(".ways >> text=closer")
        page.wait_for_url(lambda url: "from=" in url and f"from={end - 90:.1f}" not in url)
        assert page.locator(".log:visible path.trace").count() == 3
        page.click(".ways >> text=whole log")
        page.wait_for_url(lambda url: "from=" not in url)
        assert said == []
