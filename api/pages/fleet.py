"""The fleet: which boilers drift, and where efficiency is lost, in money where a price is given."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any
from urllib.parse import urlencode

from fastapi import APIRouter, Request, Response

from api.chart_spec import number, rate_words
from api.fleet_count import FleetCount
from api.pages.compare import signed
from api.pages.numbers import typed_number
from api.pages.render import page, shown_for, size_of_page
from api.pages.show import Shown
from api.pages.trends import At, drift_a_year, trends
from api.routes.shared import IntakeOf, SettingsOf
from api.words import _, words
from combustion.money import LoadBand, yearly_saving
from combustion.refusals import OutOfRange
from combustion.units import conversion
from ingest.intake_life import Life
from ingest.store.fleet import SORTS, BoilerTrend, FleetBoiler

router = APIRouter(prefix="/fleet", include_in_schema=False)


def _mean(values: list[float]) -> float | None:
    return sum(values) / len(values) if values else None


def boiler_trend(life: Life) -> BoilerTrend:
    """Return what a boiler's visits come to."""
    found = trends(life.visits)
    net = found.get("efficiency_net", {})
    drifts = [d for values in net.values() if (d := drift_a_year(values)) is not None]
    lost = [max(v.value for v in values) - values[-1].value for values in net.values()]
    o2 = {r: d for r, v in found.get("o2_dry", {}).items() if (d := drift_a_year(v)) is not None}
    days = [e.visit.started for e in life.visits if e.visit.started is not None]
    return BoilerTrend(
        len(life.visits),
        days[-1].date() if days else None,
        o2,
        _mean(drifts),
        _mean(lost),
        _wasted(life, net),
    )


def _wasted(life: Life, net: Mapping[float, list[At]]) -> float | None:
    """Return the gross heat lost in an hour of firing [kWh/h].

    The hour is shared evenly by the rates, each at that share of the rated input.
    """
    rated = life.boiler.rated_input
    if rated is None or not net:
        return None
    bands = [
        LoadBand(1 / len(net), rated * rate / 100, max(v.value for v in values), values[-1].value)
        for rate, values in net.items()
    ]
    try:
        return -yearly_saving(bands, 0.0).fuel_saved
    except OutOfRange:
        return None


def _given(request: Request, name: str) -> tuple[str, float | None]:
    text = request.query_params.get(name, "").strip()[:20]
    try:
        value = typed_number(text)
    except ValueError:
        return text, None
    return text, value if value > 0 else None


def _drift(value: float | None, decimals: int = 2) -> str:
    return "–" if value is None else signed(value, decimals)


def fleet_count_of(request: Request) -> FleetCount:
    """Return what sums up the fleet of the book behind an address."""
    found: FleetCount = request.app.state.fleet_count
    return found


@router.get("")
def fleet(request: Request, intake: IntakeOf, settings: SettingsOf) -> Response:
    """Show all boilers by what they lose."""
    shown: Shown = shown_for(request)
    price_text, price = _given(request, "price")
    hours_text, hours = _given(request, "hours")
    if hours is not None and hours > 8784:
        hours = None
    by = request.query_params.get("sort", "money")
    by = by if by in SORTS else "money"
    a_kwh = conversion("kWh", "MMBtu")(1.0) if shown.system == "us" else 1.0
    worth = None if price is None or hours is None else price * a_kwh * hours
    skip, size = size_of_page(request, settings)
    left = fleet_count_of(request).left()
    rows = intake.fleet_so_far(by, worth, skip=skip, most=size + 1)
    kept = {k: v for k, v in (("price", price_text), ("hours", hours_text)) if v}
    further = {**kept, "sort": by, "skip": str(skip + size)} if len(rows) > size else {}
    return page(
        request,
        "fleet.html",
        title=_("Fleet"),
        headline=_headline(rows, worth) if by == "money" and not skip else "",
        by=by,
        sorts={s: urlencode({**kept, "sort": s}) for s in SORTS},
        next=urlencode(further),
        price=price_text,
        hours=hours_text,
        unclear=bool(price_text or hours_text) and worth is None,
        priced=worth is not None,
        left=left,
        again=urlencode({**kept, "sort": by}),
        shown_system=shown.system,
        rows=[_row(r, worth) for r in rows[:size]],
    )


def _headline(rows: Sequence[FleetBoiler], worth: float | None) -> str:
    """Return where most is lost, as a sentence; empty where nobody can tell yet."""
    known = [row for row in rows if row.trend.lost is not None]
    if not known:
        return ""
    most = _row(known[0], worth)
    if number(known[0].trend.lost or 0.0, 1) == number(0.0, 1):
        return _("No boiler has lost efficiency since its best visit.")
    if worth is not None and known[0].trend.wasted is not None:
        return _("Most is lost at {name}: {money} a year, {lost} points of net efficiency.", **most)
    return _("Most is lost at {name}: {lost} points of net efficiency.", **most)


def _row(row: FleetBoiler, worth: float | None) -> dict[str, Any]:
    trend = row.trend
    money = None if worth is None or trend.wasted is None else trend.wasted * worth
    return {
        "id": row.id,
        "name": row.name,
        "site": row.site,
        "visits": trend.visits,
        "last": "–" if trend.last is None else words().day(trend.last),
        "o2": [(rate_words(rate), _drift(d)) for rate, d in trend.o2_drift.items()],
        "efficiency": _drift(trend.efficiency_drift),
        "lost": "–" if trend.lost is None else number(trend.lost, 1),
        "money": "–" if money is None else number(money, 0),
    }
