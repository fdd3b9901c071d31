"""What is due: tasks, tests, parts and open findings of many boilers, until a day.

Everything counts from the last time it was done, the first time from the boiler's installation.
Where an interval stands in months and in running hours (or starts), whichever comes first is due.
A day found from a counter is an estimate and says so.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, field, replace
from datetime import date
from typing import Literal

from ingest.service.intervals import CounterReading, add_months, day_of_count
from ingest.service.models import Finding
from ingest.service.plans import Plan, PlanPart, PlanTask, PlanTest
from ingest.service.safety import DEVICES

Kind = Literal["task", "test", "part", "finding"]


@dataclass(frozen=True, slots=True)
class TaskDone:
    """A task or test done (of a plan), or a part replaced, on a day."""

    kind: Literal["task", "test", "part"]
    key: str
    on: date
    plan: str | None = None


@dataclass(frozen=True, slots=True)
class BoilerHistory:
    """What a boiler's due list is computed from; ``plans`` are the ones it is kept by."""

    boiler: str
    plans: Sequence[Plan]
    installed: date
    done: Sequence[TaskDone] = ()
    hours: Sequence[CounterReading] = ()
    starts: Sequence[CounterReading] = ()
    findings: Sequence[Finding] = ()
    """Open ones."""
    closed: Sequence[Finding] = ()
    """Those that were open once."""
    van: str | None = None
    site: str | None = None
    boiler_id: str = ""


Place = tuple[str, str, str]
"""Site, name and id: boilers of two plants, or of one, may bear one name."""


@dataclass(frozen=True, slots=True)
class Due:
    """One thing due; ``estimated`` where the day comes from a counter's rate."""

    boiler: str
    kind: Kind
    key: str
    title: str
    on: date
    why: str
    plan: str | None = None
    estimated: bool = False
    site: str | None = None
    van: str | None = None
    parts: Mapping[str, int] = field(default_factory=dict)
    kit: str | None = None
    not_computed: str | None = None
    """Why a counter's interval could not be looked at, where there is one."""
    boiler_id: str = ""

    @property
    def place(self) -> Place:
        """Return what tells its boiler from every other."""
        return (self.site or "", self.boiler, self.boiler_id)

    def overdue(self, today: date) -> bool:
        """Return whether its day is behind us."""
        return self.on < today


def next_due(
    last: date,
    *,
    months: int | None = None,
    hours: float | None = None,
    starts: float | None = None,
    hours_log: Sequence[CounterReading] = (),
    starts_log: Sequence[CounterReading] = (),
) -> tuple[date, str, bool] | None:
    """Return (day, why, estimated) of the earliest of the intervals, None where none can be told.

    Parameters
    ----------
    last : date
        When it was last done.
    months : int or None
        Interval in months.
    hours, starts : float or None
        Interval in running hours [h] and in starts.
    hours_log, starts_log : sequence of CounterReading
        What the counters showed.
    """
    found: list[tuple[date, str, bool]] = []
    if months is not None:
        why = f"{months} months after {last}" if months != 1 else f"1 month after {last}"
        found.append((add_months(last, months), why, False))
    for amount, log, name in ((hours, hours_log, "running hours"), (starts, starts_log, "starts")):
        if amount is not None:
            day = day_of_count(log, last, amount)
            if day is not None:
                found.append((day, f"{amount:g} {name} after {last}", True))
    return min(found, key=lambda f: (f[0], f[2])) if found else None


class _Known:
    """The office's plans, and what holds between them, looked up once for all boilers."""

    def __init__(self, plans: Mapping[str, Plan]) -> None:
        self._plans = plans
        self._counts: dict[tuple[int, str], frozenset[str]] = {}
        self._listed: dict[tuple[int, int, str], bool] = {}
        self._held: list[Plan] = []  # a plan's number stays its own as long as it is held

    def counts(self, plan: Plan, task: PlanTask) -> frozenset[str]:
        """Return the keys of the plans under which a task done counts for this one."""
        key = (id(plan), task.key)
        if key not in self._counts:
            self._held.append(plan)
            including = {k for k, p in self._plans.items() if plan.key in p.includes}
            # A task that another plan only repeats counts wherever it was done.
            alike = {k for k, p in self._plans.items() if p.task_of(task.key) == task}
            self._counts[key] = frozenset({plan.key} | including | alike)
        return self._counts[key]

    def lists(self, other: Plan, plan: Plan, task: PlanTask) -> bool:
        """Return whether another plan has this very task of a plan."""
        key = (id(other), id(plan), task.key)
        if key not in self._listed:
            self._held += [other, plan]
            self._listed[key] = other.task_of(task.key) == task
        return self._listed[key]


