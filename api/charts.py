"""The firing curve: one quantity over firing rate, as found and as left, with its target band.

Plain SVG from numbers: presentation attributes carry a light face for paper, classes let the pages'
stylesheet repaint it, nothing needs a script or an inline style. Each pane has a title and a
description in words. How the marks are meant stands in ``docs/look.md``.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from typing import Literal

from api.words import words

WIDTH, HEIGHT = 360, 214
LEFT, RIGHT, TOP, BOTTOM = 44, 20, 34, 30


@dataclass(frozen=True, slots=True)
class Mark:
    """One firing point of a curve; ``above`` says that the value lies beyond what was shown.

    ``note`` says on the page where the value comes from.
    """

    firing_rate: float
    value: float
    above: bool = False
    note: str = ""


@dataclass(frozen=True, slots=True)
class Curve:
    """The points of one pass, low fire first."""

    name: str
    role: Literal["left", "found", "earlier"]
    marks: Sequence[Mark]


@dataclass(frozen=True, slots=True)
class BandEnd:
    """The target band at one firing rate; an open end is None."""

    firing_rate: float
    low: float | None
    high: float | None


@dataclass(frozen=True, slots=True)
class Pane:
    """What one pane shows."""

    key: str
    label: str
    unit: str
    decimals: int
    curves: Sequence[Curve]
    band: Sequence[BandEnd] = ()
    limit: float | None = None
    limit_name: str = "limit"


def number(value: float, decimals: int) -> str:
    """Return a number as it is shown everywhere: fixed decimals and a true minus.

    >>> number(-12.04, 1)
    '−12.0'
    """
    text = f"{value:.{decimals}f}"
    if float(text) == 0:
        text = text.lstrip("-")
    return words().signs(text).replace("-", "−")


def round_steps(low: float, high: float, wanted: int = 4) -> list[float]:
    """Return round numbers that enclose a range, about ``wanted`` steps of 1, 2 or 5.

    >>> round_steps(2.9, 7.2)
    [2.0, 4.0, 6.0, 8.0]
    """
    span = (high - low) or abs(high) or 1.0
    raw = span / wanted
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(m * power for m in (1, 2, 5, 10) if m * power >= raw - 1e-12)
    first, last = math.floor(low / step + 1e-9), math.ceil(high / step - 1e-9)
    if first == last:
        last += 1
    return [i * step for i in range(first, last + 1)]


def described(pane: Pane) -> str:
    """Return the pane in words, for whoever cannot see it."""
    parts = []
    for curve in pane.curves:
        if curve.role == "earlier":
            continue
        said = ", ".join(
            f"{'above ' if m.above else ''}{number(m.value, pane.decimals)} {pane.unit}"
            f" at {m.firing_rate:g} %"
            for m in curve.marks
        )
        if said:
            parts.append(f"{curve.name}: {said}.")
    if pane.band:
        ends = [
            f"{'open' if b.low is None else number(b.low, pane.decimals)} to "
            f"{'open' if b.high is None else number(b.high, pane.decimals)} {pane.unit}"
            f" at {b.firing_rate:g} %"
            for b in pane.band
        ]
        parts.append(f"Target band: {', '.join(ends)}.")
    if pane.limit is not None:
        shown = number(pane.limit, pane.decimals)
        parts.append(f"{pane.limit_name.capitalize()}: {shown} {pane.unit}.")
    return " ".join(parts) or "Nothing was read."


def _values(pane: Pane) -> list[float]:
    values = [m.value for c in pane.curves for m in c.marks]
    values += [v for b in pane.band for v in (b.low, b.high) if v is not None]
    top = max(values, default=1.0)
    # A limit far above the readings would flatten the curve: it is then named, not drawn to scale.
    if pane.limit is not None and pane.limit <= 3 * top:
        values.append(pane.limit)
    return values or [0.0, 1.0]


def _rates(pane: Pane) -> list[float]:
    rates = {m.firing_rate for c in pane.curves for m in c.marks if c.role != "earlier"}
    return sorted(rates or {b.firing_rate for b in pane.band} or {0.0, 100.0})


class _Scale:
    def __init__(self, pane: Pane) -> None:
        values = _values(pane)
        low = min(values)
        if pane.key.startswith("co_"):
            low = 0.0
        self.steps = round_steps(low, max(values) or 1.0)
        self.rates = _rates(pane)
        low_rate, high_rate = self.rates[0], self.rates[-1]
        pad = max((high_rate - low_rate) * 0.08, 2.0)
        self.low_rate, self.high_rate = low_rate - pad, high_rate + pad

    def x(self, rate: float) -> float:
        rate = min(max(rate, self.low_rate), self.high_rate)
        share = (rate - self.low_rate) / (self.high_rate - self.low_rate)
        return round(LEFT + share * (WIDTH - LEFT - RIGHT), 1)

    def y(self, value: float) -> float:
        low, high = self.steps[0], self.steps[-1]
        share = (min(max(value, low), high) - low) / (high - low)
        return round(HEIGHT - BOTTOM - share * (HEIGHT - TOP - BOTTOM), 1)


def _band(pane: Pane, scale: _Scale) -> str:
    ends = sorted(pane.band, key=lambda b: b.firing_rate)
    if len(ends) < 2:
        return ""
    top = [(scale.x(b.firing_rate), TOP if b.high is None else scale.y(b.high)) for b in ends]
    foot = [
        (scale.x(b.firing_rate), HEIGHT - BOTTOM if b.low is None else scale.y(b.low))
        for b in reversed(ends)
    ]
    points = " ".join(f"{x},{y}" for x, y in top + foot)
    return f'<polygon class="band" points="{points}" fill="#cfe3d3"/>'


def _curve(curve: Curve, pane: Pane, scale: _Scale, others: Sequence[Mark]) -> str:
    marks = sorted(curve.marks, key=lambda m: m.firing_rate)
    left = curve.role == "left"
    color = "#1a56b0" if left else "#6d7471"
    line = " ".join(f"{scale.x(m.firing_rate)},{scale.y(m.value)}" for m in marks)
    if curve.role == "earlier":
        # A hairline without dots: there to be departed from, not to be read.
        return (
            f'<polyline class="earlier" points="{line}" fill="none" stroke="#a9b3ae" '
            f'stroke-width="1"><title>{escape(curve.name)}</title></polyline>'
        )
    dashes = "" if left else ' stroke-dasharray="5 4"'
    out = []
    if len(marks) > 1:
        out.append(
            f'<polyline class="{curve.role}" points="{line}" fill="none" stroke="{color}" '
            f'stroke-width="{2.5 if left else 1.5}"{dashes}/>'
        )
    for mark in marks:
        said = f"{'above ' if mark.above else ''}{number(mark.value, pane.decimals)} {pane.unit}"
        tip = escape(f"{curve.name}, {mark.firing_rate:g} %: {said}")
        data = escape(f"{curve.name}, {mark.firing_rate:g} %: {said}" + mark.note)
        dot = _dot(mark, scale, color, left).removesuffix(">")
        out.append(f'{dot} data-tip="{data}"><title>{tip}</title></path>')
        if left:
            out.append(_figure(mark, pane, scale, color, others))
    return "".join(out)


def _dot(mark: Mark, scale: _Scale, color: str, left: bool) -> str:
    x, y = scale.x(mark.firing_rate), scale.y(mark.value)
    r = 5 if left else 4
    shape = (
        f"M{x - 6:g},{y + 4:g}L{x:g},{y - 7:g}L{x + 6:g},{y + 4:g}Z"
        if mark.above
        else f"M{x - r:g},{y:g}a{r},{r} 0 1 0 {2 * r},0a{r},{r} 0 1 0 {-2 * r},0Z"
    )
    fill, edge = (color, "#ffffff") if left else ("#ffffff", color)
    role = "left" if left else "found"
    return f'<path class="{role}-dot" d="{shape}" fill="{fill}" stroke="{edge}" stroke-width="1.5">'


def _figure(mark: Mark, pane: Pane, scale: _Scale, color: str, others: Sequence[Mark]) -> str:
    """Return the number at a dot: above it, below where an as-found dot or the head is above."""
    x, y = scale.x(mark.firing_rate), scale.y(mark.value)
    near = [scale.y(o.value) for o in others if o.firing_rate == mark.firing_rate]
    below = any(y - 26 < other < y - 1 for other in near) and y + 22 < HEIGHT - BOTTOM
    below = below or y - 12 < TOP
    at = y + 20 if below else y - 10
    said = ("&gt;" if mark.above else "") + number(mark.value, pane.decimals)
    return (
        f'<text class="left-number" x="{x:g}" y="{at:g}" text-anchor="middle" font-size="13" '
        f'font-weight="700" fill="{color}" stroke="#ffffff" stroke-width="3" '
        f'stroke-linejoin="round" paint-order="stroke">{said}</text>'
    )


def _limit(pane: Pane, scale: _Scale) -> str:
    if pane.limit is None:
        return ""
    said = f"{pane.limit_name} {number(pane.limit, pane.decimals)}"
    inside = pane.limit <= scale.steps[-1]
    y = scale.y(pane.limit) if inside else TOP
    line = (
        f'<line class="limit" x1="{LEFT}" x2="{WIDTH - RIGHT}" y1="{y}" y2="{y}" '
        'stroke="#8a5a00" stroke-width="1.5" stroke-dasharray="2 3"/>'
        if inside
        else ""
    )
    # At the low-fire end, where curves seldom climb; above the pane where it is off the scale.
    x, anchor = (LEFT + 4, "start") if inside else (WIDTH - RIGHT, "end")
    arrow = "" if inside else ", above this scale"
    return (
        f'{line}<text class="limit-number" x="{x}" y="{round(y - 5, 1) if inside else 14}" '
        f'text-anchor="{anchor}" font-size="12" fill="#8a5a00">{escape(said)}{arrow}</text>'
    )


def firing_curve(pane: Pane, ident: str) -> str:
    """Return one pane as an SVG string.

    Parameters
    ----------
    pane : Pane
        Numbers in the unit shown.
    ident : str
        Prefix of the ids inside, one for each pane of a page.
    """
    scale = _Scale(pane)
    grid, foot = [], HEIGHT - BOTTOM
    for step in scale.steps:
        y = scale.y(step)
        decimals = 0 if all(float(s).is_integer() for s in scale.steps) else max(1, pane.decimals)
        grid.append(
            f'<line class="axis" x1="{LEFT}" x2="{WIDTH - RIGHT}" y1="{y}" y2="{y}" '
            'stroke="#b9cbc2" stroke-width="1"/>'
            f'<text x="{LEFT - 8}" y="{round(y + 4, 1)}" text-anchor="end" font-size="12" '
            f'fill="#47605a">{number(step, decimals)}</text>'
        )
    for rate in scale.rates:
        x = scale.x(rate)
        grid.append(
            f'<line class="axis" x1="{x}" x2="{x}" y1="{foot}" y2="{foot + 5}" '
            'stroke="#b9cbc2" stroke-width="1"/>'
            f'<text x="{x}" y="{HEIGHT - 8}" text-anchor="middle" font-size="12" '
            f'fill="#47605a">{rate:g} %</text>'
        )
    curves = sorted(pane.curves, key=lambda c: ("earlier", "found", "left").index(c.role))
    found = [m for c in pane.curves if c.role == "found" for m in c.marks]
    drawn = "".join(_curve(c, pane, scale, found) for c in curves)
    head = (
        f'<text class="title" x="0" y="14" font-size="14" font-weight="700" fill="#14302a">'
        f"{escape(pane.label)}"
        f'<tspan font-weight="400" fill="#47605a" class="unit"> {escape(pane.unit)}</tspan></text>'
    )
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" role="img" '
        f'aria-labelledby="{ident}-t {ident}-d" font-family="B612, Verdana, sans-serif">'
        f'<title id="{ident}-t">{escape(pane.label)} over firing rate</title>'
        f'<desc id="{ident}-d">{escape(described(pane))}</desc>'
        f"{_band(pane, scale)}{''.join(grid)}{_limit(pane, scale)}{drawn}{head}</svg>"
    )
