"""The sentence of a finding in the reader's language.

``api.locales.sentences`` tells the English sentence apart into template and values; the template
is said in the reader's language and so is each value that is itself words. Where any part is not
known in that language the whole sentence stays English: half a translation misleads.

What the readers of files refuse is said the same way, by their own templates
(``api.locales.reader_texts``).
"""

from __future__ import annotations

import re
from datetime import date
from functools import lru_cache
from typing import Literal

from api.cautions import approval_hash, approvals
from api.locales.reader_texts import reading_templates
from api.locales.sentences import Template, templates
from api.words import N_, SOURCE, _, words
from combustion.quantities import QUANTITIES

_PIECES = (
    N_("above"), N_("below"), N_("too close to tell from"), N_("higher"), N_("lower"),
    N_("low"), N_("high"), N_("required"), N_("the boiler's"), N_("return water"),
    N_("combustion air"), N_("Flue gas in the vent"), N_("Stack temperature"), N_("Flame signal"),
    N_("NOx at 3 % O2"), N_("CO in the room"), N_("O2 of the intake air"), N_("Return water"),
    N_("CO2 of the intake air"), N_("Gas inlet pressure"),
    N_("Manifold pressure"), N_("Over-fire draft"), N_("Draft"), N_("and do not go back in"),
    N_("the as-found points are judged as they stand"), N_("trial points never decide"),
    N_("a cell is tired or the sample is not what it should be"),
    N_("the leak check failed"), N_("it was not zeroed in fresh air outside the room"),
    N_("read as found"), N_("ends of the target curve"), N_("more than"),
    N_("degF typed as degC"), N_("degC typed as degF"), N_("is"), N_("are"), N_("is not"),
    N_("Leak check"), N_("Fresh-air zero"), N_("leak check"), N_("fresh-air zero"),
    N_("There is no firing point in this visit."), N_("a later one is recorded"),
    N_("running hours"), N_("starts"), N_("open stop"), N_("open stops"), N_("condition"),
    N_("photo"), N_("note"), N_("poor"), N_("failed"), N_("not done"),
    N_("marked as not applying"), N_("power locked and tagged"), N_("gas closed"),
    N_("oil closed"), N_("supply valve closed"), N_("return valve closed"),
    N_("pressure released"), N_("verified dead"), N_("tightening"), N_("loosening"),
    N_("thinner"), N_("thicker"), N_("Inlet, burners off"), N_("Inlet, high fire"),
    N_("Inlet, every appliance running"), N_("Manifold, low fire"), N_("Manifold, high fire"),
    N_("Gas-air offset, low fire"), N_("Gas-air offset, high fire"), N_("the outlet"),
    N_("over fire"), N_("Smoke number"), N_("Pump pressure"), N_("Nozzle pressure"),
    N_("O2 of air, no flame"), N_("O2 of air right before the flame"),
    N_("O2 of air while the stack stays hot"), N_("shorter than the instrument's response"),
    N_("all quantities head for one level"), N_("before a repeated trial"),
    N_("no sample was read"), N_("its times count from a start that it does not state"),
    N_("its times of day have no date"), N_("its readings carry no times of day"),
    N_("the recorded firing rate moves"), N_("the recorded rate moves"),
    N_("the recorded firing rate is zero, and air follows"),
    N_("short, and every quantity goes on the same way after it"),
    N_("too few samples, or no quantity in it that answers the firing rate"),
    N_("A dry trap lets flue gas into the room."), N_("comma"), N_("no phase"), N_("no fuel"),
    N_("decimal point"), N_("ramp"), N_("plateau"),
    N_("adjustment"), N_("as-left point"),
)  # fmt: skip
_NAMES = {
    "fuel", "fuel_2", "name", "lower", "isoformat", "burner", "unit", "unit_2", "what", "title",
    "title_2", "label", "text", "reason", "reason_by", "by", "note", "part", "task", "id",
    "shown", "shown_2", "cell", "error", "given", "heading", "listed", "member", "msg", "named",
    "number", "raw", "last", "before", "naming", "boiler", "external_id", "url", "host",
    "join",
}  # fmt: skip
"""Places that hold a name, a date or a file's own text, kept as written where it has no
translation."""
_QUOTED = re.compile(r"'.*'|\".*\"", re.DOTALL)
_MEANINGS = {q.meaning.lower(): q.meaning for q in QUANTITIES.values()}
Group = Literal["findings", "reading"]
"""Whose texts a sentence is told apart by: the rules', or the readers' of files before them."""
_DAY = re.compile(r"\b\d{4}-(?:0[1-9]|1[0-2])-(?:0[1-9]|[12]\d|3[01])\b(?!T)")
_FIGURES = re.compile(r"[-+\u2212\d., e%]*")
_RANGE = re.compile(r"(open|[-\u2212\d.]+) to (open|[-\u2212\d.]+)( \D+)?")
_ONE_WORD = re.compile(r"(?:[-+]?[\d.]+ )?\S+")
_SENTENCES = re.compile(r"(?<=[a-z\u201d]\.) (?=[A-Z])")
_MOST_DEPTH = 4


