"""What the pages show of one visit, gathered once: the templates do no arithmetic."""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from uuid import UUID

from api.cautions import caution
from api.chart_spec import number
from api.findings import finding, finding_with_english, reason_said
from api.key_words import key_said
from api.pages.computed import computed
from api.pages.curve_sheet import curve_sheet
from api.pages.curves import PhaseTable, tables
from api.pages.file_lines import first_lines
from api.pages.show import PHASE_WORDS, Shown, day, rates
from api.pages.sources import Origin, Sources, plain_source
from api.pages.unit_text import figures_in, in_units, quantity, with_signs
from api.words import N_, _, _n
from combustion.quantities import QUANTITIES
from ingest.earlier import EarlierVisit
from ingest.figures import Figures, figures_of
from ingest.intake import Intake
from ingest.judgement import Flag, Judgement
from ingest.models import Boiler, Visit
from ingest.rules import RULES
from parsers import FiringPoint

NOTHING_BEYOND = N_("No recorded value is beyond its limit.")
ALL_STANDS = N_("All that was found stands accepted.")
LINES_SHOWN = 400


_KEYS = re.compile(r"\b(" + "|".join(sorted(QUANTITIES, key=len, reverse=True)) + r")\b")


def in_words(text: str) -> str:
    """Return a text with glossary keys replaced by their short names.

    >>> in_words("stack_temperature as left")
    'stack as left'
    """

    def one(match: re.Match[str]) -> str:
        name = _(QUANTITIES[match.group(1)].label)
        # Chemical symbols keep their capitals; words do not start a sentence here.
        return name if name[:2].isupper() or any(c.isdigit() for c in name) else name.lower()

    return _KEYS.sub(lambda m: one(m) if "_" in m.group(1) else m.group(1), text)


@dataclass(frozen=True, slots=True)
class FlagView:
    """One flag in words and in the reader's units."""

    severity: str
    rule: str
    rule_key: str
    message: str
    next_step: str
    value: str
    uncertainty: str
    limit: str
    where: str
    anchor: str | None
    source: str
    id: str = ""


@dataclass(frozen=True, slots=True)
class UnjudgedView:
    """A rule that lacked its input."""

    title: str
    why: str
    needs: str


@dataclass(frozen=True, slots=True)
class FileView:
    """An evidence file with its lines as they came."""

    name: str
    sha256: str
    size: int
    by: str
    lines: Sequence[str]
    more: int
    log: UUID | None = None
    log_taken: bool = True
    id: UUID | None = None


def file_view(name: str, sha256: str, size: int, data: Callable[[], bytes], by: str) -> FileView:
    """Return a file's first lines; whatever is no text is said to be none."""
    lines, total = first_lines(sha256, data, LINES_SHOWN)
    return FileView(name, sha256, size, by, lines, total - len(lines))


def finding_shown(sentence: str, severity: str, shown: Shown, exact: Figures = ()) -> str:
    """Return a finding's sentence in the reader's language and units; a stop's English beside.

    ``exact`` are the numbers behind it, where they are at hand.
    """
    said = finding_with_english(sentence) if severity == "stop" else finding(sentence)
    in_their_units = in_units(said, shown, exact)
    return with_signs(in_their_units) if said != sentence else in_their_units


def figures_behind(
    intake: Intake, said: Iterable[tuple[UUID, str | None]]
) -> Mapping[tuple[UUID, str], Figures]:
    """Return the figures of sentences that stand without their finding: of lists, stops and mails.

    They are looked up only where a sentence has any that may be shown in other units.
    """
    wanted = {(visit, text) for visit, text in said if text and figures_in(text)}
    return intake.figures_behind(wanted) if wanted else {}


def key_of(flag: Flag) -> str | None:
    """Return the quantity whose numbers a flag has; of a difference of temperatures its own."""
    key = flag.quantity
    if key is None or key not in QUANTITIES:
        return None
    return "net_stack_temperature" if (flag.unit, QUANTITIES[key].unit) == ("K", "degC") else key


def source_said(text: str, shown: Shown) -> str:
    """Return where a limit comes from; what an office stated itself stays as it was written."""
    said = _(text)
    return in_units(said if said == text else with_signs(said), shown)


def _sentence(flag: Flag, shown: Shown, points: Sequence[FiringPoint]) -> str:
    return finding_shown(flag.message, flag.severity, shown, figures_of(flag, points))


def next_step_said(flag: Flag) -> str:
    """Return what to try in the reader's language; a stop's with its English until approved."""
    return caution(flag.next_step) if flag.severity == "stop" else finding(flag.next_step)


def _anchor_of(flag: Flag, points: Sequence[FiringPoint], origin: Origin) -> str | None:
    quantity = "co_dry" if flag.quantity == "co_air_free" else flag.quantity or ""
    for point in points:
        if point.key.phase == flag.phase and point.key.firing_rate in flag.firing_rates:
            return origin(point, quantity)
    return None


