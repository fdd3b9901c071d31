"""One value against one limit, said in one sentence: what most rules do."""

from __future__ import annotations

from collections.abc import Sequence

from ingest.judgement import Source
from ingest.models import Severity
from ingest.rules.model import Rule
from ingest.rules.point import Point
from ingest.rules.view import View, probability_above


def above(
    view: View,
    rule: Rule,
    points: Sequence[Point],
    *,
    what: str,
    value: float,
    u: float,
    limit: float,
    source: Source,
    quantity: str,
    unit: str,
    severity: Severity = "fix",
    decimals: int = 0,
    where: str | None = None,
) -> bool:
    """Flag a value that lies above a limit, or too close to tell; return whether it was flagged."""
    if limit - value > view.clear * u:
        return False
    return _side(
        view, rule, points, what, value, u, limit, source, quantity, unit, severity, decimals,
        where, 1,
    )  # fmt: skip


def below(
    view: View,
    rule: Rule,
    points: Sequence[Point],
    *,
    what: str,
    value: float,
    u: float,
    limit: float,
    source: Source,
    quantity: str,
    unit: str,
    severity: Severity = "fix",
    decimals: int = 0,
    where: str | None = None,
) -> bool:
    """Flag a value that lies below a limit, or too close to tell; return whether it was flagged."""
    if value - limit > view.clear * u:
        return False
    return _side(
        view, rule, points, what, value, u, limit, source, quantity, unit, severity, decimals,
        where, -1,
    )  # fmt: skip


def _side(
    view: View,
    rule: Rule,
    points: Sequence[Point],
    what: str,
    value: float,
    u: float,
    limit: float,
    source: Source,
    quantity: str,
    unit: str,
    severity: Severity,
    decimals: int,
    where: str | None,
    sign: int,
) -> bool:
    p = probability_above(sign * value, u, sign * limit)
    answer = view.answer(p)
    if answer is None:
        return False
    side = "above" if sign > 0 else "below"
    beside = side if answer == "beyond" else "too close to tell from"
    place = where if where is not None else (points[0].at() if points else "")
    shown = "" if unit == "1" else f" {unit}"
    view.flag(
        rule,
        severity if answer == "beyond" else ("check" if rule.safety else "info"),
        f"{what} is {value:.{decimals}f}{shown}{' ' + place if place else ''}, {beside} its limit "
        f"of {limit:.{decimals}f}{shown}.",
        points=points,
        quantity=quantity,
        unit=unit,
        value=value,
        u=u,
        low=limit if sign < 0 else None,
        high=limit if sign > 0 else None,
        answer=answer,
        probability=p,
        source=source,
    )
    return True
