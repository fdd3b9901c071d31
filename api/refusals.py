"""What a model refuses in a form, in the reader's words: by pydantic's type of error, one table.

Programs are answered with pydantic's own English (``api.problems``); a person at a form reads what
is expected here, with the figures of the bound that was broken and what was entered.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from types import MappingProxyType
from typing import Any

from pydantic import ValidationError

from api.findings import finding, reading_said
from api.locales.sentences import ranked
from api.problems import ErrorItem
from api.words import N_, SOURCE, _, words
from ingest.store import NotFound
from parsers import ReadError

_TEXT = N_("a text is expected")
_WHOLE = N_("a whole number is expected")
_NUMBER = N_("a number is expected")
_YES_NO = N_("yes or no is expected")
_DATE = N_("a date is expected, such as 2026-11-29")
_TIME = N_("a date with its time is expected, such as 2026-11-29T08:30")
_LIST = N_("a list is expected")
_ENTRY = N_("an entry with fields is expected")
_ID = N_("an id is expected")

SAID: Mapping[str, str] = MappingProxyType(
    {
        "missing": N_("this is missing"),
        "extra_forbidden": N_("this is not known here"),
        "none_required": N_("nothing may stand here"),
        "string_type": _TEXT,
        "string_unicode": N_("this text has signs that cannot be read"),
        "string_too_short": N_("at least {min_length} characters are expected"),
        "string_too_long": N_("at most {max_length} characters may stand here"),
        "string_pattern_mismatch": N_("this is not written as it must be"),
        "int_type": _WHOLE,
        "int_parsing": _WHOLE,
        "int_parsing_size": N_("this number is too large"),
        "int_from_float": _WHOLE,
        "float_type": _NUMBER,
        "float_parsing": _NUMBER,
        "finite_number": _NUMBER,
        "greater_than": N_("more than {gt:g} is expected"),
        "greater_than_equal": N_("at least {ge:g} is expected"),
        "less_than": N_("less than {lt:g} is expected"),
        "less_than_equal": N_("at most {le:g} is expected"),
        "bool_type": _YES_NO,
        "bool_parsing": _YES_NO,
        "literal_error": N_("one of these is expected: {expected}"),
        "enum": N_("one of these is expected: {expected}"),
        "list_type": _LIST,
        "tuple_type": _LIST,
        "dict_type": _ENTRY,
        "model_type": _ENTRY,
        "model_attributes_type": _ENTRY,
        "invalid_key": _TEXT,
        "too_short": N_("at least {min_length} entries are expected"),
        "too_long": N_("at most {max_length} entries may stand here"),
        "date_type": _DATE,
        "date_parsing": _DATE,
        "date_from_datetime_parsing": _DATE,
        "date_from_datetime_inexact": _DATE,
        "datetime_type": _TIME,
        "datetime_parsing": _TIME,
        "datetime_object_invalid": _TIME,
        "datetime_from_date_parsing": _TIME,
        "timezone_naive": N_("the time needs its time zone"),
        "uuid_type": _ID,
        "uuid_parsing": _ID,
        "uuid_version": _ID,
    }
)
"""Pydantic's type of error -> what is said; the places are filled from the error's context."""

OWN = frozenset({"value_error", "assertion_error"})
"""Types whose message a model of ours wrote itself; its sentence is in the catalogues."""

UNKNOWN = N_("this cannot be used as it is entered")
_SHOWN = 40

PLACES: Mapping[str, str] = MappingProxyType(
    {
        "tests": N_("Safety tests"),
        "tasks": N_("Tasks and parts"),
        "isolation": N_("Isolation"),
        "restored": N_("Isolation"),
        "light_offs": N_("Light-off"),
        "gas": N_("Gas pressures"),
        "vent": N_("Vent"),
        "oil": N_("Oil"),
        "bypasses": N_("Bypasses"),
        "findings": N_("Findings"),
        "left": N_("How it was left"),
        "how_left": N_("How it was left"),
        "steps": N_("Order of the work"),
        "instrument": N_("Instrument"),
        "room_co": N_("CO in the room"),
        "water": N_("Water"),
        "email": N_("E-mail"),
        "name": N_("Name"),
        "note": N_("Note"),
    }
)
"""Part of a document -> what a form calls it."""


KINDS = (
    N_("visit"), N_("boiler"), N_("site"), N_("reading"), N_("file"), N_("evidence"),
    N_("cut log"), N_("map"), N_("flag"), N_("job"), N_("key"), N_("account"), N_("webhook"),
    N_("delivery"), N_("person on duty"), N_("limits"), N_("layout"), N_("rule"), N_("plan"),
    N_("standing acceptance"), N_("of the company"), N_("waiting"), N_("delivered"), N_("dead"),
    N_("nothing"),
)  # fmt: skip
"""What a refusal of the book names, as pieces of its sentence."""

PAGE_WORDS: Mapping[str, str] = MappingProxyType(
    {
        "State it: --decimal , or --decimal . as the instrument writes it.": N_(
            "State it below, under “What the file leaves open”."
        ),
        "State it: --day-first or --month-first.": N_(
            "State below, under “What the file leaves open”, whether day or month comes first."
        ),
        "Write it into the heading, or state it: --unit {quantity}={canonical}.": N_(
            "State it below, under “What the file leaves open”: {quantity}={canonical}."
        ),
        "State it: --unit firing_rate=1 for shares, --unit firing_rate=% for percent.": N_(
            "State it below, under “What the file leaves open”: firing_rate=1 for shares, "
            "firing_rate=% for percent."
        ),
        "State them: --rates 100,75,50,25 (one for each reading), --phase as-left, or line "
        "ranges.": N_("State them below: one firing rate for each reading, and when it was taken."),
        "Look at fluebook read FILE --explain for the lines of the readings.": N_(
            "Count the lines of the file from 1, headings too."
        ),
        "Rename one heading, or teach a map that says which column counts: fluebook maps "
        "teach.": N_("Rename one heading, or teach under “Column maps” which column counts."),
        "Correct the unit, or teach a map that leaves the column out: fluebook maps teach.": N_(
            "Correct the unit, or teach under “Column maps” that the column is left out."
        ),
        "Teach this file's headings as a map of their own: fluebook maps teach.": N_(
            "Teach this file's headings under “Column maps”."
        ),
        "Check that this is the instrument's export; unknown headings can be taught once: "
        "fluebook maps teach.": N_(
            "Check that this is the instrument's export. Headings that are not known can be "
            "taught once, under “Column maps”."
        ),
        "Try again in {wait} s.": N_("Wait {wait} s, then try again."),
        "The body came too slowly; nothing was stored.": N_(
            "What was sent came too slowly; nothing was stored. Send it again where the signal "
            "is better."
        ),
        "Other bodies of yours are still on their way or worked on; nothing was stored.": N_(
            "What was sent before is still on its way or worked on; nothing was stored. Wait a "
            "moment, then send it again."
        ),
        "The body is larger than {most} bytes; nothing was stored.": N_(
            "More was sent than this fluebook takes at once; nothing was stored. Send a smaller "
            "file, or fewer pictures."
        ),
        "the packed file cannot be unpacked ({error})": N_("the packed file cannot be unpacked"),
        "the spreadsheet cannot be opened ({why})": N_("the spreadsheet cannot be opened"),
    }
)
"""What a reader of files says at a command line -> what a person at a page can use."""


_PAGE_TEMPLATES = ranked(("", text, frozenset()) for text in PAGE_WORDS)


def page_said(text: str) -> str:
    """Return what a reader of files or the book says, as a page says it in its reader's language.

    >>> page_said("State it: --day-first or --month-first.")
    'State below, under “What the file leaves open”, whether day or month comes first.'
    """
    for template in _PAGE_TEMPLATES:
        if (values := template.values(text)) is not None:
            return _(PAGE_WORDS[template.text], **values)
    return _known(text)


def why_not(error: Exception) -> str:
    """Return in the reader's words, without a full stop, why the book or a check refuses.

    A sentence that no catalogue knows stays whole in English.
    """
    if isinstance(error, NotFound):
        # A kind of two words is not told from its id by the sentence alone.
        said = _("there is no {kind} {identity} in this book")
        return said.format(kind=_(error.kind), identity=error.identity)
    if isinstance(error, ReadError):
        return "; ".join(page_said(p.message) for p in error.problems)
    said = _known(str(error).removesuffix("."))
    return _MOMENT.sub(lambda found: words().time(datetime.fromisoformat(found[0])), said)


_MOMENT = re.compile(r"\b\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(?:\.\d+)?Z")
"""A moment as the book keeps it."""


def _known(text: str) -> str:
    """Return a sentence in the reader's words, with or without its full stop as it was given."""
    if words().language == SOURCE:
        return text  # it may quote what stands in a file, which is not to be said otherwise
    said = reading_said(text)
    if said != text:
        return said
    bare = text.removesuffix(".")
    for asked in (bare, f"{bare}."):
        said = finding(asked)
        if said != asked:
            return said.removesuffix(".") + text[len(bare) :]
    return text


