"""From a boiler and its visits to the history that its due list is computed from."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import date

from ingest.models import Boiler, Site, Visit
from ingest.service.due import BoilerHistory, TaskDone
from ingest.service.findings import closed_findings, open_findings
from ingest.service.intervals import CounterReading
from ingest.service.plans import Plan

ROUTINE = ("yearly", "two_yearly")
"""What plans that keep a boiler from year to year are for."""


def plans_for(boiler: Boiler, plans: Mapping[str, Plan]) -> list[Plan]:
    """Return the plans that a boiler is kept by: its own list, else the routine ones of its kind.

    Raises
    ------
    KeyError
        If the boiler names a plan that is not there.
    """
    if boiler.plans:
        missing = [key for key in boiler.plans if key not in plans]
        if missing:
            raise KeyError(f"{boiler.name} is kept by the plan {missing[0]!r}, which is not there")
        return [plans[key] for key in boiler.plans]
    return of_its_kind(boiler, plans)


def of_its_kind(boiler: Boiler, plans: Mapping[str, Plan]) -> list[Plan]:
    """Return the routine plans for a boiler's fuel, and for its way of using it where they say."""
    return [
        plan
        for plan in plans.values()
        if plan.purpose in ROUTINE
        and boiler.fuel in plan.fuels
        and (plan.condensing is None or plan.condensing == boiler.condensing)
    ]


def followed(visit: Visit, boiler: Boiler | None) -> str | None:
    """Return the key of the plan that a visit's service part is held to.

    The one that its record names; where it names none, the boiler's, if the boiler has one only.
    """
    record = visit.service
    if record is None or record.plan is not None:
        return None if record is None else record.plan
    known = [] if boiler is None else boiler.plans
    return known[0] if len(known) == 1 else None


def _day(visit: Visit) -> date | None:
    moment = visit.ended or visit.started
    return None if moment is None else moment.date()


def boiler_history(
    boiler: Boiler,
    visits: Iterable[Visit],
    plans: Mapping[str, Plan],
    *,
    site: Site | None = None,
    first: date | None = None,
) -> BoilerHistory | None:
    """Return what the due list needs, None where no day is known to count from.

    Parameters
    ----------
    boiler : Boiler
        With its plans, parts, van and day of installation, as far as they are known.
    visits : iterable of Visit
        Its finished visits, in any order; those without a day are left out.
    plans : mapping of plan key to Plan
        All plans of the office.
    site : Site or None
        For its name.
    first : date or None
        Day of its first finished visit, where those given are not all.
    """
    dated = sorted(((day, v) for v in visits if (day := _day(v)) is not None), key=lambda d: d[0])
    first = boiler.installed or first or (dated[0][0] if dated else None)
    if first is None:
        return None
    done, hours, starts = _done(dated)
    done += [TaskDone("part", part.part, part.installed) for part in boiler.parts]
    records = [v.service for _, v in dated if v.service is not None]
    return BoilerHistory(
        boiler=boiler.name,
        plans=plans_for(boiler, plans),
        installed=first,
        done=done,
        hours=hours,
        starts=starts,
        findings=open_findings(records),
        closed=closed_findings(records),
        van=boiler.van,
        site=None if site is None else site.name,
        boiler_id="" if boiler.id is None else str(boiler.id),
    )


def _done(
    dated: Sequence[tuple[date, Visit]],
) -> tuple[list[TaskDone], list[CounterReading], list[CounterReading]]:
    done: list[TaskDone] = []
    hours: list[CounterReading] = []
    starts: list[CounterReading] = []
    for day, visit in dated:
        record = visit.service
        if record is None:
            continue
        for entry in record.tasks:
            if entry.outcome == "done":
                done.append(TaskDone("task", entry.task, day, record.plan))
            done += [TaskDone("part", r.part, day) for r in entry.replaced]
        # A test that failed was carried out: what it found follows as a flag, not as work due.
        done += [TaskDone("test", t.label, day) for t in record.tests if t.result != "not_tested"]
        if record.counters is not None:
            if record.counters.running_hours is not None:
                hours.append(CounterReading(day, record.counters.running_hours))
            if record.counters.starts is not None:
                starts.append(CounterReading(day, record.counters.starts))
    return done, hours, starts
