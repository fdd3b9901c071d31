"""A visit's page on paper is its report; the report on the page is in its reader's language."""

from __future__ import annotations

import io
import re
from typing import Any

import pytest
from starlette.testclient import TestClient

from api.report.given import ReportOptions
from tests.api.conftest import CSV
from tests.api.test_report import html_text, pdf_text
from tests.browser import chromium

needs_browser = pytest.mark.skipif(chromium() is None, reason="no Chromium is installed here")


def words_of(text: str) -> list[str]:
    """Return the words and numbers of a text; paper breaks lines and hyphenates where it likes."""
    return re.findall(r"[^\W_]+", text)


@needs_browser
@pytest.mark.parametrize("language", ["en", "es"])
def test_printing_a_visit_prints_its_report(demo: str, opened: Any, language: str) -> None:
    context = opened.new_context(locale=language)
    page = context.new_page()
    visit = page.request.get(f"{demo}/v1/visits?state=handed_in").json()["visits"][0]["id"]
    page.goto(f"{demo}/visits/{visit}")
    printed = pdf_text(page.pdf())
    report = html_text(page.evaluate(f"fetch('/visits/{visit}/report').then(r => r.text())"))
    missing = set(words_of(report)) - set(words_of(printed))
    # A hash may be broken over lines: then its parts are there, and not the whole.
    squeezed = re.sub(r"\s", "", printed)
    assert [w for w in missing if w not in squeezed] == []
    only_page = "Accept the visit" if language == "en" else "Aceptar la visita"
    assert only_page in page.inner_text("main")
    assert only_page not in printed
    assert page.locator(".printed").count() == 0  # the page is as it was
    context.close()


def handed_in(client: TestClient, visit: str) -> None:
    given = {"phase": "as_left", "rates": "100,25"}
    file = {"file": ("visit.csv", io.BytesIO(CSV), "text/csv")}
    assert client.post(f"/v1/visits/{visit}/files", data=given, files=file).status_code < 300
    form = {"who": "T. One"}
    assert client.post(f"/visits/{visit}/hand-in", data=form).status_code == 200


def test_the_page_speaks_its_readers_language_and_says_what_was_frozen(
    client: TestClient, visit: str
) -> None:
    handed_in(client, visit)
    at = f"/visits/{visit}/report"
    trail_before = client.get(f"/v1/visits/{visit}").json()["version"]
    english = html_text(client.get(at, headers={"Accept-Language": "en"}).text)
    spanish = html_text(client.get(at, headers={"Accept-Language": "es-ES"}).text)
    frozen = re.search(r"Content signed ([0-9a-f]{64})", english)
    assert frozen is not None
    assert "Signed in SI units, English" in english or "Signed in US" in english
    # What hand-in signed stays as it was: the same hash, named with its language.
    assert frozen[1] in spanish
    assert "English" in spanish
    assert "los mismos hechos que aquí" in spanish
    assert "5,6" in spanish and "5.6" in english
    assert client.get(f"/v1/visits/{visit}").json()["version"] == trail_before


def test_region_decides_the_signs_of_numbers() -> None:
    assert ReportOptions().setting == "si en"
    assert ReportOptions(units="us", language="es", region="MX").setting == "us es_MX"
