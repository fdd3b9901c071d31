"""Firing curves and the table of readings with their uncertainty."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from api.chart_spec import described, rate_words, spread_number
from api.pages.computed import computed
from api.pages.curve_sheet import Drawn, curve_sheet
from api.pages.curves import last_pass
from api.pages.show import Shown, label
from api.pages.sources import Spreads
from api.report import blocks
from api.report.blocks import Block
from api.report.given import ReportInput
from api.words import Words, _
from combustion.quantities import QUANTITIES
from parsers.points import FiringPoint

COLUMNS = 6
"""Firing rates beside each other; more go to a further table."""

_FIRST = ("o2_dry", "co2_dry", "co_dry", "co_air_free", "stack_temperature")


def curve_blocks(given: ReportInput, shown: Shown, words: Words) -> list[Block]:
    """Return the curves as found and as left, with bands and limits."""
    t = words.t
    if not given.points:
        return [blocks.paragraph(t("No readings are recorded."))]
    sheet = report_sheet(given, shown)
    drawn = [
        (one.svg, f"{one.pane.label} [{one.pane.unit}]. {described(one.pane)}") for one in sheet
    ]
    legend = [
        t("Solid line, full dots, numbers: as left."),
        t("Broken line, hollow dots: as found."),
        t("Tinted ground: target band. Line of short strokes: limit."),
        t("Arrow head: above what the sensor shows."),
        t("Thin bar: expanded uncertainty (k = 2), where it reaches beyond its dot."),
        *([t("Hairlines: earlier visits, as left.")] if given.history else []),
    ]
    return [blocks.charts(drawn, legend)]


def report_sheet(given: ReportInput, shown: Shown) -> list[Drawn]:
    """Return the curve sheet as the visit's page has it: the same specification and drawing."""
    return curve_sheet(given.points, given.visit, given.limits, shown, given.history, given.source)


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
            rows = _rows(given, part, figures, shown)
            heads = [rate_words(given.points[i].key.firing_rate) for i in part]
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
    given: ReportInput,
    part: Sequence[int],
    figures: Mapping[int, Mapping[str, float]],
    shown: Shown,
) -> list[list[str]]:
    points, spreads = given.points, Spreads(given.visit, shown, given.points)
    keys = {k for i in part for k in (*points[i].values, *points[i].bounds, *figures.get(i, {}))}
    keys = (keys & set(QUANTITIES)) - {"firing_rate"}
    order = [k for k in _FIRST if k in keys] + [
        k for k in QUANTITIES if k in keys and k not in _FIRST
    ]
    rows = [
        [
            label(key),
            shown.unit(key),
            *(_cell(points[i], key, figures[i], shown, spreads) for i in part),
        ]
        for key in order
    ]
    return [*rows, [_("Where from"), "", *(_whence(given, points[i]) for i in part)]]


def _whence(given: ReportInput, point: FiringPoint) -> str:
    """Return where a point's readings come from, each file or person once."""
    said = dict.fromkeys(given.source(point, key).text for key in point.values)
    return "; ".join(said) or "–"


def _cell(
    point: FiringPoint, key: str, figures: Mapping[str, float], shown: Shown, spreads: Spreads
) -> str:
    bound = point.bounds.get(key)
    if bound is not None and bound.above is not None:
        return f"> {shown.figure(key, bound.above)}"
    mean = point.mean(key)
    value = figures.get(key) if mean is None else mean
    if value is None:
        return "–"
    text, spread = shown.figure(key, value), spreads.expanded(point, key)
    if spread <= 0:
        return text
    return f"{text} ± {spread_number(spread, max(shown.decimals(key), 0))}"


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
                    rate_words(point.key.firing_rate),
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
