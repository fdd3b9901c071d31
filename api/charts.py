"""The firing curve: one quantity over firing rate, as found and as left, with its target band.

Plain SVG from a specification (``api.chart_spec``): presentation attributes carry a light face for
paper, classes let the pages' stylesheet repaint it, nothing needs a script or an inline style. Page
and report draw the same bytes. How the marks are meant stands in ``docs/look.md``.
"""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

from api.chart_scale import Box, Heights, Place, along, best, clear, round_steps, spread_bar
from api.chart_spec import (
    BandEnd,
    Curve,
    Mark,
    Pane,
    by_rate,
    described,
    number,
    rate_words,
)
from api.words import _

__all__ = [
    "BandEnd",
    "Curve",
    "Mark",
    "Pane",
    "described",
    "firing_curve",
    "number",
    "round_steps",
]

WIDTH, HEIGHT = 360, 214
LEFT, RIGHT, TOP, BOTTOM = 44, 20, 34, 30
_LEAST_CO = 10.0
"""CO [ppm] that a scale reaches at least: two readings of nothing are no curve of halves."""
_BOLD, _PLAIN = 8.2, 7.4
"""Width of a figure of 13 px bold and of 12 px [px]."""

_PLACES: tuple[Place, ...] = (
    (0, -10, "middle"),
    (0, 20, "middle"),
    (7, -7, "start"),
    (-7, -7, "end"),
    (7, 16, "start"),
    (-7, 16, "end"),
)
"""Where a number may stand at its dot: how far right of it, how far below, and its anchor."""


def _values(pane: Pane) -> list[float]:
    marks = [m for c in pane.curves for m in c.marks]
    drawn = [m for c in pane.curves if c.role != "earlier" for m in c.marks]
    values = [m.value for m in marks]
    values += [m.value + side * m.spread for m in drawn for side in (-1, 1)]
    values += [v for b in pane.band for v in (b.low, b.high) if v is not None]
    top = max(values, default=1.0)
    # A limit far above the readings would flatten the curve: it is then named, not drawn to scale.
    if pane.limit is not None and pane.limit <= 3 * top:
        values.append(pane.limit)
    return values or [0.0, 1.0]


def _rates(pane: Pane) -> list[float]:
    rates = {m.firing_rate for c in pane.curves for m in c.marks if c.role != "earlier"}
    rates = rates or {m.firing_rate for c in pane.curves for m in c.marks}
    return sorted(rates or {b.firing_rate for b in pane.band} or {0.0, 100.0})


class _Scale(Heights):
    def __init__(self, pane: Pane) -> None:
        values = _values(pane)
        low = min(values)
        if pane.key.startswith("co_"):
            low = 0.0
            values.append(_LEAST_CO)
        super().__init__(round_steps(low, max(values) or 1.0), TOP, HEIGHT - BOTTOM)
        self.rates = _rates(pane)
        low_rate, high_rate = self.rates[0], self.rates[-1]
        pad = max((high_rate - low_rate) * 0.08, 2.0)
        self.low_rate, self.high_rate = low_rate - pad, high_rate + pad

    def x(self, rate: float) -> float:
        rate = min(max(rate, self.low_rate), self.high_rate)
        share = (rate - self.low_rate) / (self.high_rate - self.low_rate)
        return round(LEFT + share * (WIDTH - LEFT - RIGHT), 1)


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


def _curve(curve: Curve, n: int, scale: _Scale) -> str:
    marks = by_rate(curve)
    left, earlier = curve.role == "left", curve.role == "earlier"
    color = "#1a56b0" if left else "#a9b3ae" if earlier else "#6d7471"
    line = " ".join(f"{scale.x(m.firing_rate)},{scale.y(m.value)}" for m in marks)
    out = []
    if len(marks) > 1:
        width, dashes = {
            "left": ("2.5", ""),
            "found": ("1.5", ' stroke-dasharray="5 4"'),
            "earlier": ("1", ""),
        }[curve.role]
        out.append(
            f'<polyline class="{curve.role}" points="{line}" fill="none" stroke="{color}" '
            f'stroke-width="{width}"{dashes}/>'
        )
    for number_of, mark in enumerate(marks):
        x, y = scale.x(mark.firing_rate), scale.y(mark.value)
        if mark.spread > 0 and not earlier:
            ends, closed = scale.reach(mark.value, mark.spread)
            out.append(spread_bar(x, ends, closed, 5 if left else 4, curve.role))
        out.append(_dot(mark, f"{n}-{number_of}", x, y, color, curve.role))
    return "".join(out)