def flag_view(flag: Flag, points: Sequence[FiringPoint], shown: Shown, origin: Origin) -> FlagView:
    """Return a flag as the page shows it."""
    key = key_of(flag)
    value = limit = uncertainty = ""
    if key is not None and flag.value is not None:
        value = shown.value(key, flag.value)
        limit = shown.limit(key, flag.low, flag.high)
        if flag.uncertainty:
            uncertainty = _spread(key, flag.uncertainty, shown)
    elif flag.value is not None:
        value = quantity(flag.value, flag.unit or "1", shown)
    where = ""
    if flag.firing_rates:
        where = rates(flag.firing_rates)
        if flag.phase is not None:
            where += f", {_(PHASE_WORDS[flag.phase])}"
    source = ""
    if flag.source is not None:
        known = f"{key_said(flag.source.status)}, {key_said(flag.source.level)}"
        source = f"{source_said(flag.source.text, shown)} ({known})"
    return FlagView(
        flag.severity,
        _(RULES[flag.rule].title) if flag.rule in RULES else flag.rule,
        flag.rule if flag.rule in RULES else "",
        _sentence(flag, shown, points),
        in_units(next_step_said(flag), shown),
        value,
        uncertainty,
        limit,
        where,
        _anchor_of(flag, points, origin),
        source,
        flag.id,
    )


def _spread(key: str, uncertainty: float, shown: Shown) -> str:
    spread = shown.spread(key, uncertainty)
    return number(spread, shown.decimals(key) + (1 if spread < 1 else 0))


def worst_sentence(
    flags: Sequence[Flag],
    shown: Shown,
    standing: Collection[str] = (),
    points: Sequence[FiringPoint] = (),
) -> str:
    """Return the worst finding that does not stand accepted as one sentence with its number."""
    left = [flag for flag in flags if flag.id not in standing]
    if left:
        return _sentence(left[0], shown, points)
    return _(ALL_STANDS if flags else NOTHING_BEYOND)


def leave_words(flags: Sequence[Flag], points: Sequence[FiringPoint], shown: Shown) -> str:
    """Return what is said first of all where CO in the room was a stop, else nothing."""
    for flag in flags:
        if flag.severity == "stop" and (flag.quantity == "room_co" or flag.rule.startswith("room")):
            return f"{_sentence(flag, shown, points)} {in_units(next_step_said(flag), shown)}"
    return ""


def verdict(
    judgement: Judgement,
    points: Sequence[FiringPoint],
    shown: Shown,
    standing: Collection[str] = (),
) -> tuple[str, str]:
    """Return the page's first sentence, and what stands beside it about what was not judged."""
    unjudged = len(judgement.not_judged)
    stand = sum(flag.id in standing for flag in judgement.flags)
    rest = len(judgement.flags) - stand - 1
    said = []
    if rest > 0:
        said.append(_n("{n} more finding.", "{n} more findings.", rest))
    if stand:
        said.append(_n("{n} stands accepted", "{n} stand accepted", stand) + ".")
    if unjudged:
        said.append(
            _n(
                "{n} rule was not judged, for want of input.",
                "{n} rules were not judged, for want of input.",
                unjudged,
            )
        )
    else:
        said.append(_("Every rule had its input."))
    if not points:
        return _("Nothing was read yet, so nothing is judged."), " ".join(said)
    return worst_sentence(judgement.flags, shown, standing, points), " ".join(said)


def visit_given(
    boiler: Boiler,
    visit: Visit,
    points: Sequence[FiringPoint],
    judgement: Judgement,
    limits: Mapping[str, Any],
    shown: Shown,
    origin: Origin,
    history: Sequence[EarlierVisit] = (),
    source: Sources = plain_source,
    standing: Collection[str] = (),
) -> Mapping[str, Any]:
    """Return what the visit template shows of readings and judgement."""
    numbers = computed(points)
    drawn = curve_sheet(points, visit, limits, shown, history, source)
    sheet: list[PhaseTable] = tables(points, numbers, judgement.flags, shown, origin)
    first, beside = verdict(judgement, points, shown, standing)
    return {
        "boiler_words": boiler_words(boiler, shown),
        "leave": leave_words(judgement.flags, points, shown),
        "verdict": first,
        "beside": beside,
        "flags": [flag_view(f, points, shown, origin) for f in judgement.flags],
        "not_judged": [
            UnjudgedView(
                _(RULES[n.rule].title) if n.rule in RULES else n.rule,
                in_units(in_words(reason_said(n.why)), shown),
                in_words(_(n.needs)),
            )
            for n in judgement.not_judged
        ],
        "panes": drawn,
        "has_band": any(d.pane.band for d in drawn),
        "earlier": bool(history),
        "past": [{"id": e.visit.id, "day": day(e.visit.started)} for e in reversed(history)],
        "tables": sheet,
        "rates_hint": ", ".join(f"{r:g}" for r in sorted(boiler.rates, reverse=True))
        or "100, 75, 50, 25",
    }


def boiler_words(boiler: Boiler, shown: Shown) -> str:
    """Return a boiler in a few words."""
    parts = [_("condensing") if boiler.condensing else _("non-condensing")]
    if boiler.rated_input is not None:
        parts.insert(0, shown.value("fuel_input", boiler.rated_input))
    return " ".join(parts)
