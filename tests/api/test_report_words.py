"""The report in Spanish: nothing of ours in English, on paper as on the page."""

from __future__ import annotations

import re

import pytest

from api.report import ReportInput, ReportOptions, report_html
from tests.api.report_case import case
from tests.api.test_words_pages import Said
from tests.page_words import english_in, strings, without

KEPT = re.compile(r"fluebook|[\w.-]+\.(?:csv|png)|[a-z]+(?:_[a-z0-9]+)+|Europe/\w+|\d+ may\b")


class Spanish(Said):
    """The text of a report that is in Spanish: what is marked as English is left out."""

    quiet = ("en",)


def own(given: ReportInput) -> list[str]:
    """Return what people wrote into the case, the longest first."""
    said = {given.boiler.name, given.company or "", *strings(given.visit.model_dump(mode="json"))}
    said |= set(strings(given.boiler.model_dump(mode="json")))
    if given.site is not None:
        said |= set(strings(given.site.model_dump(mode="json")))
    said |= {photo.caption for photo in given.photos}
    return sorted((s for s in said if len(s) > 3), key=len, reverse=True)


@pytest.mark.parametrize("units", ["us", "si"])
def test_every_figure_of_a_spanish_report_has_a_comma(units: str) -> None:
    """Spain writes the decimal comma (CLDR 46, es_ES, memory); versions stay as written."""
    given = case()
    options = ReportOptions(units=units, language="es", region="ES")  # type: ignore[arg-type]
    versions = {given.judgement.rules_version, given.program_version}
    versions |= {given.plan.version} if given.plan is not None else set()
    written = sorted({*own(given), *filter(None, versions)}, key=len, reverse=True)
    texts = [without(text, written) for text in Spanish(report_html(given, options)).texts]
    assert any(re.search(r"\d,\d", text) for text in texts)
    assert [text for text in texts if re.search(r"\d\.\d(?!\d\d)", text)] == []


@pytest.mark.parametrize("units", ["us", "si"])
def test_no_english_sentence_stands_in_a_spanish_report(units: str) -> None:
    given = case()
    options = ReportOptions(units=units, language="es", region="ES")  # type: ignore[arg-type]
    written = own(given)
    said = Spanish(report_html(given, options)).texts
    assert len(said) > 150
    plain = [KEPT.sub(" ", without(text, written)) for text in said]
    assert [text for text in plain if english_in(text)] == []
