"""The pages of a visit with a long log rest on its points, never on its readings."""

from __future__ import annotations

import re
from uuid import UUID

import numpy as np
import pytest
from starlette.testclient import TestClient

from api.pages.facts import LINES_SHOWN
from api.pages.file_lines import lines_of
from ingest.intake import Intake
from ingest.intake_judging import live_points
from ingest.store import readings as readings_of_book
from samples.plant import BoilerModel
from samples.plant_log import Step, log
from tests import logs
from tests.api.test_cut_page import hand_over, page_of, sent

PROGRAM = [Step("purge", 60), *(Step("fire", 260, rate) for rate in (25, 50, 100, 75, 25, 50))]
LONG = logs.as_csv(log(BoilerModel(), PROGRAM, np.random.default_rng(7), interval=0.5), rate=True)


@pytest.fixture
def taken(client: TestClient, visit: str) -> str:
    """A visit whose long log was confirmed."""
    cut = hand_over(client, visit, LONG)
    status, where = sent(client, cut, "confirm", phase_all="as_left")
    assert status == 303, where
    return visit


def test_pages_of_a_visit_read_neither_its_readings_nor_its_files(
    client: TestClient, taken: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    first = page_of(client, f"/visits/{taken}")

    def never(*_: object, **__: object) -> None:
        raise AssertionError("read again")

    monkeypatch.setattr(readings_of_book, "readings", never)
    monkeypatch.setattr(readings_of_book, "evidence", never)
    assert page_of(client, f"/visits/{taken}") == first
    assert client.get(f"/visits/{taken}/report").status_code == 200
    assert len(client.get(f"/v1/visits/{taken}").json()["points"]) == 6


def test_a_number_of_a_long_log_leads_to_the_line_that_it_was_read_in(
    client: TestClient, taken: str, intake: Intake
) -> None:
    rows = LONG.decode().splitlines()
    html = page_of(client, f"/visits/{taken}")
    found = re.findall(rf'<a href="(/visits/{taken}/files/[0-9a-f-]+\?line=(\d+)#line-\d+)">', html)
    assert len(found) > 10
    kept = {k.reading.lines[0]: k.reading for k in intake.visit(UUID(taken)).readings}
    for address, line in found[:3]:
        assert rows[int(line) - 1] in page_of(client, address)
    # Each stands at the line of the first reading that its point keeps.
    for point in live_points(intake.book.reader, UUID(taken)):
        line = min(point.lines)
        here = f'href="#f1-line-{line}"' if line <= LINES_SHOWN else f"?line={line}#line-{line}"
        assert here in html
        assert all(kept[n].firing_rate == point.key.firing_rate for n in point.lines)


def test_points_in_the_book_are_those_of_its_readings(intake: Intake, taken: str) -> None:
    live = live_points(intake.book.reader, UUID(taken))
    stored = intake.visit(UUID(taken)).points
    assert [(p.key, p.values, p.lines, p.count) for p in stored] == [
        (p.key, p.values, p.lines, p.count) for p in live
    ]


def test_what_a_point_is_made_of_is_every_reading_of_its_lines(intake: Intake, taken: str) -> None:
    view = intake.visit(UUID(taken))
    for point, parts in zip(view.points, view.parts, strict=True):
        (part,) = parts
        mine = [
            k
            for k in view.readings
            if k.reading.firing_rate == point.key.firing_rate
            and set(k.reading.lines) <= set(point.lines)
        ]
        assert part.ids == [str(k.id) for k in mine]
        assert part.lines_of("o2_dry") == [k.reading.at["o2_dry"][0] for k in mine]
        assert len(part.readings) < len(mine)


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"one",
        b"a\nb\n",
        b"a\r\nb\rc\nd",
        b"\xef\xbb\xbfa\n\n\r\n",
        "µ\nCO₂\n".encode(),
        b"\xb5\n",
    ],
)
def test_some_lines_of_a_file_are_those_that_the_whole_text_has(data: bytes) -> None:
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = data.decode("cp1252")
    whole = re.split(r"\r\n|\n|\r", text)
    if whole[-1] == "":
        whole.pop()
    for first in range(1, len(whole) + 2):
        for last in range(first, len(whole) + 3):
            assert lines_of(data, first, last) == (whole[first - 1 : last], len(whole))
