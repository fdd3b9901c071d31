"""Templates of the pages, and what every page is given."""

from __future__ import annotations

from typing import Any

from fastapi import Request
from fastapi.responses import HTMLResponse
from markupsafe import Markup

from api.doorkeeper import PRINCIPAL
from api.languages import choices
from api.pages.environment import templates
from api.pages.show import Shown
from api.pages.ways import ways
from api.settings import Settings
from api.words import LANGUAGES, words
from ingest.store import Book
from ingest.store.accounts import UNITS
from ingest.store.audit import first_hash

UNITS_COOKIE = "fluebook_units"


def shown_for(request: Request) -> Shown:
    """Return the reader's unit system: by the address, by cookie, by their account, else ours."""
    chosen = request.query_params.get("units") or request.cookies.get(UNITS_COOKIE)
    person = request.scope.get(PRINCIPAL)
    if chosen not in UNITS and person is not None:
        chosen = person.units
    if chosen == "us":
        return Shown("us")
    if chosen == "si":
        return Shown("si")
    settings: Settings = request.app.state.settings
    return Shown(settings.units)


def size_of_page(request: Request, settings: Settings) -> tuple[int, int]:
    """Return how many rows of a long list are left out before this page, and how many it has."""
    asked = request.query_params.get("skip", "")
    return (int(asked) if asked.isdecimal() and len(asked) < 10 else 0), settings.page_size


def _signed(request: Request) -> Markup:
    """Return what a field for a name carries: whoever signed in signs with their own."""
    person = request.scope.get(PRINCIPAL)
    if person is None or person.kind != "account":
        return Markup("")
    return Markup(' value="{}" readonly').format(person.name)


def _whose(request: Request) -> str:
    """Return whose copies and waiting entries a browser keeps: an account's, or a book's."""
    person = request.scope.get(PRINCIPAL)
    if person is None:
        return ""
    if person.id is not None:
        return str(person.id)
    book: Book = request.app.state.intake.book
    return f"{person.kind}-{first_hash(book.reader)[:16]}"


_MAIN = ("review", "visit", "base", "marks", "chart", "service_part", "waits")


def compile_main() -> None:
    """Compile the templates of the pages looked at first: 0.1 to 0.2 s for each language."""
    for language in LANGUAGES:
        for name in _MAIN:
            templates(language).get_template(f"{name}.html")


def fragment(name: str, **given: Any) -> Markup:
    """Return a part of a page in the reader's language, to be kept and set into pages."""
    return Markup(templates(words().language).get_template(name).render(**given))


def page(
    request: Request, name: str, *, title: str, status: int = 200, **given: Any
) -> HTMLResponse:
    """Return a page; a chosen unit system is remembered in the reader's browser."""
    settings: Settings = request.app.state.settings
    html = (
        templates(words().language)
        .get_template(name)
        .render(
            title=title,
            shown=shown_for(request),
            company=settings.company,
            language=words().tag,
            languages=choices(),
            person=request.scope.get(PRINCIPAL),
            whose=_whose(request),
            office=ways(request.scope.get(PRINCIPAL)),
            here=request.url.path,
            signed=_signed(request),
            **given,
        )
    )
    answer = HTMLResponse(html, status_code=status)
    chosen = request.query_params.get("units")
    if chosen in UNITS:
        answer.set_cookie(UNITS_COOKIE, chosen, max_age=365 * 86400, samesite="lax", httponly=True)
    return answer