def due(
    boilers: Sequence[BoilerHistory], until: date, *, known: Mapping[str, Plan] | None = None
) -> list[Due]:
    """Return everything due on or before a day, earliest first.

    Parameters
    ----------
    boilers : sequence of BoilerHistory
        Each with the plans it is kept by.
    until : date
        Last day looked at.
    known : mapping of plan key to Plan, optional
        All plans, so that work done under a plan that includes another counts for both.
    """
    found: list[Due] = []
    office = None if not known else _Known(known)
    for boiler in boilers:
        items = _of_one(boiler, until, office or _Known({p.key: p for p in boiler.plans}))
        found += [replace(item, boiler_id=boiler.boiler_id) for item in items]
    return _ordered(found)


def _ordered(items: Sequence[Due]) -> list[Due]:
    return sorted(items, key=lambda d: (d.on, d.boiler, d.place, d.kind, d.key, d.plan or ""))


def no_longer_due(
    boilers: Sequence[BoilerHistory], until: date, *, known: Mapping[str, Plan] | None = None
) -> list[Due]:
    """Return what was due once and is not due on or before a day: done since, or closed.

    Parameters
    ----------
    boilers, until, known
        As for ``due``.

    Returns
    -------
    list of Due
        Work with its next day, which lies behind ``until``; closed findings with their first day.
    """
    found: list[Due] = []
    office = None if not known else _Known(known)
    for boiler in boilers:
        done = {(d.kind, d.key) for d in boiler.done if d.on > boiler.installed}
        later = [
            item
            for item in _of_one(
                boiler, date.max, office or _Known({p.key: p for p in boiler.plans})
            )
            if item.on > until and (item.kind, item.key) in done
        ]
        later += [_finding(boiler, finding) for finding in boiler.closed]
        found += [replace(item, boiler_id=boiler.boiler_id) for item in later]
    return _ordered(found)


def _of_one(boiler: BoilerHistory, until: date, known: _Known) -> list[Due]:
    found: list[Due] = []
    tests: set[str] = set()
    parts: set[str] = set()
    for plan in boiler.plans:
        included = set(plan.includes) & {p.key for p in boiler.plans}
        for task in plan.task:
            if any(known.lists(p, plan, task) for p in boiler.plans if p.key in included):
                continue  # the included plan lists it already
            found += _task(boiler, plan, task, until, known)
        for test in plan.test:
            if test.label not in tests:
                tests.add(test.label)
                found += _test(boiler, plan, test, until)
        for part in plan.part:
            if part.key not in parts:
                parts.add(part.key)
                found += _part(boiler, part, until)
    return found + [_finding(boiler, f) for f in boiler.findings if f.opened <= until]


def _finding(boiler: BoilerHistory, finding: Finding) -> Due:
    return Due(
        boiler.boiler,
        "finding",
        finding.id,
        finding.text,
        finding.opened,
        f"open since {finding.opened}",
        site=boiler.site,
        van=boiler.van,
    )


def _last(boiler: BoilerHistory, kind: str, key: str, plans: AbstractSet[str] | None) -> date:
    days = [
        d.on
        for d in boiler.done
        if d.kind == kind and d.key == key and (plans is None or d.plan is None or d.plan in plans)
    ]
    return max(days, default=boiler.installed)


