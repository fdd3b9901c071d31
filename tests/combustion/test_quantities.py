"""The glossary is one consistent list."""

from __future__ import annotations

from pathlib import Path

from combustion.quantities import LANGUAGES, MEASURED, QUANTITIES
from combustion.quantities_page import page
from combustion.units import conversion, spelt


def test_every_canonical_unit_is_known_to_the_registry() -> None:
    assert {q.key for q in QUANTITIES.values() if conversion(q.unit, q.unit)(1.0) != 1.0} == set()


def test_every_plausible_range_is_ordered_and_every_key_is_its_name() -> None:
    for key, quantity in QUANTITIES.items():
        assert quantity.plausible[0] < quantity.plausible[1], key
        assert quantity.key == key
        assert quantity.label
        assert quantity.meaning


def test_one_heading_never_means_two_quantities_in_one_language() -> None:
    for language in LANGUAGES:
        owner: dict[str, str] = {}
        for quantity in QUANTITIES.values():
            for phrase in quantity.words.get(language, ()):
                assert owner.setdefault(phrase, quantity.key) == quantity.key, (language, phrase)


def test_every_measured_quantity_has_english_words() -> None:
    assert [k for k in MEASURED if not QUANTITIES[k].words.get("en")] == []


def test_headings_are_lower_case_and_carry_no_unit() -> None:
    for quantity in QUANTITIES.values():
        for phrases in quantity.words.values():
            for phrase in phrases:
                assert phrase == phrase.lower().strip()
                assert not any(mark in phrase for mark in "()[]%°")


def test_trade_spellings_reach_the_registry() -> None:
    assert [spelt(text) for text in ("° F", "in. W.C.", "µA", "vol-%", "kBtu/hr")] == [
        "degF",
        "inch_water_column",
        "microampere",
        "percent",
        "MBH",
    ]


def test_the_page_of_quantities_is_made_from_the_glossary() -> None:
    kept = Path(__file__).resolve().parents[2] / "docs" / "quantities.md"
    assert kept.read_text(encoding="utf-8") == page()
