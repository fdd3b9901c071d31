"""One Spanish term for one thing: the catalogue held against the table in docs/words.md."""

from __future__ import annotations

import re
from functools import lru_cache

import pytest

from api.locales import keep
from api.locales.collect import ROOT

TABLE = ROOT / "docs" / "words.md"


@lru_cache(maxsize=1)
def texts() -> tuple[tuple[str, str], ...]:
    out = []
    for message in keep.read("es"):
        if message.id:
            source = message.id if isinstance(message.id, str) else message.id[-1]
            said = message.string if isinstance(message.string, str) else message.string[-1]
            out.append((source, said))
    return tuple(out)


def rows() -> list[tuple[str, list[str], list[str]]]:
    found = []
    for line in TABLE.read_text("utf-8").splitlines():
        if line.startswith("| ") and not line.startswith("| English"):
            english, spanish, banned, source = (c.strip() for c in line.strip("| ").split("|"))
            assert re.search(r"\b(read|quoted|memory|one word for one thing)\b", source), english
            found.append((english, spanish.split(" / "), [b for b in banned.split(", ") if b]))
    return found


def holds(text: str, term: str) -> bool:
    text = re.sub(r"\{\w+[^{}]*\}", "", text)
    return re.search(rf"(?<!\w){re.escape(term)}(e?s)?(?!\w)", text, re.IGNORECASE) is not None


@pytest.mark.parametrize(("english", "spanish", "banned"), rows())
def test_a_term_is_said_in_one_way(english: str, spanish: list[str], banned: list[str]) -> None:
    used = [(a, b) for a, b in texts() if holds(a, english)]
    assert used, "a term that no text uses does not belong in the table"
    assert [(a, b) for a, b in used if not any(holds(b, s) for s in spanish)] == []
    assert [(b, w) for _, b in texts() for w in banned if holds(b, w)] == []


def test_questions_and_exclamations_are_opened_and_closed() -> None:
    wrong = [b for _, b in texts() if b.count("?") != b.count("¿") or b.count("!") != b.count("¡")]
    assert [b for b in wrong if re.search(r"[¿¡]|\w[?!]", b)] == []


def test_the_room_is_no_local_and_a_reader_is_addressed_as_usted() -> None:
    local = [b for _, b in texts() if re.search(r"\b[Ee]l local\b|\bdel local\b|\bal local\b", b)]
    spoken = re.compile(r"(?<!\bse )\b(tú|tus?|elige|pulsa|escoge)\b", re.IGNORECASE)
    familiar = [b for _, b in texts() if spoken.search(b)]
    assert (local, familiar) == ([], [])


def test_a_text_ends_as_its_english_does() -> None:
    wrong = [(a, b) for a, b in texts() if a[-1] in ".:?" and b.rstrip()[-1] != a[-1]]
    assert wrong == []
