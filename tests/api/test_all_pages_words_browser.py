"""Every page of the demo in a real Chromium, by its words: none of ours is left in English.

In Spanish no frequent English word stands on a page; in the language that does not exist every
text of ours is changed by it. What people and their files said stays as it was written.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
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


READERS = {
    "si": ("es", "es-ES", {"fluebook_units": "si"}),
    "us": ("es", "es-ES", {"fluebook_units": "us"}),
    "pseudo": (PSEUDO, "en-GB", {}),
}
"""Language, locale of the browser and further cookies of each."""


@dataclass(frozen=True, slots=True)
class Seen:
    """What one reader saw: the texts of each page, and the pages wider than a phone."""

    texts: dict[str, list[str]]
    wide: dict[str, int]


@pytest.fixture(scope="module")
def seen(demo: str, opened: Any, listed: tuple[Listed, ...]) -> dict[str, Seen]:
    """What each reader sees on every page."""
    return {name: _seen_by(demo, opened, listed, *how) for name, how in READERS.items()}


def _seen_by(
    demo: str,
    opened: Any,
    listed: Sequence[Listed],
    language: str,
    locale: str,
    cookies: dict[str, str],
) -> Seen:
    context = opened.new_context(
        viewport={"width": 390, "height": 844}, locale=locale, reduced_motion="reduce"
    )
    kept = {"fluebook-language": language, **cookies}
    context.add_cookies([{"name": n, "value": v, "url": demo} for n, v in kept.items()])
    page = context.new_page()
    texts, wide = {}, {}
    for one in listed:
        if one.name in ONE_LANGUAGE:
            continue
        answer = page.goto(demo + one.address)
        assert answer.status < 500, one.name
        assert page.locator("html").get_attribute("lang") == language, one.name
        texts[one.name] = list(dict.fromkeys(page.evaluate(SAID)))
        assert len(texts[one.name]) > 5, one.name
        width = page.evaluate("document.documentElement.scrollWidth")
        if width > 390:
            wide[one.name] = width
    context.close()
    return Seen(texts, wide)


def spanish(seen: dict[str, Seen]) -> Iterator[tuple[str, str]]:
    """Yield (page, text) of both Spanish readers."""
    for reader in ("si", "us"):
        for name, texts in seen[reader].texts.items():
            yield from ((name, text) for text in texts)


def test_no_page_is_wider_than_a_phone_in_any_language(seen: dict[str, Seen]) -> None:
    assert {reader: one.wide for reader, one in seen.items() if one.wide} == {}


def test_no_english_sentence_stands_on_a_spanish_page(
    seen: dict[str, Seen], own: Sequence[str]
) -> None:
    left: dict[str, list[str]] = {}
    for name, text in spanish(seen):
        plain = KEPT.sub(" ", without(text, own))
        if english_in(plain):
            left.setdefault(plain.strip(), []).append(name)
    assert {text: names[:3] for text, names in left.items()} == {}


def test_a_spanish_reader_sees_decimal_commas(seen: dict[str, Seen], own: Sequence[str]) -> None:
    point = re.compile(r"(?<![\d.v])\d+\.\d{1,2}(?= (?:%|ppm|inWC|Pa|°[CF]|in|mm|s|kW|µA|uA)\b)")
    left: dict[str, list[str]] = {}
    for name, text in spanish(seen):
        if point.search(without(text, own)):
            left.setdefault(name, []).append(text)
    assert {name: texts[:5] for name, texts in left.items()} == {}


def test_every_text_of_a_page_is_changed_by_the_pseudo_locale(
    seen: dict[str, Seen], own: Sequence[str]
) -> None:
    accents = re.compile("[áçéĝĥíĵķļñóŕšţúŵýžÁÇĎÉĜĤÍĴĶĻÑÓŔŠŢÚŴÝŽ\\[\\]]")
    left: dict[str, list[str]] = {}
    for name, texts in seen["pseudo"].texts.items():
        for text in texts:
            plain = KEPT.sub(" ", without(text, own)).strip(" ·,.:;–-")
            if re.search("[A-Za-z]{4}", plain) and not accents.search(plain):
                left.setdefault(plain, []).append(name)
    assert {text: names[:3] for text, names in left.items()} == {}


IN_THE_PLANS_UNIT = {"service-form"}
"""Pages that ask and show a range in the unit of the plan, which is that of the tool."""

US = re.compile(r"°F|\bdegF\b|\binWC\b|\bpsi\b|\bMBH\b|\bft·lbf\b|\bft lbf\b|ft³/h|\d in\b")
SI = re.compile(r"°C|\bdegC\b|\d k?Pa\b|\d bar\b|\bkW\b|\bN·?m\b|\d mm\b|m³/h|\d K\b")


@pytest.mark.parametrize(("system", "foreign"), [("si", US), ("us", SI)], ids=["si", "us"])
def test_a_reader_sees_the_units_they_chose_and_no_others(
    seen: dict[str, Seen], own: Sequence[str], system: str, foreign: re.Pattern[str]
) -> None:
    left: dict[str, list[str]] = {}
    mine = set()
    for name, texts in seen[system].texts.items():
        for text in texts:
            shown = without(text, own).replace("°C y °F confundidos", "")  # a rule's name
            if foreign.search(shown) and name not in IN_THE_PLANS_UNIT:
                left.setdefault(text[:200], []).append(name)
            if (US if foreign is SI else SI).search(text):
                mine.add(name)
    assert len(mine) > 10, "the pages hold the figures that are looked at"
    assert {text: names[:3] for text, names in left.items()} == {}
