"""What is refused stands on a page, in its reader's language, for whoever asks for pages."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from api.app import create_app
from api.locales.sentences import refused
from api.refusals import why_not
from api.settings import Settings
from api.words import speaking, words_of
from ingest.intake import Intake
from ingest.store import Book, StateConflict
from tests.api.test_pages import HTML
from tests.page_words import english_in

HOME = {**HTML, "accept-language": "es-ES", "origin": "http://testserver"}
NO_PAGE = {"errors.py", "rows.py", "sealing.py", "pages.py", "lists.py"}
"""Code whose refusals come to the command line, or to programs."""
FILLED = {
    "replace": "handed in",
    "state": "waiting",
    "worst": "fix",
    "table": "boiler",
    "what": "what is to be done",
    "until": "2026-03-04",
    "last_2": "2026-03-04T10:00:00.000000Z",
    "ended_at": "2026-03-04T10:00:00.000000Z",
    "join": "read, write",
    "NAME_MOST": "100",
    "MAX_PHOTO": "20",
    "len": "4",
    "known": "3",
    "name": "Ubr 2, Nyx",
    "naming": "Ubr 2, Nyx",
    "boiler": "Ubr 2, Nyx",
    "last": "U. Ubr",
    "before": "Nyx ubr, 3 mm",
}
"""What may stand in a place; a word in all others."""
PLACES = [t for t in refused() if "{" in t[1] and t[0] not in NO_PAGE]


def _main(page: str) -> str:
    said = page[page.index("<main") : page.index("</main>")]
    return re.sub(r"\s+", " ", re.sub("<[^>]*>", " ", said)).strip()


@pytest.mark.parametrize("template", [t[1] for t in PLACES])
def test_a_refusal_with_its_figures_and_names_is_said_in_spanish(template: str) -> None:
    names = re.findall(r"\{(\w+)\}", template)
    given = {n: FILLED.get(n, "ubr-2") for n in names}
    with speaking(words_of("es", "ES")):
        said = why_not(StateConflict(template.format(**given)))
    assert said != template.format(**given)
    assert english_in(said.replace("read, write", "")) == [], said
    assert "T10:00" not in said


def test_who_took_a_stop_and_when_is_told_with_a_day_in_every_language() -> None:
    error = StateConflict("A. Merrow took this stop at 2026-03-04T10:00:22.839996Z.")
    for language, said in (("en", "at 4 Mar 2026, 10:00 UTC"), ("es", "4 mar 2026, 10:00 UTC")):
        with speaking(words_of(language)):
            assert said in why_not(error), why_not(error)


def test_no_form_of_a_page_is_answered_with_what_programs_get(
    client: TestClient, visit: str
) -> None:
    for method, address, data in (
        ("GET", "/due?until=nonsense", None),
        ("POST", "/maps/headings", {"name": "x"}),
        ("POST", f"/visits/{visit}/photos", {"caption": "x"}),
        ("POST", f"/visits/{visit}/files", {"rates": "100"}),
        ("POST", f"/visits/{'0' * 8}-0000-7000-8000-{'0' * 12}/hand-in", {"who": "x"}),
    ):
        answer = client.request(method, address, data=data, headers=HOME)
        assert 400 <= answer.status_code < 500, address
        assert answer.headers["content-type"].startswith("text/html"), address
        assert '<html lang="es"' in answer.text
        assert english_in(_main(answer.text)) == [], (address, _main(answer.text))
        assert len(_main(answer.text)) > 40
    plain = client.get("/due?until=nonsense", headers={"accept": "*/*"})
    assert plain.headers["content-type"] == "application/problem+json"


def test_what_is_too_large_or_too_often_is_said_on_a_page(tmp_path: Path) -> None:
    with Book(tmp_path / "book.db", durable=False) as book:
        settings = Settings(requests_a_minute=3, max_upload=1024)
        with TestClient(create_app(Intake(book), settings)) as client:
            big = {"file": ("a.csv", b"x" * 300_000, "text/csv")}
            large = client.post("/maps/headings", files=big, headers=HOME)
            assert large.status_code == 413
            assert "no se guardó nada" in _main(large.text)
            for _ in range(4):
                often = client.get("/help", headers=HOME)
            assert often.status_code == 429
            assert re.search(r"Espere \d+ s", _main(often.text))
            assert often.headers["retry-after"].isdigit()
            # The page that stands in place is made as for GET: its body would follow a head.
            head = client.head("/help", headers=HOME)
            assert head.headers["content-type"] == "application/problem+json"
            assert client.get("/help").headers["retry-after"].isdigit()


def test_a_form_beside_too_many_others_is_told_when_to_come_again(
    client: TestClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("api.guards.AT_ONCE", 0)
    form = {"file": ("a.csv", b"x", "text/csv")}
    page = client.post("/maps/headings", files=form, headers=HOME)
    assert (page.status_code, page.headers["retry-after"]) == (429, "10")
    assert page.headers["content-type"].startswith("text/html")
    assert "no se guardó nada" in _main(page.text)
    assert english_in(_main(page.text)) == [], _main(page.text)
