"""Pages in the language that does not exist: no text of ours stands plain on them."""

from __future__ import annotations

import json
import re
from datetime import UTC, datetime
from html.parser import HTMLParser

import pytest
from starlette.testclient import TestClient

from api.locales.collect import collected
from api.locales.pseudo import PSEUDO, pseudo
from ingest.identifiers import new_id
from ingest.service.safety import DEVICES
from samples.service import filled_document, two_yearly_plan
from tests.api.conftest import BOILER
from tests.api.test_cut_page import LOG, hand_over
from tests.api.test_pages import HTML
from tests.api.test_service_page import Fields

PLAN = two_yearly_plan()
START = datetime(2026, 11, 2, 8, tzinfo=UTC)
LONG_ENOUGH = 16
_VOID = {"area", "base", "br", "col", "embed", "hr", "img", "input", "link", "meta", "wbr"}
_HOLE = re.compile(r"\{[^{}]*\}|%\(\w+\)s")

_DAY = re.compile(r"\d{1,2} [A-Z][a-z]{2} \d{4}")


class Said(HTMLParser):
    """The text of a page that is in its language: what is marked as English is left out."""

    quiet: tuple[str, ...] = ("en", "es")

    def __init__(self, page: str) -> None:
        super().__init__()
        self.texts: list[str] = []
        self._open: list[bool] = []
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        quiet = tag in ("style", "script") or given.get("lang") in self.quiet
        self.texts += [given[k] or "" for k in ("aria-label", "placeholder") if k in given]
        if tag not in _VOID:
            self._open.append(quiet or (bool(self._open) and self._open[-1]))

    def handle_endtag(self, tag: str) -> None:
        if tag not in _VOID and self._open:
            self._open.pop()

    def handle_data(self, data: str) -> None:
        if data.strip() and not (self._open and self._open[-1]):
            self.texts.append(re.sub(r"\s+", " ", data).strip())


class Book:
    """A visit with everything on it, read in the language that does not exist."""

    def __init__(self, client: TestClient, visit: str) -> None:
        self.client, self.visit = client, visit
        self.log = hand_over(client, visit, phase="as_found")
        kept = client.get(f"/v1/visits/{visit}").json()["visit"]
        self.boiler = kept["boiler_id"]
        self.record = filled_document(PLAN, START)
        document = kept | {"service": self.record, "how_left": "off"}
        assert client.put(f"/v1/visits/{visit}", json=document).status_code == 200
        joined = client.post(f"/visits/{visit}/job", data={"job": "new"}, follow_redirects=False)
        self.job = joined.headers["location"]
        self.page("/", language=PSEUDO)

    def page(self, address: str, status: int = 200, **query: str) -> list[str]:
        answer = self.client.get(address, params=query or None, headers=HTML)
        assert answer.status_code == status, address
        return Said(answer.text).texts

    def sent(self, address: str, status: int, **fields: str) -> str:
        answer = self.client.post(address, data=fields, headers=HTML, follow_redirects=False)
        assert answer.status_code == status, answer.text[:300]
        return " ".join(Said(answer.text).texts)


@pytest.fixture
def book(client: TestClient, visit: str) -> Book:
    return Book(client, visit)


def written_by_people(book: Book) -> str:
    """Return what is no text of ours, or is not translated: names, figures, plans."""
    held = [book.record, BOILER, PLAN.model_dump(mode="json")]
    said = json.dumps(held, ensure_ascii=False) + LOG.decode()
    said += "fluebook log.csv Test boiler, 2 Nov 2026 · fluebook Test boiler · fluebook ppm"
    return (
        said
        + " Enter Esc Español fluebook demo 2-5 100 as-found stack_temperature=degF Europe/Berlin"
    )


def plain(texts: list[str], written: str) -> list[str]:
    """Return the texts that stand in no brackets, and in nothing that somebody wrote."""
    found = [t for t in texts if "[" not in t and re.search("[A-Za-z]{3}", t)]
    return [t for t in found if t.strip("· ") not in written and not _DAY.fullmatch(t)]


def test_nothing_of_ours_stands_plain_on_the_main_pages(book: Book) -> None:
    written = written_by_people(book)
    for address in (
        "/",
        "/due",
        "/fleet",
        "/help",
        "/help/rules/co_above_limit",
        "/help/quantities/o2_dry",
        "/maps",
        f"/boilers/{book.boiler}",
        f"/visits/{book.visit}/readings",
        book.job,
    ):
        assert plain(book.page(address), written) == [], address
    for address in ("/nowhere", f"/visits/{new_id()}", f"/jobs/{new_id()}", "/help/rules/none"):
        assert plain(book.page(address, 404), written) == [], address
    # Names, times and figures of the record stand beside each other on the visit's page.
    visit = plain(book.page(f"/visits/{book.visit}"), written)
    assert [t for t in visit if not re.search(r"\d \w+ 2026 \d\d:|: [\d.]+ ", t)] == []


def catalogue_parts() -> set[str]:
    """Return what stands between the places that are filled in, of every text."""
    texts = [t for m in collected() for t in ([m.id] if isinstance(m.id, str) else list(m.id))]
    return {part.strip() for text in texts for part in _HOLE.split(text)}


def test_no_text_of_the_catalogues_stands_plain(book: Book) -> None:
    parts = {p for p in catalogue_parts() if len(p) >= LONG_ENOUGH and " " in p}
    parts = {p for p in parts if p not in written_by_people(book)}
    assert len(parts) > 800
    assert {m.caution for m in DEVICES["low_water_cutoff"].methods.values()} <= parts
    for address in (f"/visits/{book.visit}", book.log, f"/visits/{book.visit}/service", book.job):
        said = " ".join(book.page(address))
        assert [p for p in parts if p in said] == [], address


def test_what_is_refused_is_said_in_the_readers_language(book: Book) -> None:
    service = f"/visits/{book.visit}/service"
    form = Fields(book.client.get(service, headers=HTML).text).sent | {"who": "T. One"}
    for address, status, fields, *said in (
        (service, 422, form | {"running_hours": "x"}, "Not stored yet: something", "is no number"),
        (service, 422, form | {"who": ""}, "Your name is missing: it signs"),
        (book.job, 422, {"room_co.arrival": "x"}, "Not stored yet: something", "is no number"),
        (f"/visits/{book.visit}/hand-in", 422, {"who": ""}, "The visit was not handed in"),
        (f"/visits/{book.visit}/job", 422, {"job": "x"}, "The visit stays in the job it was"),
    ):
        text = book.sent(address, status, **fields)
        for english in said:
            assert english not in text and pseudo(english)[1:].split(" ļóŕém")[0] in text, english
    assert book.sent(f"/visits/{book.visit}/hand-in", 303, who="T. One") == ""
    assert "nothing was stored. Your entries" not in (text := book.sent(service, 409, **form))
    assert pseudo("nothing was stored. Your")[1:].split(" ļóŕém")[0] in text
