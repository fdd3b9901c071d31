"""Findings in the reader's language: every sentence that the simulator's visits bring about."""

from __future__ import annotations

import pytest

from api.findings import finding
from api.locales import keep
from api.locales.sentences import templates, written
from api.pages.facts import finding_shown
from api.pages.show import Shown
from api.words import speaking, words_of
from ingest.judgement import Flag
from ingest.validator import judge
from tests.simulated_faults import FAULTS, faulty


@pytest.fixture(scope="module")
def flags() -> list[Flag]:
    return [
        flag
        for n in range(3 * len(FAULTS))
        for flag in judge(faulty(20260101 + n, FAULTS[n % len(FAULTS)], n // len(FAULTS))).flags
    ]


def test_every_template_of_the_rules_is_translated() -> None:
    catalog = keep.read("es")
    kept = {m.id: m.string for m in catalog}
    assert len(templates()) > 60
    assert [text for _, text, _ in written() if not kept.get(text)] == []


def test_every_sentence_of_the_simulator_is_told_apart_and_said(flags: list[Flag]) -> None:
    assert len(flags) > 100
    with speaking(words_of("es", "ES")):
        english = [f.message for f in flags if finding(f.message) == f.message]
    assert english == []


def test_template_and_values_make_the_english_sentence_again(flags: list[Flag]) -> None:
    told = 0
    for sentence in (f.message for f in flags):
        for template in templates():
            values = template.values(sentence)
            if values is not None:
                told += 1
                assert template.text.format(**values) == sentence
    assert told >= len(flags) // 2


def test_numbers_stand_in_the_readers_signs_and_units() -> None:
    with speaking(words_of("es", "ES")):
        said = finding_shown("O2 is 16.5 % at 50 %, at or above 15 %: the sample is mostly air.",
                             "check", Shown("us"))  # fmt: skip
    assert said.startswith("El O2 es de 16,5 % al 50 %")


def test_a_stop_stands_with_its_english_until_approved() -> None:
    sentence = "CO air-free is 420 ppm at 100 %, at or above the stop limit of 400 ppm."
    with speaking(words_of("es", "ES")):
        assert finding_shown(sentence, "stop", Shown("si")).endswith(f"(English: {sentence})")
        assert "English" not in finding_shown(sentence, "fix", Shown("si"))


def test_an_unknown_sentence_stays_whole_in_english() -> None:
    with speaking(words_of("es", "ES")):
        assert finding("Something nobody has written yet.") == "Something nobody has written yet."
        assert finding("") == ""
