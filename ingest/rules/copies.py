"""Readings that were not taken: copied from as found or an earlier visit; work without effect."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from ingest.earlier import Place, found_stands
from ingest.rules.model import Rule
from ingest.rules.point import Point
from ingest.rules.view import View
from parsers.points import FiringPoint

_FAMILY = "copies"
COPIED_FOUND = Rule(
    key="copied_as_found",
    family=_FAMILY,
    title="As-left readings copied from as found",
    meaning="As left repeats as found to the last digit: two measurements never do.",
    formula="at least three measured quantities equal at every common rate and at two rates or "
    "more, or six at one rate",
    default="three quantities at two rates, six at one",
    source="noise of any instrument",
    status="common practice",
    causes="Copied to fill the form; the same saved readings used twice.",
    next_step="Read all rates again as left. Where nothing was adjusted, declare that as found "
    "stands.",
    silent="Without common rates; an info where nothing was adjusted or as found is declared to "
    "stand.",
    needs="as-found and as-left points at common rates",
)
COPIED_EARLIER = Rule(
    key="copied_earlier_visit",
    family=_FAMILY,
    title="Readings copied from an earlier visit",
    meaning="The readings repeat an earlier visit to the last digit.",
    formula="at least three measured quantities equal at every common rate and at two rates or "
    "more, or six at one rate",
    default="three quantities at two rates, six at one",
    source="noise of any instrument",
    status="common practice",
    causes="Last year's file used again, or its numbers typed in.",
    next_step="Read all rates again.",
    silent="Without earlier visits at common rates.",
    needs="an earlier visit at common rates",
)
NO_CHANGE = Rule(
    key="no_change_after_adjustment",
    family=_FAMILY,
    title="Adjusted, and nothing changed",
    meaning="Adjustments are reported, and as left reads as as found does.",
    formula="at every common rate O2 within 0.1 %, CO within 3 ppm or 10 % and stack within 2 K",
    default="0.1 % O2, 3 ppm or 10 % CO, 2 K",
    source="an adjustment worth reporting moves something",
    status="common practice",
    causes="The adjustment was not made or had no effect; as left was not read again.",
    next_step="Ask what was adjusted; read all rates again as left.",
    silent="When no adjustment is reported, or there are no common rates.",
    needs="a reported adjustment, and as-found and as-left points at common rates",
)
_COMPARED = (
    "o2_dry",
    "co2_dry",
    "co_dry",
    "no_dry",
    "nox_dry",
    "stack_temperature",
    "combustion_air_temperature",
    "stack_draft",
    "return_water_temperature",
    "supply_water_temperature",
    "flame_signal",
)


def judge(view: View) -> None:
    """Judge whether readings were really taken."""
    left = {p.place: p for p in view.left if p.phase == "as_left"}
    found = {p.place: p for p in view.found_last}
    common = [k for k in left if k in found]
    if not common:
        why = "as found and as left have no rate in common"
        view.not_judged(COPIED_FOUND, why)
        view.not_judged(NO_CHANGE, why)
    else:
        alike = _alike((left[k], found[k].raw) for k in common)
        if alike:
            view.flag(
                COPIED_FOUND,
                "info" if found_stands(view.visit) else "check",
                f"As left repeats as found to the last digit {_rates(alike)}.",
                points=alike,
            )
        _no_change(view, left, found, common)
    _earlier(view)


def _rates(points: list[Point]) -> str:
    return f"at {', '.join(f'{p.rate:g}' for p in points)} %"


def _alike(pairs: Iterable[tuple[Point, FiringPoint]]) -> list[Point]:
    """Return the points that repeat their partner, where that is more than chance."""
    alike: list[tuple[Point, int]] = []
    total = 0
    for point, other in pairs:
        total += 1
        equal = 0
        values, others = point.values, other.values
        for key in _COMPARED:
            mine, theirs = values.get(key), others.get(key)
            if mine is None or theirs is None:
                continue
            value, other_value = mine.mean, theirs.mean
            apart = abs(value - other_value)
            if apart > 1e-6 and apart > 1e-6 * abs(value):
                break
            if value != 0.0 or other_value != 0.0:
                equal += 1  # a reading of nought repeats itself without anyone copying
        else:
            if equal >= 3:
                alike.append((point, equal))
    enough = (
        (len(alike) >= 2 and len(alike) == total)
        or (len(alike) >= 2 and all(n >= 4 for _, n in alike))
        or any(n >= 6 for _, n in alike)
        or (total == 1 and any(n >= 5 for _, n in alike))
    )
    return [p for p, _ in alike] if enough else []


def _no_change(
    view: View, left: Mapping[Place, Point], found: Mapping[Place, Point], common: list[Place]
) -> None:
    visit = view.visit
    if not (visit.adjusted or visit.adjustments):
        view.not_judged(NO_CHANGE, "no adjustment is reported")
        return
    touched = {a.firing_rate for a in visit.adjustments if a.firing_rate is not None}
    all_told = bool(visit.adjustments) and all(a.firing_rate is not None for a in visit.adjustments)
    keys = [k for k in common if k[2] in touched] if all_told and touched else common
    compared = 0
    for key in keys:
        a, b = left[key], found[key]
        if a.o2 is None or b.o2 is None:
            continue
        compared += 1
        if abs(a.o2 - b.o2) > 0.1 + 1e-9:
            return
        if a.co is not None and b.co is not None and abs(a.co - b.co) > max(3.0, 0.1 * b.co):
            return
        if a.stack is not None and b.stack is not None and abs(a.stack - b.stack) > 2.0:
            return
    if compared == 0:
        view.not_judged(NO_CHANGE, "O2 was not read at a common rate")
        return
    view.flag(
        NO_CHANGE,
        "check",
        f"Adjustments are reported, and as left equals as found {_rates([left[k] for k in keys])} "
        "within 0.1 % O2.",
        points=[left[k] for k in keys],
        quantity="o2_dry",
        unit="%",
        high=0.1,
    )


def _earlier(view: View) -> None:
    judged = False
    places = [(p, (p.burner, p.rate)) for p in view.deciding]
    for earlier in view.case.history:
        there = earlier.by_rate
        pairs = [(p, other) for p, place in places if (other := there.get(place)) is not None]
        if not pairs:
            continue
        judged = True
        alike = _alike(pairs)
        if alike:
            visit = earlier.visit
            name = visit.external_id or (visit.id and str(visit.id)) or "earlier"
            started = visit.started
            when = f" of {started.date().isoformat()}" if started is not None else f" {name}"
            view.flag(
                COPIED_EARLIER,
                "check",
                f"The readings {_rates(alike)} repeat the visit{when} to the last digit.",
                points=alike,
                tag=str(name),
            )
            return
    if not judged:
        view.not_judged(COPIED_EARLIER, "no earlier visit has a rate in common")


RULES = (COPIED_FOUND, COPIED_EARLIER, NO_CHANGE)
