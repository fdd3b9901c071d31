"""Every page in a real Chromium: readable by axe-core's rules, never too wide, never jumping.

``make test`` goes once over all pages, theme and language alternating, and looks at the contrast of
each kind of page in both themes; ``make soak`` takes every page in both themes, both languages and
three widths. Thresholds: WCAG 2.2, 1.4.10 (reflow at
320 px) and 1.4.4 (text at 200 %), from memory; a layout shift under 0.1 counts as good by the Web
Vitals definition (memory), the bound here is half of it.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
from fastapi.routing import iter_route_contexts

from api.app import create_app
from api.permissions import OPEN_FOLDERS
from api.settings import Settings
from ingest.intake import Intake
from ingest.store import Book
from tests.browser import AXE, SHIFT, WATCH, broken, chromium
from tests.odd_pages import FINDINGS, odd_pages
from tests.page_list import NOT_PAGES, Listed

needs_browser = pytest.mark.skipif(chromium() is None, reason="no Chromium is installed here")
FACES = ("light", "dark")
LANGUAGES = ("en", "es")
WIDE = """() => {
  const page = document.documentElement;
  if (page.scrollWidth <= innerWidth) return null;
  const right = e => e.getBoundingClientRect().right;
  const over = [...document.querySelectorAll('body *')].filter(
    e => !e.parentElement.closest('.wide, .lines, svg') && e.checkVisibility()
      && right(e) > innerWidth + 1);
  return [page.scrollWidth, ...over.slice(0, 8).map(e => e.outerHTML.slice(0, 90))];
}"""
LAID_OVER = """() => {
  const apart = '.wide, .lines, svg, .away, .skip, .save, .tip, select, .dado details > div';
  const boxes = [];
  for (const e of document.querySelectorAll('body *')) {
    if (e.closest(apart) || !e.checkVisibility({visibilityProperty: true})) continue;
    if (e.matches('input, textarea, button, img')) boxes.push([e, e.getBoundingClientRect()]);
    if (e.closest('button')) continue;
    for (const node of e.childNodes) {
      if (node.nodeType !== 3 || !node.data.trim()) continue;
      const range = document.createRange();
      range.selectNodeContents(node);
      for (const box of range.getClientRects()) boxes.push([e, box]);
    }
  }
  boxes.sort((a, b) => a[1].top - b[1].top);
  const found = [];
  boxes.forEach(([a, p], n) => {
    for (let m = n + 1; m < boxes.length && boxes[m][1].top < p.bottom - 4; m++) {
      const [b, q] = boxes[m];
      const deep = Math.min(p.bottom, q.bottom) - q.top;
      const broad = Math.min(p.right, q.right) - Math.max(p.left, q.left);
      if (deep > 4 && broad > 2 && !a.contains(b) && !b.contains(a))
        found.push([a.outerHTML.slice(0, 90), b.outerHTML.slice(0, 90)]);
    }
  });
  return found.slice(0, 8);
}"""
"""Words or fields that lie over others, by more than letters' own overhang."""
SIDEWAYS = """() => [...document.querySelectorAll('.wide')].filter(
  one => one.checkVisibility() && one.scrollWidth > one.clientWidth + 1,
).map(one => one.ariaLabel)"""
SETTLED = (
    "() => document.fonts.ready.then(() => new Promise(done => "
    "requestAnimationFrame(() => requestAnimationFrame(done))))"
)


def told(demo: str, opened: Any, face: str, language: str, width: int) -> Any:
    """Return a page of a reader with a theme, a language and a width."""
    context = opened.new_context(
        viewport={"width": width, "height": 844},
        color_scheme=face,
        reduced_motion="reduce",
        bypass_csp=True,  # axe-core is a test's only script
    )
    cookie = {"name": "fluebook-language", "value": language, "url": demo}
    context.add_cookies([cookie])
    page = context.new_page()
    page.add_init_script(WATCH)
    return page


def too_wide(page: Any, width: int) -> list[Any]:
    """Return what reaches beyond the window: at a phone's width, a narrow one, large letters."""
    found = []
    for wide, letters in ((width, "100%"), (320, "100%"), (width, "200%")):
        page.set_viewport_size({"width": wide, "height": 844})
        page.evaluate("letters => { document.documentElement.style.fontSize = letters; }", letters)
        over = page.evaluate(WIDE)
        if over:
            found.append((wide, letters, over))
    return found


def faults(page: Any, address: str, language: str, width: int) -> list[Any]:
    """Return everything that is wrong with one page."""
    page.set_viewport_size({"width": width, "height": 844})
    page.goto(address)
    page.evaluate(SETTLED)
    found: list[Any] = []
    shift = page.evaluate("window.shift")
    if shift >= SHIFT:
        found.append(("shift", shift))
    said = page.locator("html").get_attribute("lang")
    if said != language:
        found.append(("language", said))
    found += page.evaluate(LAID_OVER)
    return found + broken(page) + too_wide(page, width)


def pale(page: Any, other: str, back: str) -> list[Any]:
    """Return what has too little contrast on a page in the other theme."""
    page.emulate_media(color_scheme=other)
    found = [(other, *one) for one in broken(page, rules=["color-contrast"])]
    page.emulate_media(color_scheme=back)
    return found


