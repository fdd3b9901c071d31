"""Which language a reader is answered in: their choice, else what their browser asks for.

Chosen by ``?language=`` on any page, kept in a cookie of the reader's browser and, of a person who
signed in, in their account for devices without the cookie; else by ``Accept-Language``; else the
office's. The units chosen by ``?units=`` are kept in the account the same way. Programs under
``/v1`` are answered in English, always.
"""

from __future__ import annotations

from urllib.parse import parse_qs

from babel import Locale, UnknownLocaleError
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import cookie_parser
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from api.accounts import Desk, Principal
from api.doorkeeper import PRINCIPAL
from api.locales.pseudo import PSEUDO
from api.words import LANGUAGES, SOURCE, Words, speaking, words_of
from ingest.store.accounts import UNITS

LANGUAGE_COOKIE = "fluebook-language"
_MOST_WISHES = 20


def wishes(accept: str) -> list[str]:
    """Return the languages of an ``Accept-Language`` header, most wanted first.

    >>> wishes("de, es-MX;q=0.8, es;q=0.9, fr;q=0")
    ['de', 'es', 'es-MX']
    """
    found: list[tuple[float, int, str]] = []
    for position, part in enumerate(accept.split(",")[:_MOST_WISHES]):
        tag, _, parameter = part.strip().partition(";")
        try:
            weight = float(parameter.replace("q=", "").strip() or 1.0)
        except ValueError:
            continue
        if tag.strip() and 0.0 < weight <= 1.0:
            found.append((-weight, position, tag.strip()))
    return [tag for _, _, tag in sorted(found)]


def _parts(tag: str) -> tuple[str, str | None]:
    try:
        locale = Locale.parse(tag, sep="-")
    except (ValueError, UnknownLocaleError):
        return tag.partition("-")[0].lower(), None
    return locale.language, locale.territory


def language_and_region(tag: str) -> tuple[str, str | None]:
    """Return language and region of a tag of ours, for whoever states one instead of wishing.

    Raises
    ------
    ValueError
        If nothing here speaks that language, or there is no such place.

    Examples
    --------
    >>> language_and_region("es-MX"), language_and_region("en")
    (('es', 'MX'), ('en', None))
    """
    asked = tag.replace("_", "-")
    language, _, region = asked.partition("-")
    if language not in LANGUAGES or words_of(language, region or None).place != asked:
        raise ValueError(f"{tag!r} is none of {', '.join(LANGUAGES)}, with or without a region")
    return language, region or None


def chosen_words(choice: str, accept: str, otherwise: str = SOURCE) -> Words:
    """Return a reader's words.

    Parameters
    ----------
    choice : str
        The language that the reader chose, empty where they never did.
    accept : str
        The browser's ``Accept-Language``; it also tells the region, by which numbers are written.
    otherwise : str
        The office's language.

    Examples
    --------
    >>> words = chosen_words("", "es-MX,es;q=0.9,en;q=0.5")
    >>> words.language, str(words.locale)
    ('es', 'es_MX')
    >>> chosen_words("en", "es-MX").language
    'en'
    """
    if choice == PSEUDO:
        return words_of(PSEUDO)
    asked = [_parts(tag) for tag in wishes(accept)]
    if choice in LANGUAGES:
        language = choice
    else:
        language = next((tag for tag, _ in asked if tag in LANGUAGES), otherwise)
    region = next((place for tag, place in asked if tag == language and place), None)
    return words_of(language, region)


def choices() -> list[tuple[str, str]]:
    """Return (tag, own name) of each language that a reader may choose."""
    return list(LANGUAGES.items())


class Languages:
    """Plain ASGI, behind the doorkeeper: sets the words for everything that a page's request runs.

    Parameters
    ----------
    desk : Desk
        Keeps what a person chose.
    otherwise : str
        The office's language.
    """

    def __init__(self, app: ASGIApp, *, desk: Desk, otherwise: str = SOURCE) -> None:
        self.app = app
        self.desk = desk
        self.otherwise = otherwise

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        path = scope.get("path", "")
        if scope["type"] != "http" or path.startswith(("/v1/", "/static/")):
            await self.app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        query = parse_qs(scope.get("query_string", b"").decode("latin-1"))
        asked = query.get("language", [""])[0]
        valid = asked in LANGUAGES or asked == PSEUDO
        person = scope.get(PRINCIPAL)
        kept = cookie_parser(headers.get("cookie", "")).get(LANGUAGE_COOKIE, "")
        if isinstance(person, Principal):
            kept = kept or person.language or ""
            language = asked if asked in LANGUAGES else None
            units = next((u for u in UNITS if u == query.get("units", [""])[0]), None)
            if scope["method"] == "GET" and (language or units):
                await run_in_threadpool(self.desk.choose, person, language=language, units=units)
        chosen = chosen_words(
            asked if valid else kept, headers.get("accept-language", ""), self.otherwise
        )

        async def tagged_send(message: Message) -> None:
            if message["type"] == "http.response.start":
                out = MutableHeaders(scope=message)
                out.setdefault("Content-Language", chosen.tag)
                out.add_vary_header("Accept-Language, Cookie")
                if valid:
                    out.append(
                        "Set-Cookie",
                        f"{LANGUAGE_COOKIE}={asked}; Max-Age=31536000; Path=/; SameSite=Lax; "
                        "HttpOnly",
                    )
            await send(message)

        with speaking(chosen):
            await self.app(scope, receive, tagged_send)
