"""A page of charts in odd cases, to be looked at: ``python -m tests.odd_charts > odd.html``.

The tests draw the same cases and hold that nothing lies on anything else or leaves its pane.
"""

from __future__ import annotations

from datetime import date, timedelta
from html import escape
from importlib.resources import files
from typing import Literal

from api.chart_spec import BandEnd, Curve, Mark, Pane
from api.charts import firing_curve
from api.trend_chart import Moment, TrendPane, trend

Role = Literal["left", "found", "earlier"]


def _marks(*pairs: tuple[float, float], spread: float = 0.0) -> list[Mark]:
    return [Mark(rate, value, spread=spread) for rate, value in pairs]


def _o2(*curves: Curve, band: bool = True) -> Pane:
    ends = [BandEnd(25.0, 4.8, 7.0), BandEnd(100.0, 2.5, 4.7)] if band else []
    return Pane("o2_dry", "O2", "%", 1, curves, ends)


def _co(*curves: Curve, limit: float = 200.0) -> Pane:
    return Pane("co_air_free", "CO air-free", "ppm", 0, curves, (), limit, "fix from")


def _stack(*curves: Curve, limit: float | None = 240.0) -> Pane:
    return Pane("stack_temperature", "Stack", "°C", 0, curves, (), limit, "at most")


def _line(name: str, role: Role, *values: float, spread: float = 0.0) -> Curve:
    return Curve(name, role, _marks(*zip(_FOUR, values, strict=True), spread=spread))


_FOUR = (25.0, 50.0, 75.0, 100.0)
_OVER = Mark(100.0, 2000.0, True)
_TWELVE = tuple(round(20 + 80 * n / 11, 1) for n in range(12))

PANES: dict[str, Pane] = {
    "one rate only": _o2(
        Curve("As left", "left", _marks((50.0, 4.1), spread=0.3)),
        Curve("As found", "found", _marks((50.0, 4.2), spread=0.3)),
        Curve("As left, 3 May 2025", "earlier", _marks((50.0, 4.4))),
    ),
    "a rate missing as found": _o2(
        _line("As left", "left", 6.0, 5.0, 4.1, 3.6),
        Curve("As found", "found", _marks((25.0, 8.1), (75.0, 5.9), (100.0, 3.4))),
    ),
    "as found and as left doubled": _o2(
        _line("As left", "left", 6.0, 5.0, 4.1, 3.6, spread=0.3),
        _line("As found", "found", 6.0, 5.0, 4.1, 3.6, spread=0.3),
    ),
    "crossing": _o2(
        _line("As left", "left", 6.5, 5.1, 4.0, 3.0, spread=0.2),
        _line("As found", "found", 3.2, 4.4, 4.6, 6.4, spread=0.2),
    ),
    "two burners": _o2(
        _line("As left, burner 1", "left", 6.1, 5.0, 4.2, 3.5),
        _line("As left, burner 2", "left", 6.6, 5.4, 4.5, 3.9),
    ),
    "twelve rates": _o2(
        Curve("As left", "left", _marks(*((r, 7.0 - r / 30) for r in _TWELVE), spread=0.3)),
        Curve("As found", "found", _marks(*((r, 7.6 - r / 28) for r in _TWELVE), spread=0.3)),
    ),
    "CO of 0 and 2000": _co(
        Curve("As left", "left", [*_marks((25.0, 0.0), (50.0, 12.0), (75.0, 900.0)), _OVER]),
        Curve("As found", "found", [Mark(25.0, 0.0, spread=5.8), _OVER]),
    ),
    "CO, all nothing": _co(Curve("As left", "left", _marks(*((r, 0.0) for r in _FOUR)))),
    "CO at its limit": _co(
        Curve("As left", "left", _marks((25.0, 190.0), (100.0, 204.0), spread=24.0)), limit=200.0
    ),
    "condensing stack temperature": _stack(
        Curve("As left", "left", _marks((20.0, 38.0), (60.0, 47.0), (100.0, 56.0), spread=2.1)),
        limit=110.0,
    ),
    "stack in °F": Pane(
        "stack_temperature", "Temperatura de chimenea", "°F", 0,
        [Curve("Como se dejó", "left", _marks((25.0, 305.0), (100.0, 1408.0), spread=14.0))],
        (), 455.0, "at most",
    ),
    "long limit words": Pane(
        "stack_temperature", "Temperatura de chimenea", "°C", 0,
        [Curve("Como se dejó", "left", _marks((25.0, 45.0), (100.0, 61.0), spread=2.0))],
        (), 455.0, "at most",
    ),
    "negative draft": Pane(
        "stack_draft", "Draft", "Pa", 0,
        [
            Curve("As left", "left", _marks((25.0, -14.0), (50.0, -9.0), (100.0, 3.0), spread=2)),
            Curve("As found", "found", _marks((25.0, -2.0), (50.0, -8.0), (100.0, -9.0), spread=2)),
        ],
    ),
    "earlier visits alone": _o2(
        Curve("As left, 3 May 2025", "earlier", _marks((25.0, 5.8), (100.0, 3.5))),
    ),
    "nothing read": _o2(band=False),
}  # fmt: skip

