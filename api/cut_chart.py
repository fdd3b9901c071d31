"""The time chart of a log: its traces over one time axis, the stretches of its cut as the ground.

Plain SVG from numbers, as the firing curves are (``api.charts``): it needs no script and no inline
style. Each boundary carries its place in the log, so that a script may make it movable.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from html import escape

from api.chart_scale import spread_bar
from api.chart_spec import number
from api.cut_traces import Floats, Trace, scale_steps, thinned
from api.words import _

LEFT, RIGHT, HEAD, FOOT = 46, 8, 70, 28
PANE, GAP = 120, 26
_GRIPS = 52
"""Where the grips of boundaries end; a pane's title stands between them and its first line."""
_SECONDS = (1, 2, 5, 10, 15, 30)
_MINUTES = (1, 2, 5, 10, 15, 20, 30, 60, 120, 180, 240, 360, 720, 1440)
MOST_APART = 60
"""Stretches that are drawn and asked about one by one; more are drawn together."""


@dataclass(frozen=True, slots=True)
class Stretch:
    """One stretch as it is drawn; ``rate`` in words, ``number`` of a firing point from 1.

    ``index`` is its place in the whole cut, from 0.
    """

    name: str
    start: float
    end: float
    number: int | None = None
    rate: str = ""
    index: int = 0


def clock(started: datetime, seconds: float) -> str:
    """Return the time of day of a second of the log.

    >>> clock(datetime.fromisoformat("2026-11-02T09:00:00"), 61.5)
    '09:01:01.5'
    """
    tenths = round(seconds * 10)
    when = started + timedelta(seconds=tenths / 10)
    text = f"{when:%H:%M:%S}"
    return f"{text}.{when.microsecond // 100_000}" if when.microsecond else text


class _Scale:
    def __init__(self, begin: float, end: float, width: int) -> None:
        self.begin, self.end = begin, end
        self.width = width

    def x(self, second: float) -> float:
        share = (second - self.begin) / max(self.end - self.begin, 1e-9)
        return round(LEFT + min(max(share, 0.0), 1.0) * (self.width - LEFT - RIGHT), 1)


def height(panes: int) -> int:
    """Return the height of a chart with so many panes."""
    return HEAD + panes * PANE + max(panes - 1, 0) * GAP + FOOT


def _ground_together(stretches: Sequence[Stretch], scale: _Scale, top: float, foot: float) -> str:
    stays = [(scale.x(s.start), scale.x(s.end)) for s in stretches if s.number is not None]
    drawn = "".join(f"M{a:g} {top:g}H{b:g}V{foot:g}H{a:g}z" for a, b in stays)
    wide = scale.width - LEFT - RIGHT
    return (
        f'<rect class="between" fill="url(#{scale.width}-between)" x="{LEFT}" y="{top}" '
        f'width="{wide}" height="{foot - top}"/><path class="stay" fill="#cfe3d3" d="{drawn}"/>'
    )


def _ground(stretches: Sequence[Stretch], scale: _Scale, top: float, foot: float) -> str:
    if len(stretches) > MOST_APART:
        return _ground_together(stretches, scale, top, foot)
    out = []
    for s in stretches:
        x, wide = scale.x(s.start), scale.x(s.end) - scale.x(s.start)
        if s.number is None:
            face = f'class="between" fill="url(#{scale.width}-between)"'
        else:
            face = 'class="stay" fill="#cfe3d3"'
        out.append(
            f'<rect {face} data-from="{s.start!r}" x="{x}" y="{top}" width="{round(wide, 1)}" '
            f'height="{foot - top}"><title>{escape(s.name)}</title></rect>'
        )
    return "".join(out)


def _heads(stretches: Sequence[Stretch], scale: _Scale) -> str:
    out = []
    for s in stretches:
        wide = scale.x(s.end) - scale.x(s.start)
        if s.number is None or wide < 9:
            continue
        x = round((scale.x(s.start) + scale.x(s.end)) / 2, 1)
        out.append(
            f'<text class="stay-number" data-from="{s.start!r}" x="{x}" y="15" font-size="14" '
            f'font-weight="700" text-anchor="middle" fill="#14302a">{s.number}</text>'
        )
        if s.rate and wide >= 8.2 * len(s.rate):
            out.append(
                f'<text class="stay-rate" data-from="{s.start!r}" x="{x}" y="31" font-size="12" '
                f'text-anchor="middle" fill="#47605a">{escape(s.rate)}</text>'
            )
    return "".join(out)


