"""Firing curves and the table of readings with their uncertainty."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from api.charts import described, firing_curve, number
from api.pages.computed import computed
from api.pages.curves import last_pass, panes
from api.pages.show import Shown, label
from api.report import blocks
from api.report.blocks import Block
from api.report.given import ReportInput
from api.words import Words
from combustion.quantities import QUANTITIES
from combustion.units import conversion
from ingest.accuracy import Accuracies
from ingest.models import Visit
from ingest.rules.view import Point
from parsers.points import FiringPoint

COLUMNS = 6
"""Firing rates beside each other; more go to a further table."""

_FIRST = ("o2_dry", "co2_dry", "co_dry", "co_air_free", "stack_temperature")


def curve_blocks(given: ReportInput, shown: Shown, words: Words) -> list[Block]:
    """Return the curves as found and as left, with bands and limits."""
    t = words.t
    if not given.points:
        return [blocks.paragraph(t("No readings are recorded."))]
    found = panes(given.points, computed(given.points), given.limits, shown)
    drawn = [
        (
            _spaced(firing_curve(pane, f"curve-{n}")),
            f"{pane.label} [{pane.unit}]. {described(pane)}",
        )
        for n, pane in enumerate(found)
        if pane.curves
    ]
    legend = [
        t("Solid line, full dots, numbers: as left."),
        t("Broken line, hollow dots: as found."),
        t("Tinted ground: target band. Line of short strokes: limit."),
        t("Arrow head: above what the sensor shows."),
    ]
    return [blocks.charts(drawn, legend)]


def _spaced(svg: str) -> str:
    # The typesetter drops a blank at the start of a tspan; a shift stands for it in both faces.
    return svg.replace('class="unit"> ', 'class="unit" dx="5">')


def reading_tables(given: ReportInput, shown: Shown, words: Words) -> list[Block]:
    """Return a table for each phase: quantities down, firing rates across, value ± 2u."""
    t = words.t
    figures = computed(given.points)
    names = {"as_left": t("As left"), "as_found": t("As found")}
    out: list[Block] = []
    for phase, name in names.items():
        chosen = last_pass(given.points, phase)  # type: ignore[arg-type]
        for start in range(0, len(chosen), COLUMNS):
            part = chosen[start : start + COLUMNS]
            rows = _rows(given.points, part, figures, given.visit, shown)
            heads = [f"{given.points[i].key.firing_rate:g} %" for i in part]
            out.append(
                blocks.table(
                    [name, t("unit"), *heads],
                    rows,
                    widths=[2.4, 0.9, *[1.5] * len(part)],
                    align=["left", "left", *["right"] * len(part)],  # type: ignore[list-item]
                    caption=t("{phase}, by firing rate", phase=name),
                )
            )
    if out:
        out.append(
            blocks.paragraph(
                t(
                    "± is the expanded uncertainty (k = 2) from the instrument's stated accuracy, "
                    "or a usual one where none is stated, and from scatter. > marks a value above "
                    "what the sensor shows."
                ),
                "soft",
            )
        )
    return out


def _rows(
    points: Sequence[FiringPoint],
    part: Sequence[int],
    figures: Mapping[int, Mapping[str, float]],
    visit: Visit,
    shown: Shown,
) -> list[list[str]]:
    accuracies = Accuracies(visit.instrument)
    seen = {i: Point(points[i], accuracies, visit) for i in part}
    keys = {k for i in part for k in (*points[i].values, *points[i].bounds, *figures.get(i, {}))}
    keys = (keys & set(QUANTITIES)) - {"firing_rate"}
    order = [k for k in _FIRST if k in keys] + [
        k for k in QUANTITIES if k in keys and k not in _FIRST
    ]
    return [
        [
            label(key),
            shown.unit(key),
            *(_cell(seen[i], key, figures[i], shown) for i in part),
        ]
        for key in order
    ]


def _cell(
    seen: Point,
    key: str,
    figures: Mapping[str, float],
    shown: Shown,
) -> str:
    point = seen.raw
    bound = point.bounds.get(key)
    if bound is not None and bound.above is not None:
        return f"> {shown.figure(key, bound.above)}"
    settled = point.values.get(key)
    if settled is None:
        if key not in figures:
            return "–"
        u = seen.u_co_af if key == "co_air_free" else 0.0
        return _with_u(key, figures[key], u, shown)
    return _with_u(key, settled.mean, seen.u(key), shown)


def _with_u(key: str, value: float, u: float, shown: Shown) -> str:
    text = shown.figure(key, value)
    if u <= 0:
        return text
    # A difference carries the factor of a conversion, never its offset.
    factor = conversion(QUANTITIES[key].unit, _unit_for(key, shown)).factor
    return f"{text} ± {number(2 * u * factor, max(shown.decimals(key), 0))}"


def _unit_for(key: str, shown: Shown) -> str:
    return shown._target(key)[0]


def history_block(given: ReportInput, shown: Shown, words: Words) -> list[Block]:
    """Return the as-left ends of the curve at earlier visits, newest first."""
    t = words.t
    rows = []
    for earlier in reversed(list(given.history)):
        chosen = last_pass(earlier.points, "as_left")
        for index in dict.fromkeys((chosen[0], chosen[-1])) if chosen else ():
            point = earlier.points[index]
            rows.append(
                [
                    words.day(earlier.visit.started.date()) if earlier.visit.started else "–",
                    f"{point.key.firing_rate:g} %",
                    *(
                        shown.figure(k, point.mean(k))
                        for k in ("o2_dry", "co_dry", "stack_temperature")
                    ),
                ]
            )
    if not rows:
        return []
    heads = [f"{label(k)} [{shown.unit(k)}]" for k in ("o2_dry", "co_dry", "stack_temperature")]
    return [
        blocks.table(
            [t("Visit"), t("Rate"), *heads],
            rows[:12],
            widths=[2, 1, 1.4, 1.4, 1.8],
            align=["left", "right", "right", "right", "right"],
            caption=t("Earlier visits as left, low and high fire"),
        )
    ]
