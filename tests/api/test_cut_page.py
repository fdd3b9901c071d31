"""The page of a log's cut: without a script by its form, with one by the boundaries themselves."""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from uuid import UUID

import numpy as np
import pytest
from starlette.testclient import TestClient

from api.app import create_app
from api.cut_chart import Stretch, time_chart
from api.cut_traces import Level, Trace, thinned
from api.pages.cut_form import seconds_of
from api.settings import Settings
from ingest.documents import boiler_from
from ingest.intake import Intake
from ingest.models import Visit
from ingest.store import Book
from tests import logs
from tests.api.conftest import BOILER
from tests.browser import browser, chromium
from tests.serving import serving

LOG = logs.as_csv(logs.made())


def hand_over(client: TestClient, visit: str, data: bytes = LOG, **fields: str) -> str:
    """Hand a log over on the visit's page; return the address of its cut."""
    answer = client.post(
        f"/visits/{visit}/files",
        files={"file": ("log.csv", data, "text/csv")},
        data={"as_log": "true", "phase": "as_left", **fields},
        follow_redirects=False,
    )
    assert answer.status_code == 303, answer.text
    return str(answer.headers["location"])


def page_of(client: TestClient, address: str) -> str:
    answer = client.get(address, headers={"accept": "text/html"})
    assert answer.status_code == 200
    return answer.text


def fields_of(html: str) -> dict[str, str]:
    """Return what a browser would send of the form as it stands, ticks left out."""
    found = {}
    for tag in re.findall(r"<input[^>]*>", html):
        given = dict(re.findall(r'([\w-]+)="([^"]*)"', tag))
        if given.get("type") not in ("checkbox", "radio", "file") and "name" in given:
            found[given["name"]] = given.get("value", "")
    return found


def sent(client: TestClient, address: str, then: str, **fields: str) -> tuple[int, str]:
    form = fields_of(page_of(client, address)) | {"who": "T. One", "then": then}
    form |= {key.replace("_", "-"): value for key, value in fields.items()}
    answer = client.post(address, data=form, follow_redirects=False)
    return answer.status_code, answer.headers.get("location", answer.text)


def test_a_log_handed_over_as_snapshots_is_offered_to_be_one(
    client: TestClient, visit: str
) -> None:
    answer = client.post(
        f"/visits/{visit}/files",
        files={"file": ("log.csv", LOG, "text/csv")},
        data={"phase": "as_left"},
        headers={"accept": "text/html"},
    )
    assert answer.status_code == 422
    assert "If it is a continuous log" in answer.text
    assert answer.text.count("no firing rate") < 5  # one line for 1,275 readings


def test_the_forms_choice_of_phase_is_not_taken_for_a_log(client: TestClient, visit: str) -> None:
    html = page_of(client, hand_over(client, visit))
    assert html.count("not stated yet") == 5
    assert "5 firing points found. Nothing of this log is judged before you take them." in html


def test_the_page_obeys_the_content_policy(client: TestClient, visit: str) -> None:
    html = page_of(client, hand_over(client, visit))
    assert not re.search(r"\sstyle=|<style|\son\w+=", html)
    assert re.findall(r"<script[^>]*>", html) == [
        '<script src="/static/charts.js" defer>',
        '<script src="/static/cut.js" defer>',
        '<script type="module" src="/static/signal.js">',
    ]
    assert client.get("/static/cut.js").status_code == 200
    assert client.get("/static/cut.css").status_code == 200