def _boundaries(stretches: Sequence[Stretch], scale: _Scale, foot: float, started: datetime) -> str:
    if len(stretches) > MOST_APART:
        return ""
    out = []
    for n, s in enumerate(stretches[:-1]):
        if not scale.begin < s.end < scale.end:
            continue
        x = scale.x(s.end)
        said = _(
            "{before} ends, {after} begins, {at}",
            before=s.name,
            after=stretches[n + 1].name,
            at=clock(started, s.end),
        )
        out.append(
            f'<g class="boundary" data-boundary="{s.index}" data-at="{s.end!r}" '
            f'transform="translate({x} 0)"><title>{escape(said)}</title>'
            f'<rect class="touch" x="-12" y="{_GRIPS - 18}" width="24" '
            f'height="{foot - _GRIPS + 18}" '
            'fill="none" pointer-events="all"/>'
            f'<line class="cut-line" x1="0" x2="0" y1="{_GRIPS - 6}" y2="{foot}" stroke="#b08a3c" '
            'stroke-width="1.5"/>'
            f'<path class="grip" d="M-5,{_GRIPS - 16}h10v8l-5,6l-5,-6z" fill="#b08a3c"/></g>'
        )
    return "".join(out)


def _line_of(role: str) -> tuple[str, str]:
    """Return the colour of a mean by its phase, and how it is broken."""
    color = {"left": "#1a56b0", "found": "#6d7471"}.get(role, "#14302a")
    return color, ' stroke-dasharray="9 5"' if role == "found" else ""


def _levels(
    trace: Trace, n: int, scale: _Scale, y: Callable[[float], float], ends: tuple[float, float]
) -> list[str]:
    if len(trace.levels) > MOST_APART:
        return _levels_together(trace, scale, y)
    low, high = ends
    out = []
    for place, level in enumerate(trace.levels):
        told = f' data-point="{n}-{place}" data-row="{level.row}"' if level.row else ""
        if level.spread > 0:
            reach = y(level.value - level.spread), y(level.value + level.spread)
            closed = (level.value - level.spread >= low, level.value + level.spread <= high)
            middle = (scale.x(level.since) + scale.x(level.end)) / 2
            out.append(spread_bar(middle, reach, closed, 2, level.role or "mean"))
        color, dashes = _line_of(level.role)
        out.append(
            f'<line class="level {level.role or "mean"}"{told} x1="{scale.x(level.since)}" '
            f'x2="{scale.x(level.end)}" y1="{y(level.value)}" y2="{y(level.value)}" '
            f'stroke="{color}" stroke-width="3.5"{dashes}/>'
        )
    return out


def _levels_together(trace: Trace, scale: _Scale, y: Callable[[float], float]) -> list[str]:
    """Return the means of many stays, one line for each phase: none can be pointed at."""
    drawn: dict[str, str] = {}
    for level in trace.levels:
        line = f"M{scale.x(level.since):g} {y(level.value):g}H{scale.x(level.end):g}"
        drawn[level.role] = drawn.get(level.role, "") + line
    return [
        f'<path class="level {role or "mean"}" d="{d}" stroke="{_line_of(role)[0]}" '
        'stroke-width="3.5"/>'
        for role, d in drawn.items()
    ]


def _pane(
    trace: Trace, n: int, times: Floats, scale: _Scale, top: float, stays: Sequence[Stretch]
) -> str:
    steps = scale_steps(trace, times, [(s.start, s.end) for s in stays])
    low, high = steps[0], steps[-1]

    def y(value: float) -> float:
        share = (min(max(value, low), high) - low) / (high - low)
        return round(top + PANE - share * PANE, 1)

    decimals = 0 if all(float(s).is_integer() for s in steps) else max(1, trace.decimals)
    out = []
    for step in steps:
        out.append(
            f'<line class="axis" x1="{LEFT}" x2="{scale.width - RIGHT}" y1="{y(step)}" '
            f'y2="{y(step)}" stroke="#b9cbc2" stroke-width="1"/>'
            f'<text x="{LEFT - 7}" y="{round(y(step) + 4, 1)}" text-anchor="end" font-size="12" '
            f'fill="#47605a">{number(step, decimals)}</text>'
        )
    runs = thinned(times, trace.values, scale.width - LEFT - RIGHT)
    path = "".join(
        "M" + "L".join(f"{scale.x(t):g},{y(v):g}" for t, v in run) for run in runs if run
    )
    out.append(
        f'<path class="trace" d="{path}" fill="none" stroke="#47605a" stroke-width="1" '
        'stroke-linejoin="round"/>'
    )
    out += _levels(trace, n, scale, y, (low, high))
    return "".join(out)


