"""The curve sheet of a visit: three panes, drawn once, for the page and the report alike."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from functools import lru_cache
from typing import Any
from urllib.parse import urlencode

from api.chart_spec import BandEnd, Curve, Mark, Pane, Told, told
from api.charts import firing_curve
from api.key_words import key_said
from api.pages.computed import computed
from api.pages.curves import PANES, Computed, last_pass, reading_of
from api.pages.show import Shown, day, label
from api.pages.sources import Sources, Spreads, Whence, measured, plain_source
from api.words import N_, _, words
from ingest.earlier import EarlierVisit
from ingest.models import Visit
from ingest.store.held import Held, HeldBeside
from parsers import FiringPoint, Phase

EARLIER_DRAWN = 3
"""Visits before this one whose curves as left are drawn."""

_LIMITS = {
    "co_air_free": ("co_air_free_fix", N_("fix from")),
    "stack_temperature": ("stack_temperature_max", N_("at most")),
}


@dataclass(frozen=True, slots=True)
class Drawn:
    """One pane as its specification, its drawing, and the rows of the table behind it."""

    pane: Pane
    ident: str
    svg: str
    rows: Sequence[Told]


_drawings: Held[Drawn] = Held(512)


def drawn(pane: Pane, ident: str) -> Drawn:
    """Return a pane with its drawing and its rows: the same content is drawn once."""

    def made() -> Drawn:
        return Drawn(pane, ident, firing_curve(pane, ident), told(pane, ident))

    return _drawings.get_or_make((words(), ident, _content(pane)), made)


def _content(of: Any) -> Any:
    """Return all that a specification says, as something to hold its drawing by."""
    if isinstance(of, Pane | Curve):
        return tuple(_content(getattr(of, one.name)) for one in fields(of))
    return tuple(map(_content, of)) if isinstance(of, list | tuple) else of


def curve_sheet(
    points: Sequence[FiringPoint],
    visit: Visit,
    limits: Mapping[str, Any],
    shown: Shown,
    history: Sequence[EarlierVisit] = (),
    source: Sources = plain_source,
) -> list[Drawn]:
    """Return the panes for O2, CO and stack temperature that have a curve.

    Parameters
    ----------
    points : sequence of FiringPoint
        Of the visit.
    visit : Visit
        Its instrument's accuracy is what the uncertainties are made of.
    limits : mapping
        The snapshot that it is judged with.
    shown : Shown
        The reader's units.
    history : sequence of EarlierVisit
        Oldest first; the curves as left of the last few are drawn as hairlines.
    source : callable
        Says where a value comes from.
    """
    found = panes(points, visit, limits, shown, history, source)
    return [drawn(pane, f"pane-{pane.key}") for pane in found if pane.curves]


def evidence_link(visit: Visit, point: FiringPoint, key: str) -> str:
    """Return the address that leads to a value's line at another visit."""
    if visit.id is None:
        return ""
    asked = _asked(point.key.phase, point.key.firing_rate, measured(key))
    return f"/visits/{visit.id}/evidence?{asked}"


@lru_cache(maxsize=4096)
def _asked(phase: Phase, rate: float, quantity: str) -> str:
    return urlencode({"phase": phase, "rate": f"{rate:g}", "quantity": quantity})


def panes(
    points: Sequence[FiringPoint],
    visit: Visit,
    limits: Mapping[str, Any],
    shown: Shown,
    history: Sequence[EarlierVisit] = (),
    source: Sources = plain_source,
) -> list[Pane]:
    """Return the three panes in the reader's units; CO air-free where it is computed."""
    if not points:
        return []
    numbers = computed(points)
    spreads = Spreads(visit, shown, points)
    found = []
    for key in PANES:
        if key == "co_air_free" and not any(key in c for c in numbers.values()):
            key = "co_dry"
        curves = [
            *_curves(points, numbers, "as_left", key, shown, spreads, source),
            *_curves(points, numbers, "as_found", key, shown, spreads, source),
            *(_earlier(one, key, shown) for one in history[-EARLIER_DRAWN:]),
        ]
        limit, name = _limit(key, limits, shown)
        found.append(
            Pane(
                key=key,
                label=label(key),
                unit=shown.unit(key),
                decimals=shown.decimals(key),
                curves=[c for c in curves if c.marks],
                band=_band(limits) if key == "o2_dry" else (),
                limit=limit,
                limit_name=name,
            )
        )
    return found


def _curves(
    points: Sequence[FiringPoint],
    numbers: Computed,
    phase: Phase,
    key: str,
    shown: Shown,
    spreads: Spreads,
    source: Sources,
) -> list[Curve]:
    """Return a curve of a phase for each burner and fuel, named where there are several."""
    groups = dict.fromkeys((p.key.burner, p.key.fuel) for p in points if p.key.phase == phase)
    burners, fuels = ({g[n] for g in groups} for n in (0, 1))
    out = []
    for burner, fuel in groups:
        name = _("As left") if phase == "as_left" else _("As found")
        if len(burners) > 1:
            name += ", " + _("burner {name}", name=burner)
        if len(fuels) > 1:
            name += f", {key_said(fuel)}"
        mine = [i for i, p in enumerate(points) if (p.key.burner, p.key.fuel) == (burner, fuel)]
        marks = []
        for index in last_pass(points, phase, mine):
            read = reading_of(points, numbers, index, key)
            if read is not None:
                whence = source(points[index], key)
                marks.append(_mark(points[index], key, read, shown, spreads, whence))
        out.append(Curve(name, "left" if phase == "as_left" else "found", marks))
    return out


def _mark(
    point: FiringPoint,
    key: str,
    read: tuple[float, bool],
    shown: Shown,
    spreads: Spreads,
    whence: Whence,
) -> Mark:
    return Mark(
        point.key.firing_rate,
        shown.converted(key, read[0]),
        read[1],
        spreads.expanded(point, key),
        whence.text,
        whence.href,
    )


_curves_before: HeldBeside[Curve] = HeldBeside(1024)


def _earlier(one: EarlierVisit, key: str, shown: Shown) -> Curve:
    """Return an earlier visit's curve: the same visit stands behind several later ones."""
    what = (key, shown.system, words())
    return _curves_before.get_or_make(one, what, lambda: _curve_before(one, key, shown))


def _curve_before(one: EarlierVisit, key: str, shown: Shown) -> Curve:
    numbers, spreads = computed(one.points), Spreads(one.visit, shown)
    marks = []
    for index in last_pass(one.points, "as_left"):
        read = reading_of(one.points, numbers, index, key)
        if read is not None:
            point = one.points[index]
            whence = Whence(plain_source(point, key).text, evidence_link(one.visit, point, key))
            marks.append(_mark(point, key, read, shown, spreads, whence))
    return Curve(_("As left, {day}", day=day(one.visit.started)), "earlier", marks)


def _band(limits: Mapping[str, Any]) -> list[BandEnd]:
    return [
        BandEnd(t["firing_rate"], t["o2_dry"].get("low"), t["o2_dry"].get("high"))
        for t in limits["targets"]
        if t.get("o2_dry")
    ]


def _limit(key: str, limits: Mapping[str, Any], shown: Shown) -> tuple[float | None, str]:
    name, said = _LIMITS.get(key, ("", N_("limit")))
    value = limits["limits"].get(name, {}).get("value")
    if not isinstance(value, int | float):
        return None, said
    return shown.converted(key, float(value)), said
