"""From firing points to the table of readings under the curve sheet."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby

from api.chart_spec import rate_words
from api.findings import reading_said
from api.pages.show import PHASE_WORDS, Shown, label
from api.pages.sources import Origin, measured
from api.words import _
from combustion.quantities import QUANTITIES
from ingest.judgement import Flag
from parsers import FiringPoint, Phase

PANES = ("o2_dry", "co_air_free", "stack_temperature")
"""CO is drawn air-free where it is computed: that is what its limit is stated in."""

# Rows of the table that a reader looks for first; all others follow in the glossary's order.
_FIRST = ("o2_dry", "co2_dry", "co_dry", "co_air_free", "stack_temperature")
_NEVER = {"firing_rate"}

Computed = Mapping[int, Mapping[str, float]]
"""Index of a point -> its computed quantities."""


@dataclass(frozen=True, slots=True)
class Cell:
    """One number of the table, the line it came from, and whether a flag is about it."""

    text: str
    anchor: str | None = None
    beyond: bool = False
    why: str | None = None


@dataclass(frozen=True, slots=True)
class Row:
    """One quantity over the firing rates."""

    key: str
    label: str
    unit: str
    meaning: str
    computed: bool
    cells: Sequence[Cell]


@dataclass(frozen=True, slots=True)
class PhaseTable:
    """The points of one phase, low fire left."""

    phase: Phase
    name: str
    heads: Sequence[str]
    counts: Sequence[int]
    rows: Sequence[Row]


def last_pass(
    points: Sequence[FiringPoint], phase: Phase, among: Sequence[int] | None = None
) -> list[int]:
    """Return indexes of a phase's points, low fire first, only the last pass at each rate.

    ``among`` leaves the choice to some of the points.
    """
    chosen: dict[float, int] = {}
    for index in range(len(points)) if among is None else among:
        point = points[index]
        if point.key.phase != phase:
            continue
        before = chosen.get(point.key.firing_rate)
        if before is None or points[before].key.pass_number <= point.key.pass_number:
            chosen[point.key.firing_rate] = index
    return [chosen[rate] for rate in sorted(chosen)]


def reading_of(
    points: Sequence[FiringPoint], computed: Computed, index: int, key: str
) -> tuple[float, bool] | None:
    """Return a point's value of a quantity, and whether it lies above what the sensor shows."""
    point = points[index]
    mean = point.mean(key)
    if mean is None:
        mean = computed.get(index, {}).get(key)
    bound = point.bounds.get(key) or (point.bounds.get("co_dry") if key == "co_air_free" else None)
    if mean is None:
        return None if bound is None or bound.above is None else (bound.above, True)
    return mean, bound is not None and bound.above is not None


def _order(keys: set[str]) -> list[str]:
    rest = [k for k in QUANTITIES if k in keys and k not in _FIRST]
    return [k for k in _FIRST if k in keys] + rest


def tables(
    points: Sequence[FiringPoint],
    computed: Computed,
    flags: Sequence[Flag],
    shown: Shown,
    origin: Origin,
) -> list[PhaseTable]:
    """Return a table for each phase that has points, as left first."""
    flagged = {
        (f.phase, f.quantity, r) for f in flags if f.severity != "info" for r in f.firing_rates
    }
    order: tuple[Phase, ...] = ("as_left", "as_found", "trial")
    out = []
    for phase in order:
        mine = [i for i, p in enumerate(points) if p.key.phase == phase]
        mine.sort(key=lambda i: (points[i].key.firing_rate, points[i].key.pass_number))
        if not mine:
            continue
        keys = {
            k for i in mine for k in (*points[i].values, *points[i].missing, *computed.get(i, {}))
        }
        rows = []
        for key in _order({k for k in keys if k in QUANTITIES} - _NEVER):
            cells = [_cell(points, computed, i, key, flagged, shown, origin) for i in mine]
            quantity = QUANTITIES[key]
            rows.append(
                Row(
                    key,
                    label(key),
                    shown.unit(key),
                    _(quantity.meaning),
                    quantity.role == "computed",
                    cells,
                )
            )
        heads = []
        for rate, group in groupby(mine, key=lambda i: points[i].key.firing_rate):
            for index in group:
                number = points[index].key.pass_number
                again = " " + _("pass {n}", n=number) if number > 1 else ""
                heads.append(rate_words(rate) + again)
        counts = [points[i].count for i in mine]
        out.append(PhaseTable(phase, _(PHASE_WORDS[phase]).capitalize(), heads, counts, rows))
    return out


def _cell(
    points: Sequence[FiringPoint],
    computed: Computed,
    index: int,
    key: str,
    flagged: set[tuple[Phase | None, str | None, float]],
    shown: Shown,
    origin: Origin,
) -> Cell:
    point = points[index]
    read = reading_of(points, computed, index, key)
    if read is None:
        return Cell("–", why=reading_said(point.missing.get(key, "")) or None)
    text = (">" if read[1] else "") + shown.figure(key, read[0])
    return Cell(
        text, origin(point, measured(key)), (point.key.phase, key, point.key.firing_rate) in flagged
    )
