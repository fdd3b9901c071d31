"""Catalogues kept: texts brought up to date, compiled, and counted."""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from string import Formatter

from babel.messages.catalog import Catalog, Message
from babel.messages.mofile import write_mo
from babel.messages.pofile import read_po, write_po

from api.locales.collect import ROOT, collected

HERE = ROOT / "api" / "locales"
TEMPLATE = HERE / "fluebook.pot"
_NO_CLOCK = datetime(2026, 1, 1, tzinfo=UTC)
_PERCENT = re.compile(r"%\((\w+)\)[sd]")


def translated_languages() -> list[str]:
    """Return the languages that have a catalogue."""
    return sorted(p.parents[1].name for p in HERE.glob("*/LC_MESSAGES/fluebook.po"))


def po_of(language: str) -> Path:
    """Return where a language's texts stand."""
    return HERE / language / "LC_MESSAGES" / "fluebook.po"


def read(language: str) -> Catalog:
    """Return a language's catalogue as it is kept."""
    with po_of(language).open("rb") as opened:
        return read_po(opened, locale=language, domain="fluebook")


def written(catalog: Catalog) -> bytes:
    """Return a catalogue as its file; without line numbers, which change with every edit."""
    out = io.BytesIO()
    write_po(
        out, catalog, width=100, sort_output=True, omit_header=False, include_previous=False,
        no_location=True,
    )  # fmt: skip
    text = out.getvalue().decode()
    # No clock in a file that people compare.
    text = re.sub(r'^"(POT-Creation|PO-Revision)-Date:.*\n', "", text, flags=re.M)
    return re.sub(
        r'^"(Last-Translator|Language-Team|Generated-By):.*\n', "", text, flags=re.M
    ).encode()


def update(language: str, found: Catalog | None = None) -> Catalog:
    """Bring a language's catalogue up to date: new texts empty, gone ones dropped."""
    found = collected() if found is None else found
    kept = read(language)
    kept.update(found, no_fuzzy_matching=True)
    kept.obsolete.clear()
    po_of(language).write_bytes(written(kept))
    return kept


def compiled(catalog: Catalog) -> bytes:
    """Return a catalogue as programs read it."""
    # No clock in a file that people compare.
    catalog.creation_date = catalog.revision_date = _NO_CLOCK
    out = io.BytesIO()
    write_mo(out, catalog)
    return out.getvalue()


def compile_all() -> None:
    """Write the compiled catalogue beside each language's texts."""
    for language in translated_languages():
        po_of(language).with_suffix(".mo").write_bytes(compiled(read(language)))


def holes(text: str) -> list[str]:
    """Return what is filled into a text, with how it is written, sorted.

    >>> holes("{n:.0f} of %(total)s")
    ['%(total)s', '{n:.0f}']
    """
    found = [f"%({name})s" for name in _PERCENT.findall(text)]
    for _, name, spec, conversion in Formatter().parse(text):
        if name is not None:
            found.append(
                "{" + name + (f"!{conversion}" if conversion else "") + (f":{spec}" if spec else "")
                + "}"
            )  # fmt: skip
    return sorted(found)


@dataclass(frozen=True, slots=True)
class Fault:
    """A text that a catalogue lacks, or says with other places to fill."""

    text: str
    why: str


def _forms(value: object) -> list[str]:
    return [value] if isinstance(value, str) else [str(v) for v in value]  # type: ignore[attr-defined]


def _fault(message: Message, kept: Message | None) -> Fault | None:
    source, first = _forms(message.id), _forms(message.id)[0]
    if kept is None:
        return Fault(first, "not in the catalogue")
    said = _forms(kept.string)
    if kept.fuzzy or not all(said):
        return Fault(first, "not translated")
    wanted = {name for text in source for name in holes(text)}
    for text in said:
        try:
            given = set(holes(text))
        except ValueError:
            return Fault(first, "a brace stands alone")
        # A plural form may leave out the number that it says in a word.
        if not given <= wanted or (len(source) == 1 and holes(text) != holes(first)):
            return Fault(first, f"places to fill differ: {sorted(wanted)} and {sorted(given)}")
    return None


def faults(language: str, found: Catalog | None = None) -> Iterator[Fault]:
    """Yield what a language's catalogue lacks or says wrongly."""
    kept = read(language)
    for message in collected() if found is None else found:
        if message.id:
            fault = _fault(message, kept.get(message.id))
            if fault is not None:
                yield fault
