"""The published list of units is what the door takes."""

from __future__ import annotations

from pathlib import Path

import pytest

from combustion.accepted_units import accepted_units
from combustion.units import UnitError, conversion, spelt
from combustion.units_page import page

PAGE = Path(__file__).resolve().parents[2] / "docs" / "units.md"

# Unified Code for Units of Measure, prefixes and units; status: memory.
UCUM = [
    ("mPa", "Pa", 1e-3),
    ("MPa", "Pa", 1e6),
    ("mW", "W", 1e-3),
    ("MW", "W", 1e6),
    ("[in_i'H2O]", "Pa", 249.0889),
    ("mm[Hg]", "Pa", 133.322),
    ("[psi]", "Pa", 6894.757),
    ("[ppm]", "%", 1e-4),
    ("[cft_i]/h", "m3/h", 0.02831685),
]


@pytest.mark.published
@pytest.mark.parametrize(("code", "wanted", "factor"), UCUM)
def test_a_ucum_code_means_what_the_code_says(code: str, wanted: str, factor: float) -> None:
    # The printed factors carry six or seven digits.
    assert conversion(code, wanted)(1.0) == pytest.approx(factor, rel=5e-6)


@pytest.mark.parametrize("unclear", ["mpa", "mw"])
def test_a_prefix_that_could_be_a_thousandth_or_a_million_is_refused(unclear: str) -> None:
    with pytest.raises(UnitError):
        spelt(unclear)


def test_every_code_and_spelling_of_the_list_is_taken_and_means_its_unit() -> None:
    for unit in accepted_units():
        for written in (*unit.spellings, *([unit.ucum] if unit.ucum else [])):
            assert spelt(written) == unit.name, written


def test_every_canonical_unit_of_the_glossary_is_in_the_list() -> None:
    from combustion.quantities import QUANTITIES

    reached = {canonical for unit in accepted_units() for canonical in unit.converts_to}
    assert {q.unit for q in QUANTITIES.values()} <= reached


def test_the_page_is_made_from_the_list() -> None:
    assert PAGE.read_text("utf-8") == page()