_SPAN = (date(2021, 3, 1), date(2026, 11, 20))


def _trend(values: list[float], spread: float = 0.0, **more: object) -> TrendPane:
    between = 2090 / max(len(values) - 1, 1)
    days = [_SPAN[0] + timedelta(days=int(n * between)) for n in range(len(values))]
    moments = [Moment(d, v, spread=spread) for d, v in zip(days, values, strict=True)]
    low, high = min(values) - spread, max(values) + spread
    given: dict[str, object] = {
        "label": "Draft", "unit": "Pa", "decimals": 0, "firing_rate": 25.0, "moments": moments,
        "span": _SPAN, "reach": (low, high),
    }  # fmt: skip
    return TrendPane(**{**given, **more})  # type: ignore[arg-type]


TRENDS: dict[str, TrendPane] = {
    "negative draft over zero": _trend([-12.0, -9.0, -3.0, 2.0], 2.0, high=-5.0),
    "one visit": _trend([-12.0], 2.0),
    "band and parts": _trend(
        [5.6, 5.9, 6.4, 5.5, 5.7, 5.8], 0.2, label="O2", unit="%", decimals=1, low=4.8, high=7.0,
        joints=[(date(2022, 6, 1), "part-0"), (date(2022, 6, 20), "part-1")],
    ),
    "forty visits": _trend([200.0 + (n * 37) % 23 for n in range(40)], 3.0, unit="°C", high=240.0),
    "large numbers": _trend([1890.0, 2000.0, 14.0], 120.0, label="CO", unit="ppm", high=200.0),
}  # fmt: skip


def page(face: str = "light") -> str:
    """Return all odd cases as one page that stands alone."""
    css = "".join(
        files("api").joinpath("static", name).read_text(encoding="utf-8")
        for name in ("fluebook.css", "office.css", "charts.css")
    )
    drawn = {n: firing_curve(p, f"odd-{i}") for i, (n, p) in enumerate(PANES.items())}
    small = {n: trend(p, f"trend-{i}") for i, (n, p) in enumerate(TRENDS.items())}

    def figures(found: dict[str, str]) -> str:
        return "".join(
            f'<figure class="pane"><figcaption class="small soft">{escape(name)}</figcaption>'
            f"{svg}</figure>"
            for name, svg in found.items()
        )

    return (
        f'<!doctype html><html lang="en"><head><meta charset="utf-8"><title>Odd charts</title>'
        f"<style>{css}</style></head><body><main><h1>Odd charts, {face}</h1>"
        f'<div class="sheet">{figures(drawn)}</div><div class="trends">{figures(small)}</div>'
        "</main></body></html>"
    )


if __name__ == "__main__":
    print(page())
