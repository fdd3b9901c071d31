"""What is due in a book: one list by command, API and page; boilers of one name stay apart."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, timedelta
from html import unescape
from pathlib import Path

from dateutil.relativedelta import relativedelta
from starlette.testclient import TestClient
from typer.testing import CliRunner

from api.command import main
from api.due_list import due_in_book, due_json
from api.pages.due import boiler_views, sentence
from ingest.intake import Intake
from ingest.models import Boiler, Site, Visit
from ingest.service.office import office_plans
from samples.service import filled_document, two_yearly_plan
from tests.api.test_pages import HTML
from tests.page_words import english_in

PLAN = two_yearly_plan()
DONE = datetime(2026, 2, 20, 8, tzinfo=UTC)


def two_plants(intake: Intake) -> None:
    """Put two boilers of one name into the book; one had its two-yearly service."""
    for name in ("Mill Lane", "Quay"):
        site = intake.put_site(Site(name=name), "office").document
        boiler = Boiler(
            name="Boiler 1",
            site_id=site.id,
            condensing=True,
            installed=date(2025, 1, 31),
            plans=["condensing-gas-yearly", PLAN.key],
            van="van 2",
        )
        kept = intake.put_boiler(boiler, "office").document
        if name == "Quay":
            document = filled_document(PLAN, DONE)
            visit = Visit.model_validate(
                {
                    "boiler_id": kept.id,
                    "started": DONE,
                    "ended": DONE + timedelta(hours=6),
                    "service": document,
                }
            )
            made = intake.put_visit(visit, "T. Hale").document
            assert made.id is not None
            intake.hand_in(made.id, "T. Hale")


def test_two_boilers_of_one_name_have_their_own_days_parts_and_findings(intake: Intake) -> None:
    two_plants(intake)
    found = due_in_book(intake, date(2027, 3, 31), office_plans())
    yearly = {i.site: i.on for i in found.items if i.kind == "task" and i.key == "flame_detector"}
    # From the installation, and from the visit, by dateutil's own calendar.
    assert yearly == {
        "Mill Lane": date(2025, 1, 31) + relativedelta(months=12),
        "Quay": DONE.date() + relativedelta(months=12),
    }
    assert [(i.site, i.key) for i in found.items if i.kind == "finding"] == [
        ("Quay", "drain-slope")
    ]
    said = due_json(found)
    assert {(r["site"], r["boiler"]) for r in said["readings_wanted"]} == {
        ("Mill Lane", "Boiler 1"),
        ("Quay", "Boiler 1"),
    }
    assert len({i["boiler_id"] for i in said["due"]}) == 2
    assert sentence(found).endswith("at 2 boilers.")
    assert [v.name for v in boiler_views(found, today=date(2026, 11, 25))] == [
        "Boiler 1, Mill Lane",
        "Boiler 1, Quay",
    ]


def test_command_api_page_and_calendar_say_the_same(client: TestClient, intake: Intake) -> None:
    two_plants(intake)
    answer = client.get("/v1/due?until=2027-03").json()
    path = Path(str(intake.book.path))
    told = CliRunner().invoke(main, ["due", "--until", "2027-03", "--book", str(path)])
    assert told.exit_code == 0, told.output
    page = client.get("/due?until=2027-03", headers=HTML).text
    calendar = client.get("/v1/due.ics?until=2027-03")
    assert calendar.headers["content-type"].startswith("text/calendar")
    assert calendar.text.count("STATUS:CONFIRMED") == len(answer["due"])
    assert f"Due until 2027-03-31: {len(answer['due'])}" in told.output
    for place in ("Mill Lane", "Quay"):
        assert f"Boiler 1, {place}" in told.output
        assert f"Boiler 1, {place}" in page
    for pick in answer["pick"]:
        assert f"{pick['quantity']} x {pick['title']} ({pick['van']}" in told.output
        assert f"{pick['quantity']} × {pick['title']}" in page
    # Long days are folded under how much they hold; nothing of them is left out.
    assert page.count('<span class="small soft">') == len(answer["due"]) + len(answer["pick"])
    day = r'<span class="small">([^<]*)</span></summary>\s*<ul>(.*?)</ul>'
    folded = re.findall(day, page, re.DOTALL)
    assert folded
    for how_many, items in folded:
        assert sum(map(int, re.findall(r"\d+", how_many))) == items.count("<li>")


def test_boilers_of_one_name_that_cannot_be_looked_at_are_all_told(intake: Intake) -> None:
    for name in ("Mill Lane", "Quay"):
        site = intake.put_site(Site(name=name), "office").document
        intake.put_boiler(Boiler(name="Boiler 1", site_id=site.id), "office")
    found = due_in_book(intake, date(2027, 3, 31), office_plans())
    assert sorted(found.not_looked_at) == ["Boiler 1, Mill Lane", "Boiler 1, Quay"]


def test_a_calendar_is_the_same_until_the_book_changes(client: TestClient, intake: Intake) -> None:
    two_plants(intake)
    address = "/v1/due.ics?until=2027-03"
    first = client.get(address).content
    assert client.get(address).content == first
    last = intake.trail_lines(most=1)[0]
    assert f"SEQUENCE:{last['seq']}\r\n".encode() in first
    assert client.post("/v1/sites", json={"name": "Weir"}).status_code == 201
    assert f"SEQUENCE:{last['seq'] + 1}\r\n".encode() in client.get(address).content


def test_a_calendar_speaks_the_language_of_the_page_that_led_to_it(
    client: TestClient, intake: Intake
) -> None:
    two_plants(intake)
    home = {**HTML, "accept-language": "es-ES"}
    shown = client.get("/due?until=2027-03", headers=home).text
    link = re.search(r'href="(/v1/due\.ics[^"]*)"', shown)
    assert link is not None
    told = client.get(unescape(link[1])).text.replace("\r\n ", "")
    plain = client.get("/v1/due.ics?until=2027-03", headers=home).text.replace("\r\n ", "")
    said, english = (re.findall(r"^(?:SUMMARY|DESCRIPTION):(.*)$", t, re.M) for t in (told, plain))
    assert len(said) == len(english) > 4
    by_people = "Condensate drain sags"
    ours = [s for s in said if by_people not in s]
    assert [s for s in ours if english_in(s.partition(": ")[2] or s)] == []
    assert all(english_in(e.partition(": ")[2] or e) for e in english if " after " in e)
    # What a calendar knows an entry by is the same in every language.
    uids = [re.findall(r"^UID:(.*)$", t, re.M) for t in (told, plain)]
    assert uids[0] == uids[1]
    assert client.get("/v1/due.ics?until=2027-03&language=xx").status_code == 422
