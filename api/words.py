"""Words of pages and reports in the reader's language, with its numbers and dates.

A text is written in English where it is said, inside ``_("...")``; what stands in its braces is
filled in after translation: ``_("{n} lines of {name}", n=12, name=name)``. The language is the
request's (``api.languages``) or whatever ``speaking`` sets. Catalogues stand in ``api/locales``;
``python -m api.locales`` keeps them.
"""

from __future__ import annotations

import gettext
import string
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from datetime import date, datetime
from functools import lru_cache
from importlib.resources import files
from typing import Any

from babel import Locale, UnknownLocaleError
from babel.dates import format_date
from babel.numbers import get_decimal_symbol, get_group_symbol

from api.locales.pseudo import PSEUDO, PseudoTranslations

SOURCE = "en"
LANGUAGES: dict[str, str] = {"en": "English", "es": "Español"}
"""The languages of the pages, each by its own name; English is the one they are written in."""

DOMAIN = "fluebook"


@lru_cache
def catalogue(language: str) -> gettext.NullTranslations:
    """Return the compiled catalogue of a language; English says what is written in the code."""
    if language == PSEUDO:
        return PseudoTranslations()
    if language == SOURCE or language not in LANGUAGES:
        return gettext.NullTranslations()
    compiled = files("api.locales").joinpath(language, "LC_MESSAGES", f"{DOMAIN}.mo")
    with compiled.open("rb") as opened:
        return gettext.GNUTranslations(opened)


@lru_cache
def _locale(language: str, region: str | None) -> Locale:
    if language == PSEUDO or language not in LANGUAGES:
        return Locale(SOURCE)
    try:
        return Locale(language, territory=region)
    except UnknownLocaleError:
        return Locale(language)


@lru_cache(maxsize=20_000)
def _day(when: date, pattern: str, locale: Locale) -> str:
    """Return a date as text; a life of a boiler names the same few days thousands of times."""
    return format_date(when, pattern, locale=locale)


_Piece = tuple[str, str | None, str]


@lru_cache(maxsize=8192)
def _pieces(text: str) -> tuple[_Piece, ...] | None:
    """Return a text as words, the name that follows them, and how that is written.

    None where a place is more than a name: the formatter of the library knows what that means.
    """
    found: list[_Piece] = []
    for said, name, spec, conversion in string.Formatter().parse(text):
        if name is not None and (conversion or "{" in (spec or "") or not name.isidentifier()):
            return None
        found.append((said, name, spec or ""))
    return tuple(found)