@pytest.mark.browser
@needs_browser
def test_every_page_is_readable_fits_and_stands_still(
    demo: str, opened: Any, listed: tuple[Listed, ...]
) -> None:
    found = {}
    kinds = [(face, language) for face in FACES for language in LANGUAGES]
    readers = [told(demo, opened, face, language, 390) for face, language in kinds]
    seen = {(one.route, kinds[n % len(kinds)][0]) for n, one in enumerate(listed)}
    for n, one in enumerate(listed):
        at = n % len(kinds)
        face, language = kinds[at]
        wrong = faults(readers[at], demo + one.address, language, 390)
        other = next(f for f in FACES if f != face)
        if (one.route, other) not in seen:
            wrong += pale(readers[at], other, face)
        if wrong:
            found[(one.name, *kinds[at])] = wrong
    for page in readers:
        page.context.close()
    assert found == {}


@pytest.mark.soak
@pytest.mark.browser
@needs_browser
@pytest.mark.parametrize("width", [390, 820, 1440])
@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize("face", FACES)
def test_every_page_in_every_theme_language_and_width(
    demo: str, opened: Any, listed: tuple[Listed, ...], face: str, language: str, width: int
) -> None:
    page = told(demo, opened, face, language, width)
    found = {}
    for one in listed:
        wrong = faults(page, demo + one.address, language, width)
        if wrong:
            found[one.name] = wrong
    page.context.close()
    assert found == {}


@pytest.mark.browser
@needs_browser
def test_what_is_broken_is_found_as_a_full_run_of_all_rules_finds_it(opened: Any) -> None:
    page = opened.new_page()
    page.set_content(
        "<html><title></title><img src='a.png'><p style='color:#aaa;background:#fff'>pale</p>"
        "<details><summary>more</summary><input></details><a href='#'></a><ul><p>x</p></ul></html>"
    )
    found = broken(page)
    page.evaluate(AXE.read_text("utf-8"))
    full = page.evaluate("axe.run()")["violations"]
    assert found == [(n["html"], n["failureSummary"]) for v in full for n in v["nodes"]]
    pale_only = broken(page, rules=["color-contrast"])
    within = broken(page, "details")
    assert [html[:2] for html, _ in pale_only] == ["<p"]
    assert {html[:6] for html, _ in within} == {"<input"}
    for planted in ("<img", "<p style", "<input", "<a href", "<ul>", "<html>"):
        assert any(html.startswith(planted) for html, _ in found), planted
    page.close()


@pytest.mark.browser
@needs_browser
def test_no_listed_page_is_missing(demo: str, opened: Any, listed: tuple[Listed, ...]) -> None:
    context = opened.new_context()
    said = {}
    for one in listed:
        answer = context.request.get(
            demo + one.address, max_redirects=0, headers={"Accept": "text/html"}
        )
        html = (answer.headers.get("content-type") or "").startswith("text/html")
        if not html or (answer.status != 200 and one.name not in {"no-page", "first-over"}):
            said[one.name] = answer.status
    context.close()
    assert said == {}
    names = [one.name for one in listed]
    assert len(names) == len(set(names))


@pytest.mark.browser
@needs_browser
def test_every_route_of_pages_is_in_the_list(tmp_path: Path, listed: tuple[Listed, ...]) -> None:
    with Book(tmp_path / "book.db", durable=False) as book:
        app = create_app(Intake(book), Settings(alone=True, requests_a_minute=0))
        routes = set()
        for context in iter_route_contexts(app.routes):
            original = getattr(context, "original_route", context)
            path = getattr(context, "path", None) or getattr(original, "path", "")
            methods = getattr(context, "methods", None) or getattr(original, "methods", None) or ()
            if "GET" in methods and not path.startswith(("/v1/", *OPEN_FOLDERS)):
                routes.add(path)
    assert len(routes) > 25
    assert routes - NOT_PAGES - {one.route for one in listed} == set(), "pages nobody looks at"
    assert {one.route for one in listed if one.route} - routes == set(), "pages that are not there"


@pytest.mark.browser
@needs_browser
def test_long_turned_and_hostile_words_twelve_rates_and_forty_findings_fit_a_phone(
    demo: str, opened: Any
) -> None:
    page = told(demo, opened, "light", "en", 390)
    found: dict[str, list[Any]] = {}
    for name, address in odd_pages(page.context.request, demo).items():
        page.set_viewport_size({"width": 390, "height": 844})
        answer = page.goto(demo + address)
        assert answer.status == 200, name
        wrong = page.evaluate(LAID_OVER) + page.evaluate(SIDEWAYS)
        wrong += page.locator("[onclick], script:text('ran')").all_inner_texts()
        if name == "visit":
            assert page.locator(".flags > li").count() > FINDINGS
        if name == "signed":
            link = page.locator(".signature dd a").first.bounding_box()
            assert link is not None and link["height"] >= 48
        wrong += too_wide(page, 390)
        if wrong:
            found[name] = wrong
    page.context.close()
    assert found == {}


@pytest.mark.browser
@needs_browser
def test_a_first_password_is_chosen_by_who_has_the_link(demo: str, opened: Any) -> None:
    context = opened.new_context()
    form = {"name": "Second newcomer", "role": "technician"}
    made = context.request.post(f"{demo}/accounts", form=form).text()
    page = context.new_page()
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.headers.get("referer", "")))
    page.goto(demo + re.findall(r"/first/[\w.-]+", made)[0])
    for field in ("password", "again"):
        page.locator(f"#{field}").fill("a long one of four words")
    with page.expect_navigation() as gone:
        page.get_by_role("button", name="Keep it and sign in").click()
    assert gone.value.status == 200 and "/first/" not in page.url
    assert not any("/first/" in one for one in asked), "the link is told to nobody"
    context.close()
