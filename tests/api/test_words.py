"""The reader's language: who is answered in which, and what the catalogues hold."""

from __future__ import annotations

import ast
import re
from pathlib import Path
from typing import Any

import pytest
from markupsafe import Markup

from api import cautions
from api.key_words import ACTS
from api.languages import chosen_words
from api.locales import keep
from api.locales.collect import KEYWORDS, ROOT, collected
from api.locales.pseudo import LONGER, PSEUDO, pseudo
from api.pages.limit_words import to_mind
from api.pages.review import headline
from api.pages.show import Shown
from api.words import Words, speaking, words_of
from ingest.documents import boiler_from
from ingest.limits import resolve_limits
from ingest.models import LimitsDocument
from tests.api.conftest import BOILER

FOUND = collected()
SAFETY = "A bypassed safety device is never left in place on a running burner."


@pytest.mark.parametrize("language", keep.translated_languages())
def test_no_translation_differs_in_what_is_filled_in(language: str) -> None:
    wrong = [f for f in keep.faults(language, FOUND) if f.why.startswith(("places", "a brace"))]
    assert not wrong


@pytest.mark.parametrize("language", keep.translated_languages())
def test_every_text_stands_in_the_catalogue(language: str) -> None:
    gone = [f.text for f in keep.faults(language, FOUND) if f.why == "not in the catalogue"]
    assert not gone, "run python -m api.locales update"


@pytest.mark.parametrize("language", keep.translated_languages())
def test_the_compiled_catalogue_is_that_of_the_texts(language: str) -> None:
    made = keep.po_of(language).with_suffix(".mo").read_bytes()
    assert made == keep.compiled(keep.read(language)), "run python -m api.locales compile"


@pytest.mark.parametrize("language", keep.translated_languages())
def test_every_text_is_translated(language: str) -> None:
    assert [f"{f.why}: {f.text}" for f in keep.faults(language, FOUND)] == []


def test_the_pseudo_locale_is_longer_and_keeps_what_is_filled_in() -> None:
    for message in FOUND:
        if isinstance(message.id, str) and message.id.strip():
            said = pseudo(message.id)
            assert said[0] == "[" and said[-1] == "]"
            assert keep.holes(said) == keep.holes(message.id)
            bare = re.sub(r"\{[^{}]*\}", "", message.id)
            assert len(re.sub(r"\{[^{}]*\}", "", said)) >= len(bare) * (1 + LONGER)


@pytest.mark.parametrize(
    ("choice", "accept", "language"),
    [
        ("", "", "en"),
        ("", "es-MX,es;q=0.9", "es"),
        ("", "fr, de;q=0.5", "en"),
        ("en", "es", "en"),
        (PSEUDO, "es", PSEUDO),
        ("../es", "", "en"),
        ("", "es;q=x, ;;;, *", "en"),
    ],
)
def test_the_choice_comes_before_the_browser(choice: str, accept: str, language: str) -> None:
    assert chosen_words(choice, accept).language == language


def test_numbers_are_written_as_in_the_readers_region() -> None:
    assert chosen_words("es", "es-ES").t("{n:.1f}", n=3.5) == "3,5"
    assert chosen_words("es", "es-MX").t("{n:.1f}", n=3.5) == "3.5"
    assert Words("en").t("{n:.1f}", n=3.5) == "3.5"


@pytest.mark.parametrize("words", [Words(), Words("es", "ES")], ids=["en", "es-ES"])
@pytest.mark.parametrize(
    ("text", "given"),
    [
        ("{n} of {total:,.2f}", {"n": 2, "total": 3456.5}),
        ("{{kept}} {said!r}", {"said": "so"}),
        ("{wide:{by}}|{said:>5}", {"wide": 1, "by": 5, "said": "so"}),
        ("{said}", {"said": Markup("<b>")}),
        ("{whole.imag} {yes} {x:+.1f}", {"whole": 3, "yes": True, "x": -1234.5}),
    ],
)
def test_places_are_filled_as_the_librarys_formatter_does(
    words: Words, text: str, given: dict[str, Any]
) -> None:
    assert words.t(text, **given) == words.vformat(text, (), given)
    assert type(words.t(text, **given)) is str


def test_an_unapproved_caution_shows_the_english_beside() -> None:
    with speaking(words_of("es")):
        pair = cautions.caution_pair(SAFETY)
        assert pair.english == SAFETY and pair.said != SAFETY
        assert SAFETY in cautions.caution(SAFETY)
    assert cautions.caution_pair(SAFETY).english is None


