"""Report and due list over HTTP and as pages: the same as by command."""

from __future__ import annotations

import hashlib
import io
import re
from datetime import datetime, timedelta, timezone
from html import unescape
from typing import Any
from uuid import UUID

import pytest
from pypdf import PdfReader
from starlette.testclient import TestClient

from api.report import content as content_module
from api.report.blocks import paragraph
from api.report.content import setting_words
from api.words import speaking, words_of
from ingest.identifiers import new_id
from ingest.intake import Intake
from ingest.models import Boiler
from ingest.store.readings import kept_bytes
from samples.service import filled_document, two_yearly_plan

START = datetime(2026, 11, 20, 7, 30, tzinfo=timezone(timedelta(hours=1)))


@pytest.fixture
def served(client: TestClient, intake: Intake) -> str:
    """A handed-in two-yearly visit, posted as a filled document; its id."""
    boiler = {"id": str(new_id()), "name": "Boiler <2>", "condensing": True, "van": "van 3"}
    identity = str(new_id())
    body: dict[str, Any] = {
        "boiler_id": boiler["id"],
        "started": START.isoformat(),
        "how_left": "running",
        "service": filled_document(two_yearly_plan(), START),
    }
    assert client.put(f"/v1/boilers/{boiler['id']}", json=boiler).status_code == 200
    answer = client.put(f"/v1/visits/{identity}", json=body)
    assert answer.status_code == 200, answer.text
    assert client.post(f"/v1/visits/{identity}/hand-in", json={"who": "ilka"}).status_code == 200
    return identity


def test_reading_the_report_writes_nothing_and_keeping_it_writes_one_line(
    client: TestClient, intake: Intake, served: str
) -> None:
    lines = len(intake.trail(UUID(served)))
    first = client.get(f"/v1/visits/{served}/report.pdf?paper=us-letter&units=si")
    assert first.status_code == 200
    assert first.headers["content-type"] == "application/pdf"
    assert first.content.startswith(b"%PDF")
    assert len(intake.trail(UUID(served))) == lines
    kept = client.post(f"/v1/visits/{served}/report?units=si")
    assert kept.status_code == 200
    assert kept.json() == client.post(f"/v1/visits/{served}/report?units=si").json()
    assert len(intake.trail(UUID(served))) == lines + 1
    again = client.get(f"/v1/visits/{served}/report.pdf?paper=us-letter&units=si")
    assert again.content == first.content


def test_the_page_holds_to_the_strict_policy(client: TestClient, served: str) -> None:
    answer = client.get(f"/visits/{served}/report")
    assert answer.status_code == 200
    assert "<style" not in answer.text
    assert "style=" not in answer.text
    assert 'href="/static/report.css"' in answer.text
    assert 'rel="icon"' in answer.text  # a browser asks for one at the root, and gets none there
    assert "Boiler &lt;2&gt;" in answer.text
    assert client.get("/static/report.css").status_code == 200


def test_the_page_and_the_chain_have_one_content(client: TestClient, served: str) -> None:
    kept = client.post(f"/v1/visits/{served}/report?units=si").json()
    assert kept["content_sha256"] in client.get(f"/visits/{served}/report?units=si").text


@pytest.mark.parametrize(
    ("tag", "said", "decimal"),
    [
        ("en", "Service and combustion report", "3.2 s"),
        ("es", "Informe de servicio y combustión", "3,2 s"),
        ("es-MX", "Informe de servicio y combustión", "3.2 s"),
        ("es_MX", "Informe de servicio y combustión", "3.2 s"),
    ],
)
def test_the_pdf_is_set_in_the_language_asked_for_with_its_region_s_numbers(
    client: TestClient, served: str, tag: str, said: str, decimal: str
) -> None:
    answer = client.get(f"/v1/visits/{served}/report.pdf?units=si&language={tag}")
    assert answer.status_code == 200
    reader = PdfReader(io.BytesIO(answer.content))
    assert str(reader.root_object["/Lang"]) == tag[:2]
    assert reader.metadata is not None
    assert said in str(reader.metadata.title)
    text = " ".join(page.extract_text() for page in reader.pages)
    assert decimal in text


