"""Templates of the pages, and what every page is given."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

from fastapi import Request
from fastapi.responses import HTMLResponse
from jinja2 import Environment, PackageLoader, select_autoescape
from markupsafe import Markup, escape

from api.cautions import caution_pair
from api.doorkeeper import PRINCIPAL
from api.key_words import key_said
from api.languages import choices
from api.pages.show import SEVERITY_WORDS, STATE_WORDS, Shown
from api.pages.ways import ways
from api.plain_text import shown
from api.plan_words import named, plan_text
from api.settings import Settings
from api.words import Words, capital, words
from ingest.store import Book
from ingest.store.accounts import UNITS
from ingest.store.audit import first_hash

UNITS_COOKIE = "fluebook_units"

_templates = Environment(
    loader=PackageLoader("api"),
    autoescape=select_autoescape(["html", "svg"]),
    trim_blocks=True,
    lstrip_blocks=True,
    auto_reload=False,
    finalize=shown,
    extensions=["jinja2.ext.i18n"],
)
_templates.globals.update(key_said=key_said, plan_text=plan_text, named=named)
_templates.globals.update(severity_words=SEVERITY_WORDS, state_words=STATE_WORDS)
_templates.filters["capital"] = capital


def _said(text: str, /, **given: object) -> Markup:
    """Return ``_("...")`` of a template: the text is ours, what is filled in is escaped."""
    return Markup(words().t(text, **_escaped(given))) if given else _plain(words(), text)


@lru_cache(maxsize=8192)
def _plain(spoken: Words, text: str) -> Markup:
    return Markup(spoken.t(text))


def _counted(one: str, many: str, number: int, /, **given: object) -> Markup:
    return Markup(words().n(one, many, number, **_escaped(given)))


def _escaped(given: dict[str, object]) -> dict[str, object]:
    return {k: v if isinstance(v, int | float) else escape(v) for k, v in given.items()}


# ``{% trans %}`` fills %(name)s by itself; ``_()`` fills braces, so that "50 %" may stand in it.
_templates.install_gettext_callables(  # type: ignore[attr-defined]
    lambda text: words().t(text),
    lambda one, many, number: words().form(one, many, number),
    newstyle=True,
)


def _caution(text: str, /, **given: object) -> Markup:
    """Return ``caution("...")`` of a template: unapproved, with the English beside it."""
    pair = caution_pair(text, **_escaped(given))
    if pair.english is None:
        return Markup(pair.said)
    return Markup(
        f'<span class="caution-said">{pair.said}</span> '
        f'<span class="caution-source small" lang="en">{pair.english}</span>'
    )


_templates.globals.update(_=_said, _n=_counted, caution=_caution)


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
    """Compile the templates of the pages that are looked at first: about 0.1 s of the processor."""
    for name in _MAIN:
        _templates.get_template(f"{name}.html")


def fragment(name: str, **given: Any) -> Markup:
    """Return a part of a page in the reader's language, to be kept and set into pages."""
    return Markup(_templates.get_template(name).render(**given))


def page(
    request: Request, name: str, *, title: str, status: int = 200, **given: Any
) -> HTMLResponse:
    """Return a page; a chosen unit system is remembered in the reader's browser."""
    settings: Settings = request.app.state.settings
    html = _templates.get_template(name).render(
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
    answer = HTMLResponse(html, status_code=status)
    chosen = request.query_params.get("units")
    if chosen in UNITS:
        answer.set_cookie(UNITS_COOKIE, chosen, max_age=365 * 86400, samesite="lax", httponly=True)
    return answer
