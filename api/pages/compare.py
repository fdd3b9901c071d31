"""Two visits side by side: values and differences at each rate, flags, both curves in one chart."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from uuid import UUID

from fastapi import APIRouter, Request, Response

from api.chart_spec import Curve, Mark, Pane, number, rate_words
from api.pages.curve_sheet import drawn, evidence_link
from api.pages.curves import PANES, last_pass
from api.pages.facts import flag_view
from api.pages.render import page, shown_for
from api.pages.show import Shown, label
from api.pages.sources import Spreads, plain_source
from api.pages.trends import FIRST, values_of
from api.routes.shared import IntakeOf
from api.words import _, words
from combustion.quantities import QUANTITIES
from ingest.intake import VisitView
from ingest.store import NotFound

router = APIRouter(include_in_schema=False)

Values = Mapping[float, Mapping[str, tuple[float, bool]]]


@dataclass(frozen=True, slots=True)
class Beside:
    """One quantity at one rate of both visits, and how much the second differs."""

    rate: str
    one: str
    other: str
    change: str


@dataclass(frozen=True, slots=True)
class Compared:
    """One quantity at all rates."""

    key: str
    label: str
    unit: str
    rows: list[Beside]


def _text(read: tuple[float, bool] | None, key: str, shown: Shown) -> str:
    return "–" if read is None else (">" if read[1] else "") + shown.figure(key, read[0])


def signed(value: float, decimals: int) -> str:
    """Return a difference with its sign; one that is nothing as shown has none.

    >>> signed(0.26, 1), signed(-0.26, 1), signed(0.01, 1)
    ('+0.3', '−0.3', '0.0')
    """
    said = number(value, decimals)
    return said if said.startswith("−") or not any(c in said for c in "123456789") else f"+{said}"


def _change(
    one: tuple[float, bool] | None, other: tuple[float, bool] | None, key: str, shown: Shown
) -> str:
    """Return the difference of the numbers as shown; none where either lies above what was shown.

    Whoever takes one number from the other finds it, which the unrounded ones would not grant.
    """
    if one is None or other is None or one[1] or other[1]:
        return "–"
    decimals = shown.decimals(key)
    before, after = (round(shown.converted(key, v[0]), decimals) for v in (one, other))
    return signed(after - before, decimals)


def compared(one: Values, other: Values, shown: Shown) -> list[Compared]:
    """Return the quantities that either visit has, those first that matter first."""
    keys = {k for values in (one, other) for found in values.values() for k in found}
    rates = sorted({*one, *other})
    order = [k for k in FIRST if k in keys] + [k for k in QUANTITIES if k in keys]
    out = []
    for key in dict.fromkeys(order):
        rows = []
        for rate in rates:
            a, b = one.get(rate, {}).get(key), other.get(rate, {}).get(key)
            if a is None and b is None:
                continue
            rows.append(
                Beside(
                    rate_words(rate),
                    _text(a, key, shown),
                    _text(b, key, shown),
                    _change(a, b, key, shown),
                )
            )
        out.append(Compared(key, label(key), shown.unit(key), rows))
    return out


def _pane(key: str, views: Sequence[tuple[str, VisitView]], shown: Shown) -> Pane:
    # The earlier one is drawn as what was found before: ash, broken; the later one as left.
    (one, first), (other, second) = views
    curves = [
        Curve(other, "left", _marks(second, key, shown)),
        Curve(one, "found", _marks(first, key, shown)),
    ]
    return Pane(
        key=key,
        label=label(key),
        unit=shown.unit(key),
        decimals=shown.decimals(key),
        curves=[c for c in curves if c.marks],
    )


def _marks(view: VisitView, key: str, shown: Shown) -> list[Mark]:
    spreads, values = Spreads(view.whole, shown, view.points), values_of(view.points)
    marks = []
    for index in last_pass(view.points, "as_left"):
        point = view.points[index]
        read = values[point.key.firing_rate].get(key)
        if read is not None:
            marks.append(
                Mark(
                    point.key.firing_rate,
                    shown.converted(key, read[0]),
                    read[1],
                    spreads.expanded(point, key),
                    plain_source(point, key).text,
                    evidence_link(view.visit, point, key),
                )
            )
    return marks


def _view(intake: IntakeOf, text: str) -> VisitView | None:
    try:
        return intake.visit(UUID(text))
    except (ValueError, NotFound):
        return None


def _boiler(view: VisitView) -> str:
    return _("Boiler not yet known") if view.boiler is None else view.boiler.name


def _names(first: VisitView, second: VisitView) -> tuple[str, str]:
    """Return how two visits are told apart: of one boiler by their days, else by boiler and day."""
    days = words().day(first.visit.started), words().day(second.visit.started)
    same = first.visit.boiler_id is not None and first.visit.boiler_id == second.visit.boiler_id
    if same and days[0] != days[1]:
        return days
    return f"{_boiler(first)}, {days[0]}", f"{_boiler(second)}, {days[1]}"


@router.get("/compare")
def compare(request: Request, intake: IntakeOf, a: str = "", b: str = "") -> Response:
    """Show two visits beside each other."""
    first, second = _view(intake, a), _view(intake, b)
    if first is None or second is None:
        return page(
            request,
            "problem.html",
            title=_("Not found"),
            status=404,
            heading=_("Two visits are needed"),
            detail=_(
                "At least one of the two is not in this book. Choose them on a boiler's page."
            ),
        )
    shown = shown_for(request)
    one, other = values_of(first.points), values_of(second.points)
    names = _names(first, second)
    panes = []
    for key in (*PANES, "efficiency_net"):
        pane = _pane(key, ((names[0], first), (names[1], second)), shown)
        if pane.curves:
            panes.append(drawn(pane, f"pane-{key}"))
    return page(
        request,
        "compare.html",
        title=_("Side by side"),
        names=names,
        ids=(a, b),
        boiler=second.visit.boiler_id,
        boiler_name="" if first.visit.boiler_id != second.visit.boiler_id else _boiler(second),
        panes=panes,
        compared=compared(one, other, shown),
        flags=[
            [flag_view(f, v.points, shown, lambda point, key: None) for f in v.judgement.flags]
            for v in (first, second)
        ],
    )
