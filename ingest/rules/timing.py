"""Time: points not settled, times that cannot be, as-left points older than the last change."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from ingest.rules.model import Rule
from ingest.rules.point import Point
from ingest.rules.settling import unsettled
from ingest.rules.view import View

_FAMILY = "firing points"
UNSETTLED = Rule(
    key="unsettled_point",
    family=_FAMILY,
    title="Point not settled",
    meaning="The readings of a point still move: the figure is not that of steady firing.",
    formula="over the point's readings, O2 drifts or scatters beyond 0.5 %, or stack temperature "
    "drifts beyond 6 K; two readings alone: 0.8 % and 10 K",
    default="0.5 % O2, 6 K stack",
    source="steady readings before saving a point",
    status="common practice",
    causes="Saved too soon after a change of rate, water not yet steady, load swinging.",
    next_step="Hold the rate until the readings stand, then save the point again.",
    silent="For points with a single reading.",
    needs="two readings at a point",
)
TIMES = Rule(
    key="times_impossible",
    family=_FAMILY,
    title="Times out of order or impossible",
    meaning="Points stand at times that cannot be.",
    formula="as left before as found; a point 12 h before the visit's start, 24 h after it, or "
    "1 h after its end",
    default="12 h, 24 h, 1 h",
    source="a visit has one order",
    status="common practice",
    causes="Instrument clock wrong, phases mixed up, a file of another visit.",
    next_step="Check the instrument's clock and the phases; correct the record.",
    silent="When points carry no times.",
    needs="times on points",
)
STALE = Rule(
    key="stale_as_left",
    family=_FAMILY,
    title="As-left points older than the last change",
    meaning="Something was adjusted or fitted after these points: they prove nothing any more.",
    formula="as-left point read before the last adjustment, or part fitted on the gas, air, burner "
    "or vent side",
    default="none",
    source="as left means after the last change",
    status="common practice",
    causes="A last touch after the points were saved.",
    next_step="Repeat all rates.",
    silent="When adjustments or points carry no times.",
    needs="times on adjustments and on as-left points",
)


def judge(view: View) -> None:
    """Judge settling and times."""
    judged = False
    for point in view.deciding:
        judged |= _settled(view, point)
    if not judged:
        view.not_judged(UNSETTLED, "no deciding point has two readings")
    _times(view)
    _stale(view)


def _settled(view: View, point: Point) -> bool:
    why = unsettled(point)
    if why is None:
        return point.raw.count >= 2
    quantity, unit, moved, allowed = why
    label = "O2" if quantity == "o2_dry" else "Stack temperature"
    view.flag(
        UNSETTLED,
        "check",
        f"{label} still moves by {moved:.1f} {unit} {point.at()}, more than the {allowed:g} {unit} "
        "of a settled point.",
        points=(point,),
        quantity=quantity,
        unit=unit,
        value=moved,
        high=allowed,
        answer="beyond",
    )
    return True


def _comparable(one: datetime | None, other: datetime | None) -> bool:
    if one is None or other is None:
        return False
    return (one.tzinfo is None) == (other.tzinfo is None)


def _times(view: View) -> None:
    timed = [p for p in view.all_points if p.raw.started is not None]
    if not timed:
        view.not_judged(TIMES, "no point carries a time")
        return
    visit = view.visit
    said: list[tuple[str, list[Point]]] = []
    for point in timed:
        start = point.raw.started
        if start is None:
            continue
        if visit.started is not None and _comparable(start, visit.started):
            # A visit.json that gives the day only starts at midnight.
            hours = (start - visit.started) / timedelta(hours=1)
            if hours < -12.0:
                said.append((f"the point {point.at()} was read before the visit began", [point]))
            elif hours > 24.0:
                said.append((f"the point {point.at()} was read a day after the visit", [point]))
        if (
            visit.ended is not None
            and _comparable(start, visit.ended)
            and (start - visit.ended) > timedelta(hours=1)
        ):
            said.append((f"the point {point.at()} was read after the visit ended", [point]))
    found = [p for p in timed if p.phase == "as_found"]
    left = [p for p in timed if p.phase == "as_left"]
    if found and left:
        last = max((p.raw.ended or p.raw.started for p in found), key=_stamp)
        early = [p for p in left if _comparable(p.raw.started, last) and p.raw.started < last]  # type: ignore[operator]
        if early:
            said.append(
                (f"{len(early)} of {len(left)} as-left points are older than as found", early)
            )
    if said:
        view.flag(
            TIMES,
            "check",
            f"Times cannot be: {said[0][0]}.",
            points=said[0][1],
            effects=tuple(s for s, _ in said[1:6]),
        )


def _stamp(time: datetime | None) -> float:
    if time is None:
        return 0.0
    epoch = datetime(1970, 1, 1, tzinfo=None if time.tzinfo is None else UTC)
    return (time - epoch).total_seconds()


def _stale(view: View) -> None:
    changes = [a for a in view.visit.adjustments if a.time is not None]
    left = [p for p in view.left if p.raw.started is not None and p.phase == "as_left"]
    if not changes or not left:
        lacks = "adjustment" if not changes else "as-left point"
        view.not_judged(STALE, f"no {lacks} carries a time")
        return
    last = max(changes, key=lambda a: _stamp(a.time))
    old = [
        p
        for p in left
        if _comparable(p.raw.ended or p.raw.started, last.time)
        and (p.raw.ended or p.raw.started) < last.time  # type: ignore[operator]
    ]
    if old:
        what = last.what if len(last.what) <= 80 else last.what[:77] + "..."
        view.flag(
            STALE,
            "fix",
            f"{len(old)} of {len(left)} as-left points are older than the last change ({what}): "
            "they no longer show how the boiler was left.",
            points=old,
        )


RULES = (UNSETTLED, TIMES, STALE)
