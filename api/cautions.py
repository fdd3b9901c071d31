"""Safety texts in another language: shown with the English beside until a person approves them.

``api/locales/approvals.toml`` holds one ``[[approved]]`` for each: ``text`` (``approval_hash``),
``name`` and ``date``. The hash is over language, English and translation, so that an approval ends
when either is changed. The file is empty until somebody who knows the trade has read them.
"""

from __future__ import annotations

import hashlib
import tomllib
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files

from api.words import SOURCE, words


@dataclass(frozen=True, slots=True)
class Caution:
    """A safety text as it is said, and the English where that must stand beside it."""

    said: str
    english: str | None = None

    def __str__(self) -> str:
        return self.said if self.english is None else f"{self.said} (English: {self.english})"


def approval_hash(language: str, text: str, translation: str) -> str:
    """Return what an approval names.

    >>> approval_hash("es", "Leave.", "Salga.") == approval_hash("es", "Leave.", "Salga")
    False
    """
    return hashlib.sha256("\0".join((language, text, translation)).encode()).hexdigest()[:16]


@lru_cache
def approvals() -> frozenset[str]:
    """Return the approved hashes; an approval without a name or a date is none."""
    kept = files("api.locales").joinpath("approvals.toml").read_text(encoding="utf-8")
    return frozenset(
        one["text"]
        for one in tomllib.loads(kept).get("approved", [])
        if str(one.get("name", "")).strip() and one.get("date")
    )


def caution_pair(text: str, /, **given: object) -> Caution:
    """Return a safety text in the reader's language, the English beside it until approved."""
    spoken = words()
    english = text.format(**given) if given else text
    return _beside(text, spoken.t(text), spoken.t(text, **given), english)


def counted_caution(one: str, many: str, number: int, /) -> Caution:
    """Return the form of a safety text for a number, the English beside it until approved."""
    spoken, text = words(), one if number == 1 else many
    filled = spoken.n(one, many, number)
    return _beside(text, spoken.form(one, many, number), filled, text.format(n=number))


def _beside(text: str, said: str, filled: str, english: str) -> Caution:
    """Return what is said, with its English where the wording is a translation not approved."""
    language = words().language
    own = language == SOURCE or said == text
    if own or approval_hash(language, text, said) in approvals():
        return Caution(filled)
    return Caution(filled, english)


def caution(text: str, /, **given: object) -> str:
    """Return a safety text as plain words, the English in brackets until approved."""
    return str(caution_pair(text, **given))
