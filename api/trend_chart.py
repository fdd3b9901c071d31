"""A quantity at one firing rate over the visits: one small pane, with its limits and part changes.

Panes of one quantity stand beside each other, low fire left, over the same values, so that a drift
at one end of the curve is seen against the other. Drawn by the rules of ``api.charts``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from html import escape

from api.chart_scale import Heights, round_steps, spread_bar
from api.chart_spec import held_words, number, rate_words, value_words
from api.words import _, words

WIDTH, HEIGHT = 240, 132
LEFT, RIGHT, TOP, BOTTOM = 40, 14, 26, 22
MOST_SAID = 8
"""Values that a pane's description says one by one."""


@dataclass(frozen=True, slots=True)
class Moment:
    """One visit's value, as left."""

    day: date
    value: float
    above: bool = False
    spread: float = 0.0


@dataclass(frozen=True, slots=True)
class TrendPane:
    """One quantity at one rate.

    Attributes
    ----------
    span : (date, date)
        First and last day drawn, the same for all panes.
    reach : (float, float)
        Lowest and highest value of the quantity at any rate.
    joints : sequence of (date, str)
        Part changes, each with the id of the row of the page that names it.
    """

    label: str
    unit: str
    decimals: int
    firing_rate: float
    moments: Sequence[Moment]
    span: tuple[date, date]
    reach: tuple[float, float]
    low: float | None = None
    high: float | None = None
    joints: Sequence[tuple[date, str]] = ()


def _said(pane: TrendPane, moment: Moment) -> str:
    return value_words(moment.value, pane.decimals, pane.unit, above=moment.above)


def described(pane: TrendPane) -> str:
    """Return the pane in words: every value of a few, else the ends, the table having them all."""
    if not pane.moments:
        text = _("Nothing was read.")
    elif len(pane.moments) > MOST_SAID:
        marks = sorted(pane.moments, key=lambda m: m.day)
        lowest, highest = (f(marks, key=lambda m: m.value) for f in (min, max))
        text = _(
            "Lowest {low}, highest {high}, last {last}; the table below has every value.",
            low=_said(pane, lowest),
            high=_said(pane, highest),
            last=_said(pane, marks[-1]),
        )
    else:
        text = "; ".join(f"{words().day(m.day)}: {_said(pane, m)}" for m in pane.moments) + "."
    if pane.low is not None or pane.high is not None:
        text += " " + _("Limit {limit}.", limit=held_words(pane.low, pane.high, pane.decimals))
    return text


class _Scale(Heights):
    def __init__(self, pane: TrendPane) -> None:
        super().__init__(round_steps(*pane.reach, wanted=3), TOP, HEIGHT - BOTTOM)
        self.first, self.last = pane.span
        self.days = max((self.last - self.first).days, 1)

    def x(self, day: date) -> float:
        share = min(max((day - self.first).days / self.days, 0), 1)
        return round(LEFT + 6 + share * (WIDTH - LEFT - RIGHT - 12), 1)


def trend(pane: TrendPane, ident: str) -> str:
    """Return the pane as an SVG string; ``ident`` is the prefix of the ids inside."""
    scale = _Scale(pane)
    foot, right = HEIGHT - BOTTOM, WIDTH - RIGHT
    out = [_ground(pane, scale)]
    whole = all(float(s).is_integer() for s in scale.steps)
    for step in scale.steps:
        y = scale.y(step)
        out.append(
            f'<line class="axis" x1="{LEFT}" x2="{right}" y1="{y}" y2="{y}" stroke="#b9cbc2"/>'
            f'<text x="{LEFT - 6}" y="{y + 4}" text-anchor="end" font-size="11" fill="#47605a">'
            f"{number(step, 0 if whole else max(1, pane.decimals))}</text>"
        )
    for day, anchor, edge in ((pane.span[0], "start", LEFT), (pane.span[1], "end", right)):
        out.append(
            f'<text x="{edge}" y="{HEIGHT - 6}" text-anchor="{anchor}" font-size="11" '
            f'fill="#47605a">{day:%Y-%m}</text>'
        )
    for n, (day, row) in enumerate(sorted(pane.joints)):
        x = scale.x(day)
        out.append(
            f'<path class="part" data-point="1-{n}" data-row="{escape(row)}" '
            f'd="M{x},{TOP - 4}V{foot}" stroke="#b08a3c" stroke-width="1.5"/>'
        )
    out.append(_line(pane, scale))
    name = f"{pane.label}, {rate_words(pane.firing_rate)}"
    head = (
        f'<text class="title" x="0" y="12" font-size="13" font-weight="700" fill="#14302a">'
        f"{rate_words(pane.firing_rate)}</text>"
    )
    if pane.low is not None or pane.high is not None:
        head += (
            f'<text class="limit-number" x="{right}" y="12" text-anchor="end" font-size="11" '
            f'fill="#8a5a00">{escape(held_words(pane.low, pane.high, pane.decimals))}</text>'
        )
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" role="img" '
        f'aria-labelledby="{ident}-t {ident}-d" font-family="B612, Verdana, sans-serif">'
        f'<title id="{ident}-t">{escape(name)}</title>'
        f'<desc id="{ident}-d">{escape(described(pane))}</desc>{"".join(out)}{head}</svg>'
    )


def _ground(pane: TrendPane, scale: _Scale) -> str:
    """Return the band's ground, or the line of the one limit there is."""
    right = WIDTH - RIGHT
    if pane.low is not None and pane.high is not None:
        top, foot = scale.y(pane.high), scale.y(pane.low)
        return (
            f'<rect class="band" x="{LEFT}" y="{top}" width="{right - LEFT}" '
            f'height="{round(foot - top, 1)}" fill="#cfe3d3"/>'
        )
    limit = pane.high if pane.low is None else pane.low
    if limit is None or not scale.steps[0] <= limit <= scale.steps[-1]:
        return ""
    y = scale.y(limit)
    return (
        f'<line class="limit" x1="{LEFT}" x2="{right}" y1="{y}" y2="{y}" stroke="#8a5a00" '
        'stroke-width="1.5" stroke-dasharray="2 3"/>'
    )


def _line(pane: TrendPane, scale: _Scale) -> str:
    marks = sorted(pane.moments, key=lambda m: m.day)
    line = " ".join(f"{scale.x(m.day)},{scale.y(m.value)}" for m in marks)
    out = [
        f'<polyline class="left" points="{line}" fill="none" stroke="#1a56b0" stroke-width="2"/>'
    ]
    for n, mark in enumerate(marks):
        x, y = scale.x(mark.day), scale.y(mark.value)
        if mark.spread > 0:
            out.append(spread_bar(x, *scale.reach(mark.value, mark.spread), 3, "left"))
        shape = (
            f"M{x - 4:g},{y + 3:g}L{x:g},{y - 5:g}L{x + 4:g},{y + 3:g}Z"
            if mark.above
            else f"M{x - 3:g},{y:g}a3,3 0 1 0 6,0a3,3 0 1 0 -6,0Z"
        )
        out.append(
            f'<path class="left-dot" data-point="0-{n}" d="{shape}" fill="#1a56b0" '
            'stroke="#ffffff"/>'
        )
    return "".join(out) if len(marks) > 1 else "".join(out[1:])