class Words(string.Formatter):
    """Translated text, numbers, dates and times for one reader.

    Parameters
    ----------
    language : str
        A key of ``LANGUAGES`` or the pseudo-locale; another one speaks English.
    region : str or None
        Territory of the reader, which decides how numbers and dates are written.
    """

    def __init__(self, language: str = SOURCE, region: str | None = None) -> None:
        known = language in LANGUAGES or language == PSEUDO
        self.language = language if known else SOURCE
        self.locale = _locale(self.language, region)
        self._catalogue = catalogue(self.language)
        self.decimal = get_decimal_symbol(self.locale)
        self.group = get_group_symbol(self.locale)

    @property
    def tag(self) -> str:
        """Return the language as a page declares it."""
        return self.language

    @property
    def place(self) -> str:
        """Return language and region as a program is asked for them.

        >>> Words("es", "MX").place
        'es-MX'
        """
        return str(self.locale).replace("_", "-")

    def t(self, text: str, /, **given: object) -> str:
        """Return a text in the language, with what stands in its braces filled in.

        >>> Words().t("{n} of {total}", n=2, total=3)
        '2 of 3'
        """
        said = self._catalogue.gettext(text)
        return self._filled(said, given) if given else said

    def n(self, one: str, many: str, number: int, /, **given: object) -> str:
        """Return the form for a number, with ``{n}`` and what else is given filled in.

        >>> Words().n("{n} visit", "{n} visits", 3)
        '3 visits'
        """
        return self._filled(self.form(one, many, number), {"n": number, **given})

    def form(self, one: str, many: str, number: int) -> str:
        """Return the form for a number with its places still open."""
        return self._catalogue.ngettext(one, many, number)

    def _filled(self, text: str, given: dict[str, Any]) -> str:
        """Return what ``vformat`` does, for a text that was taken apart before."""
        pieces = _pieces(text)
        if pieces is None:
            return self.vformat(text, (), given)
        found: list[str] = []
        for said, name, spec in pieces:
            found.append(said)
            if name is not None:
                found.append(self.format_field(given[name], spec))
        return "".join(found)

    def format_field(self, value: Any, format_spec: str) -> str:
        """Return a value in a text: numbers with the reader's signs (called by ``format``)."""
        if isinstance(value, str) and not format_spec:
            return value
        text = format(value, format_spec)
        is_number = isinstance(value, int | float) and not isinstance(value, bool)
        return self.signs(text) if is_number else text

    def signs(self, text: str) -> str:
        """Return a number written the English way with the reader's decimal and group signs.

        >>> Words("es", "ES").signs("1,234.5"), Words("es", "MX").signs("1,234.5")
        ('1.234,5', '1,234.5')
        """
        if self.decimal == "." and self.group == ",":
            return text
        return text.translate({ord("."): self.decimal, ord(","): self.group})

    def day(self, when: date | None) -> str:
        """Return a date without ambiguity; an en dash where there is none."""
        if when is None:
            return "–"
        # English "medium" puts the month first, which half of the readers take for the day.
        pattern = "d MMM y" if self.locale.language == SOURCE else "medium"
        day = when.date() if isinstance(when, datetime) else when
        return _day(day, pattern, self.locale)

    def time(self, when: datetime | None) -> str:
        """Return date, time and offset; UTC itself has none.

        >>> from datetime import UTC
        >>> Words("en").time(datetime(2026, 3, 4, 12, tzinfo=UTC))
        '4 Mar 2026, 12:00 UTC'
        """
        if when is None:
            return "–"
        offset = when.strftime("%z")
        away = f"{offset[:3]}:{offset[3:5]}" if offset.strip("+-0") else ""
        zone = f" UTC{away}" if offset else ""
        return f"{self.day(when.date())}, {when:%H:%M}{zone}"


@lru_cache(maxsize=64)
def words_of(language: str, region: str | None = None) -> Words:
    """Return the words of a reader, made once."""
    return Words(language, region)


_spoken: ContextVar[Words] = ContextVar("fluebook_words")


def words() -> Words:
    """Return the words of whoever is being answered; English outside a request."""
    return _spoken.get(None) or words_of(SOURCE)


@contextmanager
def speaking(chosen: Words) -> Iterator[Words]:
    """Say everything inside in other words.

    >>> with speaking(words_of("es")):
    ...     words().language
    'es'
    """
    token = _spoken.set(chosen)
    try:
        yield chosen
    finally:
        _spoken.reset(token)


def _(text: str, /, **given: object) -> str:
    """Return a text in the reader's language, with what stands in its braces filled in."""
    return words().t(text, **given)


def _n(one: str, many: str, number: int, /, **given: object) -> str:
    """Return the form for a number in the reader's language, with ``{n}`` filled in."""
    return words().n(one, many, number, **given)


def capital(text: str) -> str:
    """Return a text with a capital at its beginning, the rest as it is.

    >>> capital("CO is high"), capital("ended on 4 Mar"), capital("")
    ('CO is high', 'Ended on 4 Mar', '')
    """
    return text[:1].upper() + text[1:]


def N_(text: str) -> str:  # noqa: N802 - the usual name for "a text to translate, but not here"
    """Mark a text for the catalogues where it is written; it is translated where it is shown."""
    return text
