"""The sentence of a finding in the reader's language.

``api.locales.sentences`` tells the English sentence apart into template and values; the template
is said in the reader's language and so is each value that is itself words. Where any part is not
known in that language the whole sentence stays English: half a translation misleads.
"""

from __future__ import annotations

import re
from functools import lru_cache

from api.cautions import approval_hash, approvals
from api.locales.sentences import templates
from api.words import N_, SOURCE, words

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
    N_("degF typed as degC"), N_("degC typed as degF"), N_("is"), N_("are"),
    N_("Leak check"), N_("Fresh-air zero"), N_("leak check"), N_("fresh-air zero"),
    N_("There is no firing point in this visit."),
)  # fmt: skip
_NAMES = {"fuel", "fuel_2", "name", "lower", "isoformat", "burner", "unit", "unit_2", "what"}
"""Places that hold a name or a date, kept as written where it has no translation."""
_FIGURES = re.compile(r"[-+\u2212\d., e%]*")
_ONE_WORD = re.compile(r"(?:[-+]?[\d.]+ )?\S+")
_MOST_DEPTH = 4


def _piece(name: str, value: str, depth: int) -> str | None:
    bare = value.strip()
    if not bare or _FIGURES.fullmatch(bare):
        return value
    before, after = value[: len(value) - len(value.lstrip())], value[len(value.rstrip()) :]
    said = _said(bare, depth + 1)
    if said is None and " and " in bare:
        parts = [_said(part, depth + 1) for part in bare.split(" and ")]
        said = "; ".join(filter(None, parts)) if all(parts) else None
    if said is None:
        head, at, tail = bare.partition(" at ")
        place = _said(f"at {tail}", depth + 1) if at and " " not in head else None
        if place is not None:
            said = f"{head} {place}"
        elif name in _NAMES or _ONE_WORD.fullmatch(bare):
            said = bare
    return None if said is None else before + said + after


def _said(text: str, depth: int = 0) -> str | None:
    return _kept(words().language, text, depth)


@lru_cache(maxsize=8192)
def _kept(_language: str, text: str, depth: int) -> str | None:
    translated = words().t(text)
    if translated != text:
        return translated
    if depth > _MOST_DEPTH:
        return None
    for template in templates():
        if template.text.endswith(".") != (depth == 0):
            continue
        found = template.values(text)
        if found is None:
            continue
        pattern = words().t(template.text)
        if pattern == template.text:
            continue
        values = {name: _piece(name, value, depth) for name, value in found.items()}
        if all(v is not None for v in values.values()):
            return pattern.format(**values)
    return None


def finding(sentence: str) -> str:
    """Return a finding's sentence in the reader's language, English where it is not known.

    >>> finding("O2 is 16.0 % at 50 %, at or above 15 %: the sample is mostly air.")
    'O2 is 16.0 % at 50 %, at or above 15 %: the sample is mostly air.'
    """
    if words().language == SOURCE or not sentence:
        return sentence
    whole = _said(sentence)
    if whole is not None:
        return whole
    # Findings of one cause are joined into one sentence by a semicolon.
    parts = sentence.removesuffix(".").split("; ")
    said = [_said(f"{part}.") for part in parts]
    if len(parts) > 1 and all(said):
        return "; ".join(str(part).removesuffix(".") for part in said) + "."
    return sentence


def finding_with_english(sentence: str) -> str:
    """Return a safety finding's sentence, with the English beside it until that is approved."""
    said = finding(sentence)
    if said == sentence:
        return said
    # What a person approves is the wording, whatever figures stand in it.
    wordings = [t.text for t in templates() if t.text.endswith(".") and t.values(sentence)]
    language = words().language
    if wordings and approval_hash(language, wordings[0], words().t(wordings[0])) in approvals():
        return said
    return f"{said} (English: {sentence})"