def told(items: Sequence[ErrorItem]) -> list[ErrorItem]:
    """Return the items of a problem as a page says them; programs get them as they are."""
    return [
        item.model_copy(
            update={
                "message": page_said(item.message),
                "expected": None if item.expected is None else page_said(item.expected),
                "next_step": None if item.next_step is None else page_said(item.next_step),
            }
        )
        for item in items
    ]


def refusal(error: Mapping[str, Any]) -> str:
    """Return what is wrong at one place.

    Parameters
    ----------
    error : mapping
        One of ``ValidationError.errors()``.

    Examples
    --------
    >>> refusal({"type": "greater_than", "ctx": {"gt": 0.0}, "input": -3, "msg": "..."})
    'more than 0 is expected (-3 was entered)'
    """
    kind = str(error["type"])
    if kind in OWN:
        return finding(str(error["msg"]).partition(", ")[2] or str(error["msg"]))
    bounds = dict(error.get("ctx", {}))
    if "expected" in bounds:
        bounds["expected"] = str(bounds["expected"]).replace(" or ", ", ").replace("'", "")
    said = _(SAID.get(kind, UNKNOWN), **bounds)
    given = error.get("input")
    if kind == "missing" or not isinstance(given, str | int | float) or given == "":
        return said
    return _("{what} ({entered} was entered)", what=said, entered=str(given)[:_SHOWN])


def place(location: Sequence[int | str]) -> str:
    """Return what a form calls the part of a document that is refused, "" where it has no name.

    >>> place(("service", "tests", 1, "trip")), place(("nothing", 0))
    ('Safety tests, 2', '')
    """
    for at, part in enumerate(location):
        if part in PLACES:
            after = location[at + 1] if len(location) > at + 1 else None
            name = _(PLACES[str(part)])
            return f"{name}, {after + 1}" if isinstance(after, int) else name
    return ""


def refusals(error: ValidationError) -> Iterator[tuple[str, str]]:
    """Yield (dotted path, what is said) of each thing that is refused."""
    for one in error.errors(include_url=False):
        where, said = place(one["loc"]), refusal(one)
        dotted = ".".join(map(str, one["loc"]))
        yield dotted, _("{label}: {why}", label=where, why=said) if where else said