def test_the_form_alone_moves_names_drops_and_confirms(
    client: TestClient, visit: str, intake: Intake
) -> None:
    address = hand_over(client, visit)
    html = page_of(client, address)
    assert 'name="end-2"' in html
    # Two boundaries to the right at once: neither is stopped by where the other one was.
    status, place = sent(
        client, address, "keep", end_2="09:05:30", end_3="09:08:40", drop_5="1", right_3="1"
    )
    assert (status, place) == (303, f"{address}#chart")
    cut = intake.log_cut(UUID(visit), UUID(address.rsplit("/", 1)[1]))
    assert [s.end for s in cut.segments[2:4]] == [330.0, 520.0]
    assert cut.segments[5].kind == "ramp"
    assert (cut.segments[3].firing_rate, cut.segments[3].rate_basis) == (50.0, "confirmed")
    status, place = sent(client, address, "confirm")
    assert status == 422
    assert "firing rate that is more than a proposal" in place
    ticks = {"right_2": "1", "right_6": "1", "phase_all": "as_left"}
    status, place = sent(client, address, "confirm", **ticks)
    assert (status, place) == (303, f"/visits/{visit}#why")
    points = intake.visit(UUID(visit)).points
    assert [p.key.firing_rate for p in points] == [25.0, 50.0, 100.0]
    html = page_of(client, address)
    assert "4 firing points of this log, and the visit is judged with 3 of them." in html
    assert "boundary 09:05:12 moved to 09:05:30, by T. One" in html
    assert "Look at its firing points" not in page_of(client, f"/visits/{visit}")


def test_a_form_sent_unchanged_corrects_nothing(
    client: TestClient, visit: str, intake: Intake
) -> None:
    address = hand_over(client, visit)
    assert sent(client, address, "keep")[0] == 303
    assert intake.log_cut(UUID(visit), UUID(address.rsplit("/", 1)[1])).corrections == []


def test_the_last_correction_can_be_taken_back(client: TestClient, visit: str) -> None:
    address = hand_over(client, visit)
    assert "Take back" not in page_of(client, address)
    assert sent(client, address, "keep", split="09:07:00")[0] == 303
    assert "6 firing points found" in page_of(client, address)
    assert sent(client, address, "undo")[0] == 303
    html = page_of(client, address)
    assert "5 firing points found" in html
    assert "Take back" not in html


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"end_2": "soon"}, "no time for a boundary"),
        ({"end_2": "08:00:00"}, "can move between"),
        ({"rate_2": "high"}, "is no firing rate"),
        ({"rate_2": "120"}, "is no firing rate"),
        ({"split": "x"}, "no time for a new boundary"),
        ({"known": "7"}, "corrected the cut meanwhile"),
        ({"who": ""}, "Say who does this"),
    ],
)
def test_what_cannot_be_done_is_said_on_the_page(
    client: TestClient, visit: str, fields: dict[str, str], words: str
) -> None:
    address = hand_over(client, visit)
    status, text = sent(client, address, "keep", **{"drop_3": "1", **fields})
    assert status in (409, 422)
    assert words in text
    assert "nothing was changed" in text
    assert "5 firing points found" in page_of(client, address)


def test_a_log_without_plateau_says_so_and_shows_its_chart(client: TestClient, visit: str) -> None:
    html = page_of(client, hand_over(client, visit, logs.as_csv(logs.made(logs.COLD))))
    assert "No firing point was found in this log." in html
    assert html.count('class="trace"') == 6  # three panes, drawn narrow and broad
    assert "Take these firing points" not in html


def test_the_visit_says_that_a_log_waits(client: TestClient, visit: str) -> None:
    address = hand_over(client, visit)
    html = page_of(client, f"/visits/{visit}")
    assert f'href="{address}">Look at its firing points' in html
    missing = client.get(
        f"/visits/{visit}/logs/01900000-0000-7000-8000-000000000000",
        headers={"accept": "text/html"},
    )
    assert missing.status_code == 404


def test_a_time_of_day_is_the_second_of_the_log_even_past_midnight(
    client: TestClient, visit: str, intake: Intake
) -> None:
    address = hand_over(client, visit)
    cut = intake.log_cut(UUID(visit), UUID(address.rsplit("/", 1)[1]))
    assert seconds_of("09:01:30", cut, 100.0) == 90.0
    assert seconds_of("09:01", cut, 100.0) == 60.0
    assert seconds_of("90.5", cut, 100.0) == 90.5
    assert seconds_of("00:00:10", cut, 54_000.0) == 15 * 3600 + 10
    assert seconds_of("noon", cut, 100.0) is None
    assert seconds_of("nan", cut, 100.0) is None


