"""Every page of the demo in a real Chromium, by its words: none of ours is left in English.

In Spanish no frequent English word stands on a page; in the language that does not exist every
text of ours is changed by it. What people and their files said stays as it was written.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any

import pytest

from api.locales.pseudo import PSEUDO
from tests.browser import chromium
from tests.page_list import Listed
from tests.page_words import SAID, english_in, strings, without

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(chromium() is None, reason="no Chromium is installed here"),
]
ONE_LANGUAGE = {"report"}
"""Pages whose language is the office's, whoever reads them; a test of their own looks at them."""

KEPT = re.compile(
    r"fluebook|English|Español|Enter|Esc|ppm|inWC|Newcomer|Weir \d|Quarry|api|administrator|"
    r"office\.example|https?://\S+|visit\.\w+|SHA-\d+|[\w-]+\.csv|van \d|\w+:[0-9a-f-]{30,}|"
    r"FLUEBOOK_\w+|stack_temperature=degF|Europe/Berlin|[a-z]+(?:_[a-z0-9]+)+|not-found|"
    r"\b\d{1,2} (?:[Jj]an|[Ff]eb|[Mm]ar|[Aa]pr|[Mm]ay|[Jj]un|[Jj]ul|[Aa]ug|[Ss]ep|[Oo]ct|[Nn]ov|"
    r"[Dd]ec)\b(?: \d{4})?|UTC|\b[0-9a-f]{12}…"
)
"""Names, addresses, keys, units and dates, which are no texts."""


@pytest.fixture(scope="module")
def own(demo: str, opened: Any, listed: tuple[Listed, ...]) -> Sequence[str]:
    """What people wrote into the demo, the longest first."""
    asked = opened.new_context().request
    said: set[str] = set()
    for address in ("/v1/sites", "/v1/boilers"):
        said |= set(strings(asked.get(f"{demo}{address}").json()))
    for one in asked.get(f"{demo}/v1/visits?limit=200").json()["visits"]:
        whole = asked.get(f"{demo}/v1/visits/{one['id']}").json()
        said |= set(strings([whole["visit"], [f["name"] for f in whole["files"]]]))
    said |= {"Alder Vale Heat Cooperative", "A. Merrow", "looked through"}
    written = {s for s in said if len(s) > 3 and (" " in s or s[:1].isupper())}
    assert len(written) > 30
    return sorted(written, key=len, reverse=True)


def said_on(
    demo: str, opened: Any, listed: Sequence[Listed], language: str, locale: str
) -> dict[str, list[str]]:
    """Return the texts of every page for a reader of a language."""
    context = opened.new_context(locale=locale, reduced_motion="reduce")
    context.add_cookies([{"name": "fluebook-language", "value": language, "url": demo}])
    page = context.new_page()
    found = {}
    for one in listed:
        if one.name not in ONE_LANGUAGE:
            answer = page.goto(demo + one.address)
            assert answer.status < 500, one.name
            found[one.name] = list(dict.fromkeys(page.evaluate(SAID)))
            assert len(found[one.name]) > 5, one.name
    context.close()
    return found


def test_no_english_sentence_stands_on_a_spanish_page(
    demo: str, opened: Any, listed: tuple[Listed, ...], own: Sequence[str]
) -> None:
    left: dict[str, list[str]] = {}
    for name, texts in said_on(demo, opened, listed, "es", "es-ES").items():
        for text in texts:
            plain = KEPT.sub(" ", without(text, own))
            if english_in(plain):
                left.setdefault(plain.strip(), []).append(name)
    assert {text: names[:3] for text, names in left.items()} == {}


def test_a_spanish_reader_sees_decimal_commas(
    demo: str, opened: Any, listed: tuple[Listed, ...], own: Sequence[str]
) -> None:
    point = re.compile(r"(?<![\d.v])\d+\.\d{1,2}(?= (?:%|ppm|inWC|Pa|°[CF]|in|mm|s|kW|µA|uA)\b)")
    left = {}
    for name, texts in said_on(demo, opened, listed, "es", "es-ES").items():
        wrong = [t for t in texts if point.search(without(t, own))]
        if wrong:
            left[name] = wrong[:5]
    assert left == {}


def test_every_text_of_a_page_is_changed_by_the_pseudo_locale(
    demo: str, opened: Any, listed: tuple[Listed, ...], own: Sequence[str]
) -> None:
    accents = re.compile("[áçéĝĥíĵķļñóŕšţúŵýžÁÇĎÉĜĤÍĴĶĻÑÓŔŠŢÚŴÝŽ\\[\\]]")
    left: dict[str, list[str]] = {}
    for name, texts in said_on(demo, opened, listed, PSEUDO, "en-GB").items():
        for text in texts:
            plain = KEPT.sub(" ", without(text, own)).strip(" ·,.:;–-")
            if re.search("[A-Za-z]{4}", plain) and not accents.search(plain):
                left.setdefault(plain, []).append(name)
    assert {text: names[:3] for text, names in left.items()} == {}


IN_THE_PLANS_UNIT = {"service-form"}
"""Pages that ask and show a range in the unit of the plan, which is that of the tool."""

US = re.compile(r"°F|\bdegF\b|\binWC\b|\bpsi\b|\bMBH\b|\bft·lbf\b|\bft lbf\b|ft³/h|\d in\b")
SI = re.compile(r"°C|\bdegC\b|\d k?Pa\b|\d bar\b|\bkW\b|\bN·?m\b|\d mm\b|m³/h|\d K\b")


@pytest.mark.parametrize(("system", "foreign"), [("si", US), ("us", SI)])
def test_a_reader_sees_the_units_they_chose_and_no_others(
    demo: str,
    opened: Any,
    listed: tuple[Listed, ...],
    own: Sequence[str],
    system: str,
    foreign: re.Pattern[str],
) -> None:
    context = opened.new_context(locale="es-MX")
    kept = {"fluebook_units": system, "fluebook-language": "es"}  # English would be left out
    context.add_cookies([{"name": n, "value": v, "url": demo} for n, v in kept.items()])
    page = context.new_page()
    left: dict[str, list[str]] = {}
    mine = set()
    for one in listed:
        if one.name not in ONE_LANGUAGE:
            page.goto(demo + one.address)
            for text in dict.fromkeys(page.evaluate(SAID)):
                shown = without(text, own).replace("degC y degF confundidos", "")  # a rule's name
                if foreign.search(shown) and one.name not in IN_THE_PLANS_UNIT:
                    left.setdefault(text[:200], []).append(one.name)
                if (US if foreign is SI else SI).search(text):
                    mine.add(one.name)
    context.close()
    assert len(mine) > 10, "the pages hold the figures that are looked at"
    assert {text: names[:3] for text, names in left.items()} == {}