def _dot(mark: Mark, place: str, x: float, y: float, color: str, role: str) -> str:
    r = {"left": 5, "found": 4, "earlier": 1.5}[role]
    shape = (
        f"M{x - 6:g},{y + 4:g}L{x:g},{y - 7:g}L{x + 6:g},{y + 4:g}Z"
        if mark.above and role != "earlier"
        else f"M{x - r:g},{y:g}a{r},{r} 0 1 0 {2 * r},0a{r},{r} 0 1 0 {-2 * r},0Z"
    )
    fill, edge = {
        "left": (color, "#ffffff"),
        "found": ("#ffffff", color),
        "earlier": (color, "none"),
    }[role]
    return (
        f'<path class="{role}-dot" data-point="{place}" d="{shape}" fill="{fill}" '
        f'stroke="{edge}" stroke-width="1.5"/>'
    )


def _beside(x: float, y: float, place: Place, wide: float) -> Box:
    dx, at, anchor = place
    start = x + dx - wide * {"start": 0.0, "middle": 0.5, "end": 1.0}[anchor]
    return start, y + at - 11, start + wide, y + at + 2


def _inside(box: Box) -> bool:
    return (
        box[0] >= LEFT - 8 and box[2] <= WIDTH and box[1] >= TOP - 4 and box[3] <= HEIGHT - BOTTOM
    )


def _lines(pane: Pane, scale: _Scale) -> list[Box]:
    """Return the curves as a row of small boxes, which words keep clear of where they can."""
    out: list[Box] = []
    for curve in (c for c in pane.curves if c.role != "earlier"):
        places = [(scale.x(m.firing_rate), scale.y(m.value)) for m in by_rate(curve)]
        out += along(places)
    return out


def _figures(pane: Pane, scale: _Scale, taken: list[Box], lines: Sequence[Box]) -> str:
    """Return the numbers at the dots as left, above or below; ends and extremes first.

    One that would lie on another is left out: the table and the point itself say it.
    """
    out = []
    for curve in (c for c in pane.curves if c.role == "left"):
        marks = by_rate(curve)
        ends = [marks[0], marks[-1], *(f(marks, key=lambda m: m.value) for f in (max, min))]
        for mark in dict.fromkeys([*ends, *marks]):
            said = (">" if mark.above else "") + number(mark.value, pane.decimals)
            x, y = scale.x(mark.firing_rate), scale.y(mark.value)
            wide = _BOLD * len(said)
            found = [(place, _beside(x, y, place, wide)) for place in _PLACES]
            chosen = best([f for f in found if _inside(f[1])], taken, lines)
            if chosen is None:
                continue
            (dx, at, anchor), box = chosen
            taken.append(box)
            out.append(
                f'<text class="left-number" x="{x + dx:g}" y="{y + at:g}" '
                f'text-anchor="{anchor}" font-size="13" font-weight="700" fill="#1a56b0" '
                'stroke="#ffffff" stroke-width="3" stroke-linejoin="round" paint-order="stroke">'
                f"{escape(said)}</text>"
            )
    return "".join(out)


def _dots(pane: Pane, scale: _Scale) -> list[Box]:
    """Return where marks and their bars lie, which a number would hide."""
    out: list[Box] = []
    for mark in (m for c in pane.curves if c.role != "earlier" for m in c.marks):
        x, y = scale.x(mark.firing_rate), scale.y(mark.value)
        out.append((x - 4, y - 4, x + 4, y + 4))
        (low, high), _closed = scale.reach(mark.value, mark.spread)
        if low - high > 13:
            out.append((x - 3, high, x + 3, low))
    return out