def test_thinning_keeps_the_lowest_and_highest_of_every_column() -> None:
    times = np.arange(10_000.0)
    values = np.sin(times / 300.0)
    values[5000] = 9.0
    points = [p for run in thinned(times, values, 300) for p in run]
    assert len(points) <= 600
    assert (5000.0, 9.0) in points
    assert min(v for _, v in points) == pytest.approx(values.min())


def test_a_chart_draws_gaps_as_gaps_and_levels_by_phase() -> None:
    times = np.arange(100.0)
    values = np.full(100, 5.0)
    values[40:60] = np.nan
    svg = time_chart(
        times,
        [Trace("o2_dry", "O2", "%", 1, values, [Level(10.0, 40.0, 5.0, "left")])],
        [Stretch("firing point 1", 0.0, 50.0, 1, "50 %"), Stretch("on the way", 50.0, 99.0)],
        started=datetime.fromisoformat("2026-11-02T09:00:00"),
        width=358,
        ident="one",
    )
    assert svg.count('class="boundary"') == 1
    trace = re.search(r'class="trace" d="([^"]+)"', svg)
    assert trace is not None
    assert trace.group(1).count("M") == 2
    assert 'class="level left"' in svg
    assert "firing point 1 from 09:00:00 to 09:00:50, 50 %." in svg


@contextmanager
def served(folder: Path) -> Iterator[tuple[str, Intake, UUID]]:
    """Serve a book with one open visit at an address of its own."""
    with Book(folder / "book.db", durable=False) as book:
        intake = Intake(book)
        boiler = intake.put_boiler(boiler_from(BOILER, "boiler"), "T. One").document
        visit = intake.put_visit(
            Visit(boiler_id=boiler.id, started=datetime.fromisoformat("2026-11-02T08:00:00Z")),
            "T. One",
        ).document.id
        assert visit is not None
        with serving(create_app(intake, Settings(alone=True))) as address:
            yield address, intake, visit


@pytest.mark.browser
@pytest.mark.skipif(chromium() is None, reason="needs Chromium")
@pytest.mark.parametrize("width", [390, 1280])
def test_in_a_browser_from_the_log_to_the_flags(tmp_path: Path, width: int) -> None:
    file = tmp_path / "boiler log.csv"
    file.write_bytes(LOG)
    with served(tmp_path) as (base, intake, visit), browser() as opened:
        page = opened.new_page(viewport={"width": width, "height": 900}, has_touch=False)
        said: list[str] = []
        page.on("console", lambda m: said.append(m.text))
        page.on("pageerror", lambda e: said.append(str(e)))
        page.goto(f"{base}/visits/{visit}")
        page.set_input_files("#file", file)
        page.check("input[name=as_log]")
        page.click("text=Read and judge")
        page.wait_for_url("**/logs/**")
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        boundary = page.locator(".log:visible .boundary").nth(2)
        field = page.locator("#end-2")
        before = field.input_value()
        boundary.scroll_into_view_if_needed()
        box = boundary.locator(".grip").bounding_box()
        page.mouse.move(box["x"] + box["width"] / 2, box["y"] + 4)
        page.mouse.down()
        page.mouse.move(box["x"] + box["width"] / 2 - 12, box["y"] + 4, steps=4)
        page.mouse.up()
        dragged = field.input_value()
        assert dragged < before  # the boundary went to the left: to an earlier time
        boundary.press("ArrowRight")
        boundary.press("ArrowRight")
        assert boundary.get_attribute("aria-valuetext") == field.input_value()
        moved = field.input_value()
        assert dragged < moved < before
        for tick in page.locator("input[name^=right-]").all():
            tick.check()
        page.check("input[name=phase-all][value=as_left]")
        page.fill("#who", "T. One")
        page.click("text=Take these firing points and judge")
        page.wait_for_url("**/visits/*#why")
        assert page.locator("table caption").first.inner_text() == "As left"
        flags = page.locator("ol.flags li").count()
        view = intake.visit(visit)
        assert flags == len(view.judgement.flags)
        assert [p.key.firing_rate for p in view.points] == [25.0, 50.0, 100.0, 75.0]
        assert said == []
        cut = intake.log_cut(visit, view.attachments[0].id)
        assert cut.corrections[0].operation["action"] == "move"
        assert f"{cut.segments[2].end:g}" == f"{cut.corrections[0].operation['to']:g}"
        assert intake.evidence(view.attachments[0].sha256) == LOG


