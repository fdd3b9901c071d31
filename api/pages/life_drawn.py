"""A boiler's quantities over its visits, drawn at each rate, with the table behind the points."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from uuid import UUID

from markupsafe import Markup

from api.chart_spec import rate_words, spread_number
from api.pages.curve_sheet import evidence_link
from api.pages.render import fragment
from api.pages.show import Shown, label
from api.pages.sources import Spreads, plain_source
from api.pages.trends import At, limits_at, trends
from api.trend_chart import Moment, TrendPane, trend
from api.words import words
from ingest.intake_life import Life
from ingest.store.held import Held


@dataclass(frozen=True, slots=True)
class TrendDrawn:
    """One pane and the prefix of the ids of its cells in the table behind."""

    ident: str
    svg: str


@dataclass(frozen=True, slots=True)
class Cell:
    """One value of the table, at which the point of the chart is told."""

    text: str
    id: str = ""
    spread: str = ""
    href: str = ""
    source: str = ""


@dataclass(frozen=True, slots=True)
class QuantityLife:
    """One quantity over the visits: its panes, and the table behind them."""

    key: str
    label: str
    unit: str
    panes: list[TrendDrawn]
    heads: list[str]
    rows: list[tuple[str, UUID | None, list[Cell]]]


def quantity_life(
    life: Life,
    key: str,
    by_rate: dict[float, list[At]],
    shown: Shown,
    spreads: Mapping[int, Spreads] | None = None,
) -> QuantityLife:
    """Return what is shown of one quantity; ``spreads`` from ``spreads_of``, where it is made."""
    known = spreads_of(life, shown) if spreads is None else spreads
    every = [at for values in by_rate.values() for at in values]
    limits = {rate: limits_at(life, key, rate) for rate in by_rate}

    def converted(value: float | None) -> float | None:
        return None if value is None else shown.converted(key, value)

    spread = {id(at): _spread(at, key, known) for at in every}
    reached = [(shown.converted(key, at.value), spread[id(at)]) for at in every]
    top = max(value for value, _u in reached)
    found = [value + side * u for value, u in reached for side in (-1, 1)]
    ends = [converted(v) for pair in limits.values() for v in pair]
    found += [v for v in ends if v is not None and v <= 3 * max(top, 0)]
    low = 0.0 if key.startswith("co_") else min(found)
    days = [at.day for at in every]
    span = (min(days), max(days))
    if span[0] == span[1]:
        span = (span[0] - timedelta(days=30), span[1] + timedelta(days=30))
    joints = [
        (f.day, f"part-{n}") for n, f in enumerate(life.fittings) if span[0] <= f.day <= span[1]
    ]
    panes = []
    rows: dict[tuple[date, UUID | None], dict[float, Cell]] = {}
    for rate, values in by_rate.items():
        pane = TrendPane(
            label(key),
            shown.unit(key),
            shown.decimals(key),
            rate,
            [
                Moment(at.day, shown.converted(key, at.value), at.above, spread[id(at)])
                for at in values
            ],
            span,
            (low, max(found)),
            converted(limits[rate][0]),
            converted(limits[rate][1]),
            joints,
        )
        ident = f"{key}-{rate:g}".replace(".", "-")
        panes.append(TrendDrawn(ident, trend(pane, ident)))
        for n, at in enumerate(sorted(values, key=lambda at: at.day)):
            cell = _cell(at, key, shown, f"{ident}-0-{n}", spread[id(at)])
            rows.setdefault((at.day, at.visit), {})[rate] = cell
    table = [
        (words().day(day), visit, [row.get(rate, Cell("–")) for rate in by_rate])
        for (day, visit), row in sorted(rows.items(), key=lambda r: r[0][0], reverse=True)
    ]
    heads = []
    for rate in by_rate:
        limit = shown.limit(key, *limits[rate])
        heads.append(rate_words(rate) + (f" ({limit})" if limit else ""))
    return QuantityLife(key, label(key), shown.unit(key), panes, heads, table)


class Drawn:
    """The sections of a life's quantities in one language and system, each made when asked for."""

    def __init__(self, life: Life, shown: Shown) -> None:
        self.life = life
        self.found = trends(life.visits)
        self._shown = shown
        self._spreads = spreads_of(life, shown)
        self._sections: dict[str, Markup] = {}

    def section(self, key: str) -> Markup:
        """Return the section of one quantity."""
        kept = self._sections.get(key)
        if kept is None:
            made = quantity_life(self.life, key, self.found[key], self._shown, self._spreads)
            kept = self._sections[key] = fragment("life.html", q=made)
        return kept


_drawn_of: Held[Drawn] = Held(32)


def drawn_of(life: Life, shown: Shown) -> Drawn:
    """Return what is shown of each quantity: made once for as long as the life stays as it is."""
    key = (str(life.boiler.id), shown.system, words().language, str(words().locale))
    kept = _drawn_of.get(key)
    if kept is not None and _draws_as(kept.life, life):
        return kept
    drawn = Drawn(life, shown)
    _drawn_of.put(key, drawn)
    return drawn


def _draws_as(one: Life, other: Life) -> bool:
    """Return whether two lives are drawn alike; points read once are the same object."""
    return (
        (one.boiler, one.limits, one.fittings) == (other.boiler, other.limits, other.fittings)
        and len(one.visits) == len(other.visits)
        and all(
            a.points is b.points and a.visit.id == b.visit.id and a.visit.started == b.visit.started
            for a, b in zip(one.visits, other.visits, strict=True)
        )
    )


def spreads_of(life: Life, shown: Shown) -> dict[int, Spreads]:
    """Return the uncertainties of each visit of a life, by the visit's ``id()``."""
    made = Spreads.together([(one.visit, one.points) for one in life.visits], shown)
    return {id(one): found for one, found in zip(life.visits, made, strict=True)}


def _spread(at: At, key: str, spreads: Mapping[int, Spreads]) -> float:
    if at.of is None or at.point is None or at.above:
        return 0.0
    return spreads[id(at.of)].expanded(at.point, key)


def _cell(at: At, key: str, shown: Shown, ident: str, spread: float) -> Cell:
    text = (">" if at.above else "") + shown.figure(key, at.value)
    href = "" if at.of is None or at.point is None else evidence_link(at.of.visit, at.point, key)
    source = "" if at.point is None else plain_source(at.point, key).text
    said = spread_number(spread, shown.decimals(key)) if spread else ""
    return Cell(text, ident, said, href, source)