@lru_cache(maxsize=2)
def _told_by(group: Group) -> tuple[Template, ...]:
    return templates() if group == "findings" else (*templates(), *reading_templates())


def _piece(name: str, value: str, depth: int, group: Group) -> str | None:
    bare = value.strip()
    if (
        not bare
        or _QUOTED.fullmatch(bare)
        or (_FIGURES.fullmatch(bare) and not _DAY.fullmatch(bare))
    ):
        return value
    before, after = value[: len(value) - len(value.lstrip())], value[len(value.rstrip()) :]
    if _DAY.fullmatch(bare):
        return before + _day(bare) + after
    said = _said(bare, depth + 1, group) or _ends(bare)
    if bare in _MEANINGS:
        said = _(_MEANINGS[bare])
        said = said[:1].lower() + said[1:]
    if said is None and " and " in bare:
        parts = [_said(part, depth + 1, group) for part in bare.split(" and ")]
        said = "; ".join(filter(None, parts)) if all(parts) else None
    said = said or _listed(bare, depth, group)
    if said is None and group == "reading" and depth < _MOST_DEPTH:
        said = _clauses(bare, depth + 1)
    if said is None:
        head, at, tail = bare.partition(" at ")
        place = _said(f"at {tail}", depth + 1, group) if at and " " not in head else None
        if place is not None:
            said = f"{head} {place}"
        elif name in _NAMES or _ONE_WORD.fullmatch(bare):
            # A device of several is called by its title and its own name, which stays.
            said = ", ".join(_said(part, depth + 1, group) or part for part in bare.split(", "))
    return None if said is None else before + said + after


def _dated(text: str) -> str:
    """Return an English text with its days written as its readers write them."""
    return _DAY.sub(lambda found: _day(found[0]), text)


def _day(text: str) -> str:
    """Return a day as its reader writes it; what somebody wrote and is none, as it is."""
    try:
        return words().day(date.fromisoformat(text))
    except ValueError:
        return text


def _listed(bare: str, depth: int, group: Group) -> str | None:
    """Return pieces between commas, where each is known with or without its comma."""
    first, *rest = bare.split(", ")
    said = _said(first, depth + 1, group) if first else ""
    for part in rest:
        after = _said(f", {part}", depth + 1, group)
        plain = None if after else _said(part, depth + 1, group)
        if said is None or not (after or plain):
            return None
        said += after or f", {plain}"
    return said if rest else None


def _ends(bare: str) -> str | None:
    """Return a range in words, with "open" for the end that has no limit."""
    found = _RANGE.fullmatch(bare)
    if found is None:
        return None
    low, high, unit = found.groups(default="")
    if high == "open":
        return _("at least {value}", value=low) + unit
    if low == "open":
        return _("at most {value}", value=high) + unit
    return _("{low} to {high}", low=low, high=high) + unit


def _said(text: str, depth: int = 0, group: Group = "findings") -> str | None:
    return _kept(words().language, str(words().locale), text, depth, group)


@lru_cache(maxsize=8192)
def _kept(_language: str, _locale: str, text: str, depth: int, group: Group) -> str | None:
    translated = words().t(text)
    if translated != text:
        return translated
    if depth > _MOST_DEPTH:
        return None
    for template in _told_by(group):
        if template.text.endswith(".") != (depth == 0):
            continue
        found = template.values(text)
        if found is None:
            continue
        pattern = words().t(template.text)
        if pattern == template.text:
            continue
        values = {name: _piece(name, value, depth, group) for name, value in found.items()}
        if all(v is not None for v in values.values()):
            return pattern.format(**values)
    return None