def test_a_refused_form_keeps_what_was_typed_and_says_it_beside_the_field(
    client: TestClient, visit: str
) -> None:
    address = hand_over(client, visit)
    status, html = sent(
        client, address, "keep", rate_1="fast", end_2="noon", split="later", phase_all="trial"
    )
    assert status == 422
    for field, typed in (("end-2", "noon"), ("split", "later")):
        tag = next(t for t in re.findall(r"<input[^>]*>", html) if f'name="{field}"' in t)
        assert f'value="{typed}"' in tag
        assert f'aria-describedby="wrong-{field}"' in tag
        assert f'id="wrong-{field}"' in html
    assert 'value="trial" checked' in html


def test_an_elapsed_log_is_given_its_start_on_the_page(client: TestClient, visit: str) -> None:
    lines = [b"Elapsed s;O2;CO;Stack"]
    lines += [b"%d;%.1f;%d;%.1f" % (n, 5 + n % 2 / 10, n % 3, 180 + n % 5 / 10) for n in range(300)]
    answer = client.post(
        f"/visits/{visit}/files",
        files={"file": ("log.csv", b"\n".join(lines), "text/csv")},
        data={"as_log": "true", "units": "stack_temperature=degC; o2_dry=%; co_dry=ppm"},
        headers={"accept": "text/html"},
    )
    assert answer.status_code == 422
    assert "State when it started" in answer.text
    stated = {"units": "stack_temperature=degC;o2_dry=%;co_dry=ppm", "started": "2026-11-02T09:15"}
    html = page_of(client, hand_over(client, visit, b"\n".join(lines), **stated))
    assert "09:15:00" in html
    refused = client.post(
        f"/v1/visits/{visit}/files?as_log=true&units=stack=degC", content=b"\n".join(lines)
    )
    assert refused.status_code == 422
    assert refused.json()["errors"][0]["parameter"] == "units"


def test_report_and_visit_say_that_a_log_waits_until_it_is_taken(
    client: TestClient, visit: str
) -> None:
    address = hand_over(client, visit)
    seen = client.get(f"/visits/{visit}/report").text
    assert "The continuous log log.csv is kept" in seen
    assert "Look at its firing points and take them" in page_of(client, f"/visits/{visit}")
    ticks = {f"rate_{n}": "50" for n in range(12) if f'name="rate-{n}"' in page_of(client, address)}
    status, place = sent(client, address, "confirm", phase_all="as_left", **ticks)
    assert status == 303, place
    assert "The continuous log" not in client.get(f"/visits/{visit}/report").text


def test_what_was_decided_at_cutting_stands_on_the_page(client: TestClient, visit: str) -> None:
    data = re.sub(rb",(\d+)\n", lambda m: b",low\n" if int(m[1]) < 60 else b",high\n",
                  logs.as_csv(logs.made(), rate=True))  # fmt: skip
    page = page_of(client, hand_over(client, visit, data))
    assert "The log records its firing rate by marks" in page
    assert "firing_rate" not in page