def test_a_report_in_spanish_leaves_what_was_signed_in_english_as_it_is(
    client: TestClient, intake: Intake, served: str
) -> None:
    def signed() -> list[tuple[str, str]]:
        lines = [e for e in intake.trail(UUID(served)) if e["action"] == "handed_in"]
        return [(e["details"]["report_id"], e["details"]["report_sha256"]) for e in lines]

    before, at = signed(), f"/v1/visits/{served}/report?units=us"
    english = client.post(at).json()
    spanish = client.post(f"{at}&language=es").json()
    assert before == signed() == [(english["report_id"], english["content_sha256"])]
    assert spanish["report_id"] == english["report_id"]  # the same facts
    assert spanish["content_sha256"] != english["content_sha256"]
    made = client.get(f"/v1/visits/{served}/report.pdf?units=us&language=es").content
    text = "".join("".join(p.extract_text().split()) for p in PdfReader(io.BytesIO(made)).pages)
    assert english["content_sha256"] in text  # the signature names what was signed, and how
    assert spanish["content_sha256"] in text
    with speaking(words_of("es")):
        assert "".join(setting_words("us en").split()) in text


def test_what_was_signed_is_kept_whole_and_set_again_whatever_is_drawn_today(
    client: TestClient, intake: Intake, served: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    line = next(e for e in intake.trail(UUID(served)) if e["action"] == "handed_in")
    signed = line["details"]["report_sha256"]
    body = kept_bytes(intake.book.reader, signed)
    assert body is not None
    assert hashlib.sha256(body).hexdigest() == signed
    at = f"/v1/visits/{served}/report.pdf?paper=us-letter"
    before = client.get(f"{at}&units=us").content
    assert client.get(f"{at}&signed={signed}").content == before
    # Another program draws and words another report; what was signed stays what it was.
    monkeypatch.setattr(content_module, "verdict_block", lambda *_: paragraph("Another wording."))
    assert client.get(f"{at}&units=us").content != before
    assert client.get(f"{at}&units=si&language=es&signed={signed}").content == before
    assert client.get(f"{at}&signed={'0' * 64}").status_code == 404
    assert client.get(f"{at}&signed=x").status_code == 422


@pytest.mark.parametrize("tag", ["de", "english", "es-ZZ", "", "EN"])
def test_a_language_that_is_not_spoken_is_refused_with_its_parameter(
    client: TestClient, served: str, tag: str
) -> None:
    answer = client.get(f"/v1/visits/{served}/report.pdf?language={tag}")
    assert answer.status_code == 422
    assert answer.json()["errors"][0]["parameter"] == "language"


def test_the_page_leads_to_the_pdf_in_its_reader_s_language_and_region(
    client: TestClient, served: str
) -> None:
    page = client.get(f"/visits/{served}", headers={"Accept-Language": "es-MX"}).text
    found = re.search(r'href="(/v1/visits/[^"]+report\.pdf[^"]*)"', page)
    assert found is not None
    link = unescape(found[1])
    assert "language=es-MX" in link
    assert client.get(link).status_code == 200


def test_what_is_due(client: TestClient, served: str) -> None:
    found = client.get("/v1/due?until=2028-12").json()
    assert found["format"] == "fluebook.due/1"
    assert found["pick"][0]["van"] == "van 3"
    calendar = client.get("/v1/due.ics?until=2028-12")
    assert calendar.text.startswith("BEGIN:VCALENDAR")
    page = client.get("/due?until=2028-12")
    assert page.status_code == 200
    assert "Boiler &lt;2&gt;" in page.text
    assert "Low-water cutoff probe" in page.text
    assert client.get("/due").status_code == 200


def test_a_wrong_month_is_refused_with_its_parameter(client: TestClient) -> None:
    answer = client.get("/v1/due?until=soon")
    assert answer.status_code == 422
    assert answer.json()["errors"][0]["parameter"] == "until"


@pytest.mark.parametrize("path", ["/v1/visits/{}/report.pdf", "/visits/{}/report"])
def test_no_such_visit(client: TestClient, path: str) -> None:
    assert client.get(path.format(new_id())).status_code == 404


def test_a_boiler_without_date_or_visit_is_named(client: TestClient, intake: Intake) -> None:
    intake.put_boiler(Boiler(name="Never seen"), "office")
    assert "Never seen" in client.get("/v1/due?until=2027").json()["not_looked_at"]
    assert "Never seen" in client.get("/due?until=2027").text