def test_an_approval_names_one_wording_and_a_person(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    with speaking(words_of("es")) as spoken:
        right = cautions.approval_hash("es", SAFETY, spoken.t(SAFETY))
        other = cautions.approval_hash("es", SAFETY, spoken.t(SAFETY) + "!")
        entry = '[[approved]]\ntext = "{}"\nname = "{}"\ndate = 2026-11-25\n'
        (tmp_path / "approvals.toml").write_text(entry.format(right, ""), encoding="utf-8")
        monkeypatch.setattr(cautions, "files", lambda _: tmp_path)
        for text, name, shown in (
            (right, "", True),
            (other, "A. Person", True),
            (right, "A. Person", False),
        ):
            (tmp_path / "approvals.toml").write_text(entry.format(text, name), encoding="utf-8")
            cautions.approvals.cache_clear()
            assert (cautions.caution_pair(SAFETY).english is not None) is shown
    cautions.approvals.cache_clear()


def test_every_text_that_is_said_was_found_where_it_is_written() -> None:
    """The extractor misses what stands inside an f-string or inside another call of its kind."""
    found = {t for m in FOUND for t in ([m.id] if isinstance(m.id, str) else m.id)}
    said = [
        (path.name, call.lineno, call.args[0].value)
        for path in sorted((ROOT / "api").rglob("*.py"))
        for call in ast.walk(ast.parse(path.read_text("utf-8")))
        if isinstance(call, ast.Call)
        and getattr(call.func, "id", getattr(call.func, "attr", "")) in KEYWORDS
        and call.args
        and isinstance(call.args[0], ast.Constant)
        and isinstance(call.args[0].value, str)
    ]
    assert len(said) > 700
    assert [one for one in said if one[2] not in found] == []


def test_every_act_of_the_trail_has_its_words() -> None:
    """Acts are written where they are done; those put together from a kind are in the list."""
    written = {
        call.args[0].value
        for folder in ("ingest", "api")
        for path in sorted((ROOT / folder).rglob("*.py"))
        for call in ast.walk(ast.parse(path.read_text("utf-8")))
        if isinstance(call, ast.Call)
        and getattr(call.func, "attr", "") == "record"
        and call.args
        and isinstance(call.args[0], ast.Constant)
        and isinstance(call.args[0].value, str)
    }
    assert len(written) > 20
    assert written - set(ACTS) == set()


WARNS = re.compile(
    r"must not be|[Dd]o not leave|come to harm|injure|licensed|\b[Ll]eave (now|the room|and)|"
    r"says? stop[.:]|[Vv]entilate|has no smell"
)


def test_what_warns_is_said_as_a_caution_in_templates_and_code() -> None:
    """Said by ``_`` it would stand without its English; ``N_`` marks a text for either."""
    plain = [
        text
        for path in sorted((ROOT / "api").rglob("*.html"))
        for text in re.findall(r'(?<!\w)_n?\(\s*"((?:[^"\\]|\\.)*)"', path.read_text("utf-8"))
    ]
    plain += [
        given.value
        for path in sorted((ROOT / "api").rglob("*.py"))
        for call in ast.walk(ast.parse(path.read_text("utf-8")))
        if isinstance(call, ast.Call)
        and getattr(call.func, "id", getattr(call.func, "attr", "")) in ("_", "_n", "t", "n")
        for given in call.args[:2]
        if isinstance(given, ast.Constant) and isinstance(given.value, str)
    ]
    assert len(plain) > 1000
    assert [text for text in plain if WARNS.search(text)] == []


def test_counted_warnings_and_looser_limits_have_their_english_beside() -> None:
    held_to = resolve_limits(
        boiler_from(BOILER), company=LimitsDocument.model_validate({"room_co_stop": 50})
    )
    with speaking(words_of("es")):
        assert headline({"stop": 1}).endswith("(English: 1 must not be left running.)")
        (told,) = to_mind(held_to, Shown("si"))
    assert told.endswith("say in the reason what allows it.)")
    assert "(English: CO in the room, stop from: 50 ppm is looser than the built-in" in told


NO_TEXTS = {"use strict", "tip small", "report printed", "told offer", "told full"}
"""A directive and names of classes."""


def test_scripts_hold_no_text_of_their_own() -> None:
    """What they say stands in attributes of the page, where it went through the catalogues."""
    literal = re.compile(r"""(?<![\\\w])(["'`])((?:\\.|(?!\1).)*?)\1""")
    sentence = re.compile(r"(?<![\w.#-])[A-Za-z]{2,} [a-z]{2,}(?![\w:.\[#=-])")
    said = {
        path.name: [
            text
            for line in path.read_text("utf-8").splitlines()
            if not line.strip().startswith("//")
            for _, text in literal.findall(line)
            if sentence.search(re.sub(r"\$\{[^}]*\}", "", text)) and text not in NO_TEXTS
        ]
        for path in sorted((ROOT / "api" / "static").glob("*.js"))
    }
    assert len(said) > 5
    assert sentence.search("Send it now") and not sentence.search(".log svg")
    assert {name: texts for name, texts in said.items() if texts} == {}
