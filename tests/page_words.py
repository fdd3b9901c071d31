"""What a page says, part by part, and what of it is in English.

A text of the page is split at its elements; what is marked as English, what a file or a person
said, and what stands in code is left out.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from typing import Any

SAID = """() => {
  const quiet = 'script, style, code, textarea, .lines, [lang="en"], [data-own]';
  const clean = t => t.replace(/\\s+/g, ' ').trim();
  const out = [document.title];
  const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walk.nextNode()) {
    const said = clean(walk.currentNode.textContent);
    if (said && !walk.currentNode.parentElement.closest(quiet)) out.push(said);
  }
  const names = ['aria-label', 'title', 'alt', 'aria-description', 'aria-valuetext'];
  for (const one of document.querySelectorAll('body *')) {
    if (one.closest(quiet)) continue;
    for (const name of names) if (one.getAttribute(name)) out.push(clean(one.getAttribute(name)));
  }
  return out;
}"""

_WORDS = """the of and is are was were with from not this that these those it its by at for to an
    be has have had been each than more most what who when where which why how all here there only
    before after their they you your will would can could must should may one two three other
    out up off into under over above below between nothing something somebody nobody everything
    left right found kept stored read written given taken made looked asked wanted needs stays
    stands holds yes open opened close closed add added change changed remove show shown keep
    choose chosen visit visits boiler boilers burner flue stack draft vent fire firing low high
    gas-fired gasket reading readings limit limits finding findings fix check task tasks test
    tests part parts month months day days year years hour hours as or against until since again
    still yet nameplate trap seal igniter strainer leak cutoff"""
ENGLISH = frozenset(_WORDS.split())
"""Frequent English words, and this trade's, that are no Spanish ones."""

ENGLISH_PARTS = re.compile(r"\(English: .*?\)(?=\s|$)", re.DOTALL)
_ID = re.compile(r"\b(?:[0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12}|[0-9a-f]{16}|[0-9a-f]{64})\b")
_WORD = re.compile(r"[^\W\d]+(?:[-_'.:/][^\W\d]+)*")


def strings(document: Any) -> Iterator[str]:
    """Yield every text inside a JSON document."""
    if isinstance(document, str):
        yield document
    elif isinstance(document, dict):
        yield from (s for value in document.values() for s in strings(value))
    elif isinstance(document, list):
        yield from (s for value in document for s in strings(value))


def without(text: str, own: Iterable[str]) -> str:
    """Return a text without what people wrote; ``own`` has the longest first."""
    text = ENGLISH_PARTS.sub(" ", text)
    for said in own:
        if said in text:
            text = text.replace(said, " ")
    return text


def english_in(text: str) -> list[str]:
    """Return the English words of a text; the letters of an id or a hash are none.

    >>> english_in("quemador apagado from 11:50 to 11:51")
    ['from', 'to']
    >>> english_in("no existe: caldera 01a226f1-56a0-72be-8d97-f53427bca2a7")
    []
    >>> english_in("SHA-256 df74952199d100be…, no at all")
    ['at', 'all']
    """
    return [w for w in _WORD.findall(_ID.sub(" ", text)) if w.lower() in ENGLISH]
