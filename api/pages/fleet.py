"""The fleet: which boilers drift, and where efficiency is lost, in money where a price is given."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from urllib.parse import urlencode
from uuid import UUID

from fastapi import APIRouter, Request, Response

from api.charts import number
from api.pages.compare import signed
from api.pages.numbers import typed_number
from api.pages.render import page, shown_for
from api.pages.show import Shown
from api.pages.trends import At, drift_a_year, trends
from api.routes.shared import IntakeOf
from api.words import _, words
from combustion.money import LoadBand, yearly_saving
from combustion.refusals import OutOfRange
from ingest.intake_life import Life

router = APIRouter(prefix="/fleet", include_in_schema=False)

SORTS = ("money", "efficiency", "o2", "name")


@dataclass(frozen=True, slots=True)
class FleetRow:
    """One boiler of the fleet; numbers are None where the book has too little for them.

    Attributes
    ----------
    o2_drift : mapping of firing rate to float
        O2 [percentage points per year].
    efficiency_drift : float or None
        Net efficiency, mean over the rates [percentage points per year].
    lost : float or None
        Net efficiency now below the best of its visits, mean over the rates [points].
    money : float or None
        What that costs a year, in the currency of the price.
    """

    id: UUID | None
    name: str
    site: str
    visits: int
    last: str
    o2_drift: Mapping[float, float]
    efficiency_drift: float | None
    lost: float | None
    money: float | None

    @property
    def worst_o2(self) -> float | None:
        """Return the largest drift of O2 at any rate, either way."""
        return max((abs(d) for d in self.o2_drift.values()), default=None)


def _mean(values: list[float]) -> float | None:
    return sum(values) / len(values) if values else None


def fleet_row(life: Life, price: float | None, hours: float | None) -> FleetRow:
    """Return a boiler's row.

    The money is for ``hours`` a year shared evenly by its rates, each at that share of the rated
    input, at a price for gross heat.
    """
    found = trends(life.visits)
    net = found.get("efficiency_net", {})
    drifts = [d for values in net.values() if (d := drift_a_year(values)) is not None]
    lost = [max(v.value for v in values) - values[-1].value for values in net.values()]
    o2 = {r: d for r, v in found.get("o2_dry", {}).items() if (d := drift_a_year(v)) is not None}
    days = [e.visit.started for e in life.visits if e.visit.started is not None]
    return FleetRow(
        life.boiler.id,
        life.boiler.name,
        "" if life.site is None else life.site.name,
        len(life.visits),
        words().day(days[-1]) if days else "–",
        o2,
        _mean(drifts),
        _mean(lost),
        _money(life, net, price, hours),
    )


def _money(
    life: Life, net: Mapping[float, list[At]], price: float | None, hours: float | None
) -> float | None:
    rated = life.boiler.rated_input
    if price is None or hours is None or rated is None or not net:
        return None
    bands = [
        LoadBand(
            hours / len(net),
            rated * rate / 100,
            max(v.value for v in values),
            values[-1].value,
        )
        for rate, values in net.items()
    ]
    try:
        return -yearly_saving(bands, price).money_saved
    except OutOfRange:
        return None


def _given(request: Request, name: str) -> tuple[str, float | None]:
    text = request.query_params.get(name, "").strip()[:20]
    try:
        value = typed_number(text)
    except ValueError:
        return text, None
    return text, value if value > 0 else None


def _sorted(rows: list[FleetRow], by: str) -> list[FleetRow]:
    def key(row: FleetRow) -> float:
        if by == "o2":
            return -(row.worst_o2 or 0.0)
        if by == "efficiency":
            return row.efficiency_drift or 0.0
        return -(row.money if row.money is not None else row.lost or 0.0)

    if by == "name":
        return sorted(rows, key=lambda r: (r.site, r.name))
    return sorted(rows, key=key)


def _drift(value: float | None, decimals: int = 2) -> str:
    return "–" if value is None else signed(value, decimals)


@router.get("")
def fleet(request: Request, intake: IntakeOf) -> Response:
    """Show all boilers by what they lose."""
    shown: Shown = shown_for(request)
    price_text, price = _given(request, "price")
    hours_text, hours = _given(request, "hours")
    if hours is not None and hours > 8784:
        hours = None
    by = request.query_params.get("sort", "money")
    by = by if by in SORTS else "money"
    lives = [intake.life(b.id) for b in intake.boilers() if b.id is not None]
    rows = _sorted([fleet_row(life, price, hours) for life in lives], by)
    kept = {k: v for k, v in (("price", price_text), ("hours", hours_text)) if v}
    return page(
        request,
        "fleet.html",
        title=_("Fleet"),
        by=by,
        sorts={s: urlencode({**kept, "sort": s}) for s in SORTS},
        price=price_text,
        hours=hours_text,
        unclear=bool(price_text or hours_text) and (price is None or hours is None),
        priced=price is not None and hours is not None,
        shown_system=shown.system,
        rows=[
            {
                "id": r.id,
                "name": r.name,
                "site": r.site,
                "visits": r.visits,
                "last": r.last,
                "o2": [(f"{rate:g} %", _drift(d)) for rate, d in r.o2_drift.items()],
                "efficiency": _drift(r.efficiency_drift),
                "lost": "–" if r.lost is None else number(r.lost, 1),
                "money": "–" if r.money is None else number(r.money, 0),
            }
            for r in rows
        ],
    )
