"""Findings in the reader's language: every sentence that the simulator's visits bring about."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from api.findings import finding
from api.locales import keep
from api.locales.rule_texts import RULE_TEXTS
from api.locales.sentences import templates, written
from api.pages.explain import explained
from api.pages.facts import finding_shown, flag_view, key_of, source_said
from api.pages.show import Shown
from api.pages.unit_text import in_units
from api.settings import UnitSystem
from api.words import speaking, words_of
from ingest.judgement import Flag
from ingest.rules import RULES
from ingest.validator import judge
from parsers import Reading, firing_points
from tests.page_words import english_in
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


SERVICE = (
    ("Relief valve: tested by simulation.", "fix"),
    ("High limit: 205 degF against 200 degF, beyond it.", "fix"),
    ("Open since 2026-11-16: Condensate drain sags.", "fix"),
    ("Burner gasket and flange nuts, Flange nuts, nut 3: 28 ft lbf, range 30 to 35 ft lbf.", "fix"),
    ("Inlet, burners off: 2400 Pa, limits 1500 to open Pa.", "fix"),
    ("Light-off 1: delayed ignition.", "check"),
    ("Light-off 1: delayed ignition; a later one is recorded.", "check"),
    ("Left running with 2 open stops, without a named person's reason.", "fix"),
    ("“Fill the condensate trap” is not recorded. A dry trap lets flue gas into the room.", "fix"),
    ("Turn wanted: 12 degrees in the tightening sense, a spacer 0.05 mm thinner; compare with the "
     "boiler's drawing.", "fix"),
    ("Air filter: fitted 2022-10-04, its 24 months ended 2024-10-04.", "check"),
    ("Not recorded: Light-off: trial.", "check"),
)  # fmt: skip


@pytest.mark.parametrize(("sentence", "severity"), SERVICE)
def test_a_finding_of_the_service_part_is_said_without_english(
    sentence: str, severity: str
) -> None:
    with speaking(words_of("es", "ES")):
        said = finding_shown(sentence, severity, Shown("si")).replace("Condensate drain sags", "")
    assert said != sentence
    assert english_in(said) == []
    assert "degF" not in said and "ft lbf" not in said


def test_a_part_of_a_sentence_in_words_keeps_its_range_and_its_units() -> None:
    torque = SERVICE[3][0]
    assert finding_shown(torque, "fix", Shown("si")).endswith("38 N·m, range 40.7 to 47.5 N·m.")
    with speaking(words_of("es", "ES")):
        assert finding_shown(torque, "fix", Shown("si")) == (
            "Junta del quemador y tuercas de la brida, Tuercas de la brida, tuerca 3: 38 N·m, "
            "rango 40,7 a 47,5 N·m."
        )
        assert finding_shown(SERVICE[2][0], "fix", Shown("si")) == (
            "Abierto desde 16 nov 2026: Condensate drain sags."
        )


def test_one_number_in_two_units_is_said_once() -> None:
    source = "54.4 degC (130 degF) for gas"
    assert in_units(source, Shown("us")) == "130 °F for gas"
    assert in_units(source, Shown("si")) == "54 °C for gas"


def _rounded(value: float, limit: float, unit: str, key: str, decimals: int) -> Flag:
    """Return a flag whose sentence rounds its numbers, as the rules write theirs."""
    said = (
        f"is {value:.{decimals}f} {unit} at 100 %, above its limit of {limit:.{decimals}f} {unit}"
    )
    return Flag("f", "stack_high", "fix", f"It {said}.", "", phase="as_left", firing_rates=(100.0,),
                quantity=key, unit=unit, value=value, high=limit)  # fmt: skip


@pytest.mark.parametrize(
    ("key", "unit", "decimals", "first", "step"),
    [
        ("stack_temperature", "degC", 0, 40.0, 0.13),
        ("stack_draft", "Pa", 1, -60.0, 0.037),
        ("net_stack_temperature", "K", 0, 0.4, 0.07),
        ("stack_temperature", "K", 1, 0.05, 0.03),
        ("fuel_input", "kW", 0, 55.0, 1.37),
    ],
)
@pytest.mark.parametrize("system", ["us", "si"])
def test_a_sentence_says_the_number_that_stands_beside_it(
    key: str, unit: str, decimals: int, first: float, step: float, system: UnitSystem
) -> None:
    """The number beside a sentence is converted unrounded; the sentence is written rounded."""
    shown = Shown(system)
    otherwise = 0
    for n in range(2000):
        flag = _rounded(first + n * step, first + n * step + 7.3, unit, key, decimals)
        view = flag_view(flag, (), shown, lambda point, quantity: None)
        assert f"It is {view.value} at 100 %" in view.message, (view.value, view.message)
        assert view.message.endswith(f"{view.limit.removeprefix('at most ')}."), view
        otherwise += in_units(flag.message, shown) != view.message
    assert otherwise > 10 or system == "si"


def test_a_difference_of_temperatures_is_never_shown_as_a_temperature() -> None:
    # 12 K are 21.6 degF, and a stack of 12 degC is one of 53.6 degF (by definition of the degree).
    flag = replace(_rounded(12.0, 3.0, "K", "stack_temperature", 0), message="")
    view = flag_view(flag, (), Shown("us"), lambda point, quantity: None)
    assert (view.value, view.limit) == ("22 °F", "at most 5 °F")


def test_the_numbers_of_points_are_said_unrounded_too() -> None:
    both = "Stack reads 41 degC and combustion air 87 degC at 100 % as left: flue and air probe."
    read = Reading({"stack_temperature": 40.6, "combustion_air_temperature": 86.7}, None,
                   firing_rate=100.0, phase="as_left", fuel="natural_gas", lines=(1,))  # fmt: skip
    flag = replace(_rounded(40.6, 0.0, "degC", "stack_temperature", 0), message=both)
    view = flag_view(flag, firing_points([read]), Shown("us"), lambda point, quantity: None)
    assert view.message.startswith("Stack reads 105 °F and combustion air 188 °F at")


def test_findings_of_the_simulator_say_the_numbers_beside_them_in_us_units(
    flags: list[Flag],
) -> None:
    told = 0
    for flag in flags:
        if flag.unit in ("degC", "Pa", "kW") and key_of(flag) is not None:
            view = flag_view(flag, (), Shown("us"), lambda point, quantity: None)
            if view.value.removesuffix(" inWC") in view.message:
                told += 1
            else:
                assert flag.unit == "Pa", (view.value, view.message)
            assert "degC" not in view.message
    assert told > 10


def test_a_day_that_is_none_stands_as_it_was_written() -> None:
    """A finding quotes what people wrote, and they may write a day that no calendar has."""
    said = "O2 of 2026-03-04; ordered 2026-02-30, or 2026-11-31, or 0000-01-01"
    assert finding(said) == said.replace("2026-03-04", "4 Mar 2026")
    with speaking(words_of("es")):
        assert "2026-02-30" in finding("the point at 40 % is of 2026-02-30")


def test_rules_are_explained_with_the_readers_decimal_sign() -> None:
    point = re.compile(r"(?<!CFR \d\d)(?<=\d)\.(?=\d{1,2}(?!\d))")
    with speaking(words_of("es", "ES")):
        told = [getattr(explained(r, Shown("si")), f) for r in RULES.values() for f in RULE_TEXTS]
        # 40 CFR 50.8 is a paragraph of US law, not a number.
        assert source_said("EPA ambient standard, 8 h, 40 CFR 50.8", Shown("si")).endswith("50.8")
        assert source_said("fresh air holds 20.9 % O2", Shown("si")).endswith("20,9 % de O2")
        assert source_said("commissioning sheet, 3.5 %", Shown("si")).endswith("3.5 %")
    said = [re.sub(r"\(English: .*\)", "", text) for text in told if text]
    assert len(said) > 300
    assert [text for text in said if point.search(text)] == []
