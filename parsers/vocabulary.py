"""Headings in trade words: which quantity, in which unit, and how sure.

The words come from the glossary only. Beyond its phrases this module knows the grammar of
headings: how units hang on a heading (in brackets, after a comma, as a last word), words that add
nothing ("value", "measured"), words that change the meaning ("corrected", "max", "setpoint"), and
the roles that are no quantity (time, date, phase, fuel, burner, note, row number).
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache

from combustion.quantities import MEASURED, QUANTITIES
from combustion.units import is_unit

ROLES: dict[str, tuple[str, ...]] = {
    "time": (
        "time", "timestamp", "date time", "datetime", "date and time", "time stamp", "uhrzeit",
        "zeit", "zeitstempel", "datum uhrzeit", "datum zeit", "heure", "horodatage", "date heure",
        "date et heure", "hora", "fecha hora", "fecha y hora", "time of day", "sample time",
        "measured at", "messzeit", "clock", "local time", "test time", "epoch", "unix time", "utc",
        "time utc", "epoch ms", "epoch s",
    ),
    "date": ("date", "datum", "fecha", "day", "jour", "test date", "messdatum"),
    "elapsed": (
        "elapsed", "elapsed time", "seconds", "run time", "elapsed s", "elapsed seconds",
        "time s", "laufzeit", "temps écoulé", "durée", "tiempo transcurrido", "elapsed min",
        "minutes", "time min", "verstrichene zeit", "dauer", "time elapsed", "sec", "secs", "s",
    ),
    "zone": ("time zone", "timezone", "zeitzone", "fuseau horaire", "zona horaria", "utc offset",
             "tz"),
    "am_pm": ("am pm", "ampm", "am/pm"),
    "phase": (
        "phase", "condition", "as found as left", "as found/as left", "state", "found left",
        "found/left", "zustand", "before after", "before/after", "vor nach", "avant après",
        "antes después", "stage", "status", "test phase", "étape", "fase", "etat", "estado",
    ),
    "fuel": ("fuel", "brennstoff", "combustible", "fuel type", "fuel name", "carburant"),
    "burner": ("burner", "brenner", "brûleur", "quemador", "burner no", "burner id",
               "burner number"),
    "note": (
        "note", "notes", "remark", "remarks", "comment", "comments", "bemerkung", "bemerkungen",
        "remarque", "remarques", "observaciones", "nota", "notas", "kommentar", "commentaire",
        "observations", "memo", "text",
    ),
    "number": (
        "no.", "nr", "#", "index", "row", "sample", "point", "test no", "test", "reading", "record",
        "n°", "nº", "lfd nr", "id", "messung", "mesure", "muestra", "seq", "sequence",
        "test number",
        "sample no", "point no", "record no", "messung nr", "mess nr", "pos", "line", "zeile",
        "step",
        "reading no", "item", "punkt", "punto", "nummer", "numéro", "número", "log no",
    ),
}  # fmt: skip
"""Columns of a file that are not a quantity, by the words that head them."""

_IDLE = frozenset(
    [
        "value",
        "values",
        "measured",
        "reading",
        "actual",
        "avg",
        "average",
        "mean",
        "current",
        "dry",
        "vol",
        "gas",
        "level",
        "content",
        "conc",
        "concentration",
        "mittelwert",
        "wert",
        "messwert",
        "valeur",
        "mesure",
        "valor",
        "medido",
        "the",
        "of",
        "in",
        "at",
        "raw",
        "sensor",
        "ch",
        "channel",
        "probe",
        "rdg",
        "result",
        "instant",
        "instantaneous",
        "live",
        "trocken",
        "sec",
        "gehalt",
        "moyenne",
        "media",
        "promedio",
        "gemessen",
    ]
)
"""Words that may stand beside a glossary phrase without changing what it means."""

_STATISTIC = frozenset(
    [
        "max",
        "min",
        "maximum",
        "minimum",
        "std",
        "stdev",
        "stddev",
        "deviation",
        "sd",
        "range",
        "peak",
        "limit",
        "setpoint",
        "target",
        "sp",
        "alarm",
        "high",
        "low",
        "sollwert",
        "grenzwert",
        "consigne",
        "soll",
        "span",
        "error",
        "err",
        "status",
        "flag",
        "offset",
        "zero",
        "cal",
        "drift",
        "uncertainty",
        "median",
        "delta",
        "previous",
        "predicted",
        "expected",
        "nominal",
        "desired",
        "setting",
    ]
)
"""Words that make a column something else than the reading of the quantity."""

_AVERAGE = frozenset(["avg", "average", "mean", "mittelwert", "moyenne", "media", "promedio"])


@lru_cache(maxsize=65536)
def folded(text: str) -> str:
    """Return a heading in lower case, without accents, marks and subscript forms.

    >>> folded("  CO₂_Gehalt (dry)"), folded("Température-fumées"), folded("StackTemp")
    ('co2 gehalt dry', 'temperature fumees', 'stack temp')
    """
    text = text.replace("ß", "ss").translate({0xB0: " ", 0xBA: " ", 0xAA: " "})
    text = unicodedata.normalize("NFKD", text)
    text = "".join(c for c in text if not unicodedata.combining(c))
    text = re.sub(r"(?<=[a-z])(?=[A-Z][a-z])", " ", text)
    text = re.sub(r"[^0-9a-z#%°λη/]+", " ", text.casefold())
    text = re.sub(r"\b(co|o|n|so|no|h) ([2x])\b", r"\1\2", text.replace("/", " "))
    return text.strip()


_SAME = {
    "t": "temperature", "temp": "temperature", "tmp": "temperature", "temps": "temperature",
    "temperatures": "temperature", "temperaturen": "temperature",
    "temperatura": "temperature", "temperatur": "temperature", "draught": "draft",
    "drft": "draft", "stk": "stack", "eff": "efficiency", "effi": "efficiency",
}  # fmt: skip
"""Short and foreign forms of one word, so that the glossary need not hold every mixture."""

_SMALL = frozenset(
    ("de", "des", "du", "d", "la", "le", "les", "l", "del", "el", "los", "las", "the", "der", "von")
)


def _normal(text: str) -> str:
    """Return a folded text with the forms of one word made alike and small words left out.

    >>> _normal("t fumees") == _normal("temperature des fumees"), _normal("abgastemp")
    (True, 'abgastemperatur')
    """
    tokens = [_SAME.get(t, t) for t in text.split() if t not in _SMALL]
    return " ".join(t + "eratur" if t.endswith("temp") and len(t) > 6 else t for t in tokens)


@dataclass(frozen=True, slots=True)
class Meaning:
    """What a heading was taken to mean.

    ``role`` is ``"quantity"``, one of ROLES, ``"derived"`` (a statistic, set point or the like of
    a known quantity) or ``"unknown"``.
    """

    role: str
    quantity: str | None = None
    unit: str | None = None
    confidence: float = 0.0
    why: str = ""
    reference_o2: float | None = None
    average: bool = False


@lru_cache(maxsize=1)
def _phrases() -> dict[str, tuple[str, ...]]:
    """Return folded phrase -> quantities or roles that claim it."""
    found: dict[str, list[str]] = {}
    for key in MEASURED:
        quantity = QUANTITIES[key]
        for phrase in (key, quantity.label, *(w for ws in quantity.words.values() for w in ws)):
            for text in dict.fromkeys((folded(phrase), _normal(folded(phrase)))):
                claims = found.setdefault(text, [])
                if key not in claims:
                    claims.append(key)
    for key, quantity in QUANTITIES.items():
        if quantity.role == "computed":
            for phrase in (key, *(w for ws in quantity.words.values() for w in ws)):
                found.setdefault(folded(phrase), ["@computed"])
    for role, phrases in ROLES.items():
        for phrase in phrases:
            claims = found.setdefault(folded(phrase), [])
            if not claims:
                claims.append("@" + role)
    return {p: tuple(c) for p, c in found.items() if p}


@lru_cache(maxsize=1)
def _compact() -> dict[str, tuple[str, ...]]:
    found: dict[str, tuple[str, ...]] = {}
    for phrase, claims in _phrases().items():
        compact = phrase.replace(" ", "")
        if claims[0].startswith("@") and len(compact) < 5:
            continue  # "TS" is not "t s"
        found[compact] = tuple(dict.fromkeys((*found.get(compact, ()), *claims)))
    return found


_BRACKETS = re.compile(r"[\[(<{]\s*([^\[\](){}<>]*?)\s*[\])>}]")


def split_unit(heading: str) -> Iterator[tuple[str, str | None]]:
    """Yield (words, unit) readings of a heading, the most explicit first.

    >>> list(split_unit("O2 [%]"))[0], list(split_unit("T stack, °F"))[0]
    (('O2', '%'), ('T stack', '°F'))
    """
    heading = heading.strip().strip(":").strip()
    for match in _BRACKETS.finditer(heading):
        inside = match.group(1)
        words = (heading[: match.start()] + " " + heading[match.end() :]).strip()
        if is_unit(inside):
            yield words, inside
        else:
            # "(ppm, dry)", "[% vol. dry]": a unit with qualifiers beside it.
            for part in re.split(r"[,;]\s*|\s+", inside):
                if part and is_unit(part) and part not in ("-", "1"):
                    yield f"{words} {inside.replace(part, ' ', 1)}", part
                    break
    if heading.endswith("%") and len(heading) > 1:
        yield heading[:-1], "%"
    if not _BRACKETS.search(heading):
        for mark in (",", ";", " - ", "/", " in ", "_", "-", "."):
            words, _, unit = heading.rpartition(mark)
            if words and is_unit(unit.strip()) and not unit.strip().isdigit():
                yield words, unit.strip()
        tokens = heading.split()
        for n in (2, 1):
            unit = " ".join(tokens[-n:])
            if len(tokens) > n and is_unit(unit) and not unit.isdigit() and unit != "-":
                yield " ".join(tokens[:-n]), unit
    yield heading, None


def _claims(words: str) -> tuple[tuple[str, ...], float, str]:
    """Return the claims on words (without unit), a confidence and the reason."""
    text = folded(words)
    if not text:
        return (), 0.0, ""
    known = _phrases().get(text) or _phrases().get(_normal(text))
    if known:
        return known, 1.0, f"{text!r} is a trade word for it"
    known = _compact().get(text.replace(" ", ""))
    if known:
        return known, 0.95, f"{text!r} is a trade word for it, written together"
    tokens = _normal(text).split()
    for idle in (_IDLE, _IDLE | {"1", "2", "3", "#"}):
        rest = [t for t in tokens if t not in idle]
        if rest and len(rest) < len(tokens):
            known = _phrases().get(" ".join(rest)) or _compact().get("".join(rest))
            if known and not any(k.startswith("@") for k in known):
                return known, 0.85, f"{' '.join(rest)!r} with words that add nothing"
    ordered = _phrases_by_tokens().get(frozenset(tokens))
    if ordered:
        return ordered, 0.8, f"the words of {text!r} in another order"
    return (), 0.0, ""


@lru_cache(maxsize=1)
def _phrases_by_tokens() -> dict[frozenset[str], tuple[str, ...]]:
    found: dict[frozenset[str], tuple[str, ...]] = {}
    for phrase, claims in _phrases().items():
        tokens = frozenset(phrase.split())
        if len(tokens) > 1:
            found[tokens] = tuple(dict.fromkeys((*found.get(tokens, ()), *claims)))
    return found


_REFERENCE = re.compile(
    r"(?:@|\bat\b|\bbei\b|\bref(?:erence)?\.?|\bbez(?:ogen)?\.?(?: auf)?|\ba\b|\bà\b|\bto\b|"
    r"\bcorr(?:ected)?\.?)?"
    r"\s*(\d{1,2}(?:[.,]\d+)?)\s*%\s*(?:vol\.?\s*)?O\s*[2₂]",
    re.IGNORECASE,
)
_CORRECTED = re.compile(
    r"\b(corr|corrected|korr|korrigiert|bezogen|ref|reference|corrige|corregido|referred|normalised|"
    r"normalized|norm)\b"
)


def reference_o2(heading: str) -> float | None:
    """Return the reference O2 [% dry] that a heading names.

    >>> reference_o2("CO @ 3% O2 (ppm)"), reference_o2("NOx, ppm")
    (3.0, None)
    """
    match = _REFERENCE.search(heading)
    return float(match.group(1).replace(",", ".")) if match else None


_LONGEST = 120
"""Characters; a longer cell is prose, and is not searched for words."""

_AT_REFERENCE = {
    "co_dry": "stated_co_at_reference",
    "no_dry": "stated_no_at_reference",
    "nox_dry": "stated_nox_at_reference",
}


@lru_cache(maxsize=8192)
def meaning(heading: str) -> Meaning:
    """Return what a heading means.

    Examples
    --------
    >>> meaning("Stack Temp (°F)").quantity, meaning("Stack Temp (°F)").unit
    ('stack_temperature', '°F')
    >>> meaning("CO @ 3% O2 [ppm]").quantity
    'stated_co_at_reference'
    >>> meaning("O2 max").role
    'derived'
    """
    if len(heading) > _LONGEST:
        return Meaning("unknown", why="too long for a heading")
    if heading.strip() in ("No", "No.", "no."):
        # English for "number"; nitric oxide is written NO, or with its unit.
        return Meaning("number", confidence=0.9, why="'No.' without a unit is a running number")
    reference = reference_o2(heading)
    bare = _REFERENCE.sub(" ", heading) if reference is not None else heading
    if reference is not None:
        bare = re.sub(r"[\[(]\s*[,;]?\s*[\])]", " ", bare)
    bare = bare.lstrip("#*/ ") or bare
    best = _best(bare, reference)
    if best.role == "unknown":
        apart = re.sub(r"(?<=[a-z0-9])(?=[A-Z])", " ", bare)
        best = _best(apart, reference) if apart != bare else best
    return best


def _best(bare: str, reference: float | None) -> Meaning:
    """Return the surest meaning over all ways to split a unit off."""
    best = Meaning("unknown", why="no word of it is in the glossary")
    for words, unit in split_unit(bare):
        text = folded(words)
        corrected = reference is not None or bool(_CORRECTED.search(text))
        if corrected:
            text = _CORRECTED.sub(" ", text)
        tokens = text.split()
        derived = [t for t in tokens if t in _STATISTIC]
        claims, confidence, why = _claims(words if not corrected else text)
        if not claims and derived:
            plain = " ".join(t for t in tokens if t not in _STATISTIC)
            claims, confidence, why = _claims(plain)
            if claims and not claims[0].startswith("@"):
                found = Meaning(
                    "derived", None, unit, confidence, f"{' '.join(derived)!r} of {claims[0]}"
                )
                best = max(best, found, key=lambda m: m.confidence)
            continue
        quantities = [c for c in claims if not c.startswith("@")]
        if corrected and quantities:
            kept = [_AT_REFERENCE[q] for q in quantities if q in _AT_REFERENCE]
            if not kept and not all(q in _AT_REFERENCE.values() for q in quantities):
                # "O2 reference" is a setting of the instrument, "SO2 corrected" no raw value.
                why = f"{quantities[0]} as a reference or corrected is no reading of it"
                found = Meaning("derived", None, unit, confidence, why)
                best = found if found.confidence > best.confidence else best
                continue
            quantities = kept or quantities
            at = f" at {reference:g} % O2" if reference is not None else ", reference not stated"
            why += f"; corrected by the instrument{at}"
        if len(quantities) > 1:
            found = Meaning("ambiguous", None, unit, confidence, " or ".join(quantities))
        elif quantities:
            average = any(t in _AVERAGE for t in tokens)
            found = Meaning("quantity", quantities[0], unit, confidence, why, reference, average)
        elif claims:
            found = Meaning(claims[0][1:], None, unit, confidence, why)
        else:
            continue
        if found.confidence > best.confidence:
            best = found
    return best


def duplicate_phrases() -> dict[str, tuple[str, ...]]:
    """Return the folded phrases that more than one quantity claims; a test holds it empty."""
    return {p: c for p, c in _phrases().items() if len(c) > 1}