def _title(trace: Trace, top: float) -> str:
    """Return a pane's title: above the pane, and over the boundaries that pass there."""
    return (
        f'<text class="title" x="{LEFT}" y="{top - 6}" font-size="13" font-weight="700" '
        'fill="#14302a" stroke="#eef4f0" stroke-width="5" stroke-linejoin="round" '
        f'paint-order="stroke" pointer-events="none">{escape(trace.label)}'
        f'<tspan font-weight="400" fill="#47605a"> {escape(trace.unit)}</tspan></text>'
    )


def _time_axis(scale: _Scale, started: datetime, foot: float) -> str:
    seconds, wide = scale.end - scale.begin, scale.width - LEFT - RIGHT
    steps = [(s, 80) for s in _SECONDS] + [(60 * m, 62) for m in _MINUTES]
    fits = (step for step, room in steps if seconds / step <= max(2, wide // room))
    step = next(fits, steps[-1][0])
    form = "%H:%M:%S" if step < 60 else "%H:%M"
    of_day = started.hour * 3600 + started.minute * 60 + started.second + scale.begin
    second = scale.begin + (-of_day) % step
    out = []
    while second <= scale.end:
        x = scale.x(second)
        anchor = "end" if x > scale.width - RIGHT - 18 else "middle"
        out.append(
            f'<line class="axis" x1="{x}" x2="{x}" y1="{foot}" y2="{foot + 5}" stroke="#b9cbc2"/>'
            f'<text x="{x}" y="{foot + 20}" text-anchor="{anchor}" font-size="12" '
            f'fill="#47605a">{started + timedelta(seconds=second):{form}}</text>'
        )
        second += step
    return "".join(out)


def described(stretches: Sequence[Stretch], started: datetime) -> str:
    """Return the cut in words, for whoever cannot see the chart."""
    if len(stretches) > MOST_APART:
        return _(
            "{n} stretches from {start} to {end}, {points} of them firing points.",
            n=len(stretches),
            start=clock(started, stretches[0].start),
            end=clock(started, stretches[-1].end),
            points=sum(s.number is not None for s in stretches),
        )
    return " ".join(
        _(
            "{name} from {start} to {end}{rate}.",
            name=s.name,
            start=clock(started, s.start),
            end=clock(started, s.end),
            rate=f", {s.rate}" if s.rate else "",
        )
        for s in stretches
    )


def time_chart(
    times: Floats,
    traces: Sequence[Trace],
    stretches: Sequence[Stretch],
    *,
    started: datetime,
    width: int,
    ident: str,
    window: tuple[float, float] | None = None,
) -> str:
    """Return the chart of a log as an SVG string.

    Parameters
    ----------
    times : array, shape (n,)
        Seconds since ``started``, at least two, ascending.
    traces : sequence of Trace
        One pane each, in the units shown.
    stretches : sequence of Stretch
        The cut, in order and without gaps; of a window those that reach into it.
    started : datetime
        Time of second 0.
    width : int
        Of the drawing; its text is legible at this many pixels.
    ident : str
        Prefix of the ids inside.
    window : (float, float), optional
        Ends of the time axis [s]; those of ``times`` where none is given.
    """
    scale = _Scale(*(window or (float(times[0]), float(times[-1]))), width)
    tall = height(len(traces))
    foot = tall - FOOT
    stays = [s for s in stretches if s.number is not None]
    tops = [HEAD + n * (PANE + GAP) for n in range(len(traces))]
    panes = "".join(_pane(trace, n, times, scale, tops[n], stays) for n, trace in enumerate(traces))
    titles = "".join(_title(trace, top) for trace, top in zip(traces, tops, strict=True))
    hatch = (
        f'<defs><pattern id="{width}-between" width="6" height="6" patternUnits="userSpaceOnUse" '
        'patternTransform="rotate(45)"><line class="hatch" x1="0" x2="0" y1="0" y2="6" '
        'stroke="#b9cbc2" stroke-width="1.5"/></pattern></defs>'
    )
    title = _("{names} over time", names=", ".join(t.label for t in traces))
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {tall}" role="group" '
        f'aria-labelledby="{ident}-t {ident}-d" font-family="B612, Verdana, sans-serif" '
        f'data-begin="{scale.begin!r}" data-end="{scale.end!r}" data-left="{LEFT}" '
        f'data-right="{width - RIGHT}">'
        f'<title id="{ident}-t">{escape(title)}</title>'
        f'<desc id="{ident}-d">{escape(described(stretches, started))}</desc>{hatch}'
        f"{_ground(stretches, scale, HEAD, foot)}{panes}{_time_axis(scale, started, foot)}"
        f"{_heads(stretches, scale)}{_boundaries(stretches, scale, foot, started)}{titles}</svg>"
    )