def finding(sentence: str) -> str:
    """Return a finding's sentence in the reader's language, English where it is not known.

    >>> finding("O2 is 16.0 % at 50 %, at or above 15 %: the sample is mostly air.")
    'O2 is 16.0 % at 50 %, at or above 15 %: the sample is mostly air.'
    """
    if words().language == SOURCE or not sentence:
        return _dated(sentence)
    whole = _sentence(sentence)
    if whole is not None:
        return whole
    several = _SENTENCES.split(sentence)
    if len(several) > 1:
        said = [_sentence(one) for one in several]
        if all(said):
            return " ".join(filter(None, said))
    # Findings of one cause are joined into one sentence by a semicolon.
    parts = sentence.removesuffix(".").split("; ")
    said = [_sentence(f"{part}.") for part in parts]
    if len(parts) > 1 and all(said):
        return "; ".join(str(part).removesuffix(".") for part in said) + "."
    return sentence


def _sentence(text: str) -> str | None:
    whole = _said(text)
    if whole is None and text.endswith("."):
        # Some rules write the end of the sentence apart from it.
        bare = _said(text[:-1], 1)
        whole = None if bare is None else f"{bare}."
    head, between, tail = text.partition(": ")
    if whole is None and between and text.endswith("."):
        after = _said(tail[:-1], 1)
        whole = None if after is None else f"{_said(head, 1) or head}: {after}."
    return whole


def reading_said(text: str) -> str:
    """Return what a reader of files refuses, expects or advises, in the reader's language.

    >>> reading_said("the file has no bytes")
    'the file has no bytes'
    """
    if words().language == SOURCE or not text:
        return text
    return _clauses(text, 1) or text


def _clauses(text: str, depth: int) -> str | None:
    """Return clauses between semicolons, each known whole or after its colon; None if one is not.

    A sentence with its full stop is known with it or without.
    """
    if whole := _said(text, depth, "reading") or _said(text, 0, "reading"):
        return whole
    if text.endswith("."):
        said = _clauses(text[:-1], depth)
        return said and f"{said}."
    parts = [_clause(part, depth) for part in text.split("; ")]
    return "; ".join(filter(None, parts)) if all(parts) else None


def _clause(text: str, depth: int) -> str | None:
    whole = _said(text, depth, "reading")
    head, between, tail = text.partition(": ")
    if whole is None and between:
        known = _said(head, depth, "reading")
        before = known or (head if _ONE_WORD.fullmatch(head) else None)
        # Behind words that are known stands what the file itself says: "sensor off: OFF ppm".
        after = _piece("tail", tail, depth, "reading") or (tail if known else None)
        whole = None if after is None or before is None else f"{before}: {after}"
    return whole


_BY_A_PERSON = N_("corrected by a person")


def reason_said(text: str) -> str:
    """Return a reason, a few words without a full stop, in the reader's language.

    >>> reason_said("24 months after 2023-11-13")
    '24 months after 13 Nov 2023'
    """
    if words().language == SOURCE or not text:
        return _dated(text)
    whole = _said(text, 1)
    if whole is not None:
        return whole
    if text.startswith(_BY_A_PERSON):  # what follows are that person's own words
        return _(_BY_A_PERSON) + text.removeprefix(_BY_A_PERSON)
    parts = [_said(part, 1) for part in text.split("; ")]
    return "; ".join(filter(None, parts)) if all(parts) else text


def finding_with_english(sentence: str) -> str:
    """Return a safety finding's sentence, with the English beside it until that is approved."""
    said = finding(sentence)
    if said == sentence or words().language == SOURCE:
        return said
    # What a person approves is the wording, whatever figures stand in it.
    wordings = [t.text for t in templates() if t.text.endswith(".") and t.values(sentence)]
    language = words().language
    if wordings and approval_hash(language, wordings[0], words().t(wordings[0])) in approvals():
        return said
    return f"{said} (English: {sentence})"