def _task(
    boiler: BoilerHistory, plan: Plan, task: PlanTask, until: date, known: _Known
) -> list[Due]:
    if task.interval_months is None and task.interval_hours is None:
        return []
    last = _last(boiler, "task", task.key, known.counts(plan, task))
    told = next_due(
        last,
        months=task.interval_months,
        hours=task.interval_hours,
        hours_log=boiler.hours,
    )
    if told is None or told[0] > until:
        return []
    used: dict[str, int] = {}
    for part in task.parts:
        used[part.part] = used.get(part.part, 0) + part.quantity
    return [
        Due(
            boiler.boiler,
            "task",
            task.key,
            task.title,
            told[0],
            told[1],
            plan.key,
            told[2],
            boiler.site,
            boiler.van,
            used,
            not_computed=_unlooked(task.interval_hours, boiler.hours, "running hours"),
        )
    ]


def _unlooked(amount: float | None, log: Sequence[CounterReading], name: str) -> str | None:
    if amount is None or len({r.on for r in log}) > 1:
        return None
    return f"the interval of {amount:g} {name} needs two counter readings on different days"


def _test(boiler: BoilerHistory, plan: Plan, test: PlanTest, until: date) -> list[Due]:
    if test.interval_months is None:
        return []
    told = next_due(_last(boiler, "test", test.label, None), months=test.interval_months)
    if told is None or told[0] > until:
        return []
    title = DEVICES[test.device].title + (f", {test.name}" if test.name else "")
    return [
        Due(
            boiler.boiler,
            "test",
            test.label,
            title,
            told[0],
            told[1],
            plan.key,
            site=boiler.site,
            van=boiler.van,
        )
    ]


def _part(boiler: BoilerHistory, part: PlanPart, until: date) -> list[Due]:
    told = next_due(
        _last(boiler, "part", part.key, None),
        months=part.life_months,
        hours=part.life_hours,
        starts=part.life_starts,
        hours_log=boiler.hours,
        starts_log=boiler.starts,
    )
    if told is None or told[0] > until:
        return []
    return [
        Due(
            boiler.boiler,
            "part",
            part.key,
            part.title,
            told[0],
            told[1],
            estimated=told[2],
            site=boiler.site,
            van=boiler.van,
            parts={part.key: 1},
            kit=part.kit,
            not_computed=_unlooked(part.life_hours, boiler.hours, "running hours")
            or _unlooked(part.life_starts, boiler.starts, "starts"),
        )
    ]


@dataclass(frozen=True, slots=True)
class Pick:
    """How many of a part to put on a van, and from which kit."""

    van: str
    kit: str
    part: str
    title: str
    quantity: int


def pick_list(items: Sequence[Due], plans: Mapping[str, Plan]) -> list[Pick]:
    """Return the parts that the due work needs, summed for each van and kit.

    A part both worn out and called for by a task of the same boiler is counted once: the larger of
    the two numbers.
    """
    catalogue: dict[str, PlanPart] = {}
    for plan in plans.values():
        for part in plan.part:
            catalogue.setdefault(part.key, part)
    by_boiler: dict[tuple[str, Place, str], dict[str, int]] = {}
    for item in items:
        for key, quantity in item.parts.items():
            held = by_boiler.setdefault((item.van or "", item.place, key), {})
            held[item.kind] = held.get(item.kind, 0) + quantity
    sums: dict[tuple[str, str, str], int] = {}
    for (van, _boiler, key), kinds in by_boiler.items():
        kit = catalogue[key].kit if key in catalogue else None
        place = (van, kit or "", key)
        sums[place] = sums.get(place, 0) + max(kinds.values())
    return [
        Pick(van, kit, key, catalogue[key].title if key in catalogue else key, n)
        for (van, kit, key), n in sorted(sums.items())
    ]


def readings_wanted(items: Sequence[Due], plans: Mapping[str, Plan]) -> dict[Place, list[str]]:
    """Return for each boiler, by its place, the glossary keys that its due tasks' plans want."""
    wanted: dict[Place, list[str]] = {}
    for item in items:
        if item.plan is not None and item.plan in plans:
            held = wanted.setdefault(item.place, [])
            held += [k for k in plans[item.plan].readings if k not in held]
    return wanted
