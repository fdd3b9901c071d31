"""The service part of a visit as the visit's page shows it: short lists, what is wrong in bold."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from api.pages.show import Shown, day
from api.report.service import device_title, provoked, recorded, value_text
from api.words import Words
from ingest.models import Visit
from ingest.service.models import SafetyTest, ServiceRecord, Signed, TaskEntry
from ingest.service.order import STEP_TITLES
from ingest.service.plans import Plan

ISOLATION_WORDS = {
    "power_locked_and_tagged": "Power locked and tagged",
    "gas_closed": "Gas closed",
    "oil_closed": "Oil closed",
    "supply_valve_closed": "Supply valve closed",
    "return_valve_closed": "Return valve closed",
    "pressure_released": "Pressure released",
    "verified_dead": "Verified dead",
}
OUTCOME_WORDS = {"done": "done", "not_done": "not done", "not_applicable": "does not apply"}
RESULT_WORDS = {
    "tripped": "tripped",
    "did_not_trip": "did not trip",
    "not_tested": "not tested",
}
LEFT_WORDS = {"running": "running", "off": "off", "isolated": "isolated and tagged"}


@dataclass(frozen=True, slots=True)
class Line:
    """One thing: what, how it came out, and what stands beside it."""

    what: str
    out: str
    beside: str = ""
    loud: bool = False
    """Set in bold: it is not as it should be. The flags above say why."""


@dataclass(frozen=True, slots=True)
class Group:
    """One list of the service part; a long one is folded."""

    title: str
    lines: Sequence[Line]
    said: str = ""
    folded: bool = False


def service_groups(visit: Visit, plan: Plan | None, shown: Shown) -> list[Group]:
    """Return the lists of a visit's service part, none where it has none."""
    record = visit.service
    if record is None:
        return []
    words = Words()
    tests = [_test(t, shown, words) for t in record.tests]
    tasks = [_task(t, plan, shown, words) for t in record.tasks]
    groups = [
        Group("Safety tests", tests, _counted(tests, "test", "tripped")),
        Group("Tasks and parts", tasks, _counted(tasks, "task", "done"), folded=len(tasks) > 6),
        Group("Isolation", _isolation(record), folded=True),
        Group("Bypasses", _bypasses(record)),
        Group("Findings", [_finding(record, n) for n in range(len(record.findings))]),
        Group("How it was left", _left(visit, record)),
    ]
    return [g for g in groups if g.lines]


def _counted(lines: Sequence[Line], name: str, good: str) -> str:
    loud = sum(line.loud for line in lines)
    return f"{len(lines)} {name}{'' if len(lines) == 1 else 's'}, {len(lines) - loud} {good}"


def _signed(one: Signed) -> str:
    return f"{one.by}, {day(one.time)} {one.time:%H:%M}"


def _test(test: SafetyTest, shown: Shown, words: Words) -> Line:
    figures = []
    if test.set_point is not None:
        figures.append(f"set at {value_text(test.set_point, shown)}")
    if test.trip is not None:
        figures.append(f"came at {value_text(test.trip, shown)}")
    if test.lock_out is not None:
        figures.append(f"locked out in {test.lock_out:.3g} s")
    if test.reset is not None:
        figures.append("not reset" if test.reset == "not_reset" else f"{test.reset} reset")
    beside = ". ".join(filter(None, [", ".join([provoked(test, words), *figures]), test.note]))
    title = device_title(test) + (" (retest)" if test.retest else "")
    return Line(title, RESULT_WORDS[test.result], beside, loud=test.result != "tripped")


def _task(entry: TaskEntry, plan: Plan | None, shown: Shown, words: Words) -> Line:
    task = None if plan is None else plan.task_of(entry.task)
    said = [OUTCOME_WORDS[entry.outcome]]
    if entry.grade is not None:
        said.append(entry.grade)
    beside = "; ".join(filter(None, [entry.reason, recorded(plan, entry, shown, words)]))
    loud = entry.outcome == "not_done" or entry.grade in ("poor", "failed")
    title = entry.task.replace("_", " ") if task is None else task.title
    return Line(title, ", ".join(said), beside, loud)


def _isolation(record: ServiceRecord) -> list[Line]:
    lines = [
        Line(
            ISOLATION_WORDS[e.step],
            _signed(e),
            ", ".join(filter(None, [f"tag {e.tag}" if e.tag else "", e.how])),
        )
        for e in record.isolation
    ]
    if record.restored is not None:
        lines.append(Line("Locks off, energy back", _signed(record.restored)))
    if record.steps:
        order = ", ".join(STEP_TITLES[s].lower() for s in record.ordered_steps())
        lines.append(Line("Order of the work", f"{len(record.steps)} steps", order))
    return lines


def _bypasses(record: ServiceRecord) -> list[Line]:
    return [
        Line(
            b.what,
            "still in place" if b.removed is None else f"removed by {_signed(b.removed)}",
            f"placed by {_signed(b.placed)}",
            loud=b.removed is None,
        )
        for b in record.bypasses
    ]


def _finding(record: ServiceRecord, number: int) -> Line:
    found = record.findings[number]
    closed = next((c for c in record.closed if c.id == found.id), None)
    if closed is None:
        return Line(found.text, "stays open", f"{found.severity}, since {found.opened}", loud=True)
    return Line(found.text, "closed", closed.how)


def _left(visit: Visit, record: ServiceRecord) -> list[Line]:
    left = record.left
    lines = [
        Line("Boiler", LEFT_WORDS.get(visit.how_left or "", "not recorded")),
        Line("Told", ", ".join(left.told) or "nobody recorded", loud=not left.told),
    ]
    if left.reason:
        lines.append(Line("Reason", left.reason, left.reason_by or ""))
    counters = record.counters
    if counters is not None:
        if counters.running_hours is not None:
            lines.append(Line("Running hours", f"{counters.running_hours:,.0f}"))
        if counters.starts is not None:
            lines.append(Line("Starts", f"{counters.starts:,.0f}"))
    return lines