def _limit(pane: Pane, scale: _Scale, taken: list[Box], lines: Sequence[Box]) -> str:
    if pane.limit is None:
        return ""
    said = f"{_(pane.limit_name)} {number(pane.limit, pane.decimals)}"
    if pane.limit > scale.steps[-1]:
        said = _("{limit}, above this scale", limit=said)
        return (
            f'<text class="limit-number" x="{WIDTH - RIGHT}" y="{TOP - 6}" text-anchor="end" '
            f'font-size="12" fill="#8a5a00">{escape(said)}</text>'
        )
    y, right = scale.y(pane.limit), WIDTH - RIGHT
    wide = _PLAIN * len(said)
    # At the end where no curve runs through it: the low-fire end unless something lies there.
    places = [
        ((x, at, anchor), (x - back * wide, at - 11, x + (1 - back) * wide, at + 2))
        for at in (round(y - 5, 1), round(y + 15, 1))
        for x, anchor, back in ((LEFT + 4, "start", 0), (right - 2, "end", 1))
        if TOP - 8 < at < HEIGHT - BOTTOM - 2
    ]
    above = ((right, TOP - 6, "end"), (right - wide, TOP - 17, right, TOP - 4))
    (x, at, anchor), box = best(places, taken, lines) or above
    taken.append(box)
    return (
        f'<line class="limit" x1="{LEFT}" x2="{right}" y1="{y}" y2="{y}" '
        'stroke="#8a5a00" stroke-width="1.5" stroke-dasharray="2 3"/>'
        f'<text class="limit-number" x="{x}" y="{at}" '
        f'text-anchor="{anchor}" font-size="12" fill="#8a5a00">{escape(said)}</text>'
    )


def _axes(pane: Pane, scale: _Scale) -> str:
    grid, foot = [], HEIGHT - BOTTOM
    whole = all(float(s).is_integer() for s in scale.steps)
    for step in scale.steps:
        y = scale.y(step)
        grid.append(
            f'<line class="axis" x1="{LEFT}" x2="{WIDTH - RIGHT}" y1="{y}" y2="{y}" '
            'stroke="#b9cbc2" stroke-width="1"/>'
            f'<text x="{LEFT - 8}" y="{round(y + 4, 1)}" text-anchor="end" font-size="12" '
            f'fill="#47605a">{number(step, 0 if whole else max(1, pane.decimals))}</text>'
        )
    taken: list[Box] = []
    for rate in dict.fromkeys([scale.rates[0], scale.rates[-1], *scale.rates]):
        x, said = scale.x(rate), rate_words(rate)
        grid.append(
            f'<line class="axis" x1="{x}" x2="{x}" y1="{foot}" y2="{foot + 5}" '
            'stroke="#b9cbc2" stroke-width="1"/>'
        )
        half = _PLAIN * len(said) / 2 + 3
        if not clear((x - half, 0, x + half, 1), taken):
            continue
        taken.append((x - half, 0, x + half, 1))
        grid.append(
            f'<text x="{x}" y="{HEIGHT - 8}" text-anchor="middle" font-size="12" '
            f'fill="#47605a">{said}</text>'
        )
    return "".join(grid)


def firing_curve(pane: Pane, ident: str) -> str:
    """Return one pane as an SVG string.

    Parameters
    ----------
    pane : Pane
        Numbers in the unit shown.
    ident : str
        Prefix of the ids inside, one for each pane of a page; ``api.chart_spec.told`` with the same
        names the rows that stand behind the points.
    """
    scale = _Scale(pane)
    order = ("earlier", "found", "left")
    curves = sorted(enumerate(pane.curves), key=lambda c: order.index(c[1].role))
    drawn = "".join(_curve(curve, n, scale) for n, curve in curves)
    taken, lines = _dots(pane, scale), _lines(pane, scale)
    limit = _limit(pane, scale, taken, lines)
    # The typesetter drops a blank at the start of a tspan: a shift stands for it.
    head = (
        f'<text class="title" x="0" y="14" font-size="14" font-weight="700" fill="#14302a">'
        f"{escape(pane.label)}"
        f'<tspan font-weight="400" fill="#47605a" class="unit" dx="5">{escape(pane.unit)}</tspan>'
        "</text>"
    )
    title = _("{name} over firing rate", name=pane.label)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" role="img" '
        f'aria-labelledby="{ident}-t {ident}-d" font-family="B612, Verdana, sans-serif">'
        f'<title id="{ident}-t">{escape(title)}</title>'
        f'<desc id="{ident}-d">{escape(described(pane))}</desc>'
        f"{_band(pane, scale)}{_axes(pane, scale)}{limit}{drawn}"
        f"{_figures(pane, scale, taken, lines)}{head}</svg>"
    )
