"""The service part of a visit as the visit's page shows it: short lists, what is wrong in bold."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TypeVar

from api.pages.show import SEVERITY_WORDS, Shown, day
from api.plan_words import plan_said
from api.report.service import ISOLATION_WORDS, device_title, provoked, recorded, value_text
from api.words import N_, _, _n, words
from ingest.models import Visit
from ingest.service.models import SafetyTest, ServiceRecord, Signed, TaskEntry
from ingest.service.order import STEP_TITLES
from ingest.service.plans import Plan

_Key = TypeVar("_Key")

_NOT_RECORDED = N_("not recorded")
OUTCOME_WORDS = {
    "done": N_("done"),
    "not_done": N_("not done"),
    "not_applicable": N_("does not apply"),
}
RESULT_WORDS = {
    "tripped": N_("tripped"),
    "did_not_trip": N_("did not trip"),
    "not_tested": N_("not tested"),
}
LEFT_WORDS = {"running": N_("running"), "off": N_("off"), "isolated": N_("isolated and tagged")}
_RESET_WORDS = {
    "manual": N_("manual reset"),
    "automatic": N_("automatic reset"),
    "not_reset": N_("not reset"),
}
_GRADE_WORDS = {"good": N_("good"), "worn": N_("worn"), "poor": N_("poor"), "failed": N_("failed")}


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
    plan = None if plan is None else plan_said(plan)
    tests = [_test(t, shown) for t in record.tests]
    tasks = [_task(t, plan, shown) for t in record.tasks]
    tripped = _n(
        "{n} test, {good} tripped", "{n} tests, {good} tripped", len(tests), good=_good(tests)
    )
    done = _n("{n} task, {good} done", "{n} tasks, {good} done", len(tasks), good=_good(tasks))
    groups = [
        Group(_("Safety tests"), tests, tripped),
        Group(_("Tasks and parts"), tasks, done, folded=len(tasks) > 6),
        Group(_("Isolation"), _isolation(record), folded=True),
        Group(_("Bypasses"), _bypasses(record)),
        Group(_("Findings"), [_finding(record, n) for n in range(len(record.findings))]),
        Group(_("How it was left"), _left(visit, record)),
    ]
    return [g for g in groups if g.lines]


def in_language(held: Mapping[_Key, str]) -> dict[_Key, str]:
    """Return the words of a list of choices in the reader's language, by the same keys."""
    return {key: _(text) for key, text in held.items()}


def _good(lines: Sequence[Line]) -> int:
    return sum(not line.loud for line in lines)


def _signed(one: Signed) -> str:
    return f"{one.by}, {day(one.time)} {one.time:%H:%M}"


def _test(test: SafetyTest, shown: Shown) -> Line:
    figures = []
    if test.set_point is not None:
        figures.append(_("set at {value}", value=value_text(test.set_point, shown)))
    if test.trip is not None:
        figures.append(_("came at {value}", value=value_text(test.trip, shown)))
    if test.lock_out is not None:
        figures.append(_("locked out in {time:.3g} s", time=test.lock_out))
    if test.reset is not None:
        figures.append(_(_RESET_WORDS[test.reset]))
    beside = ". ".join(filter(None, [", ".join([provoked(test, words()), *figures]), test.note]))
    again = _("retest")
    title = device_title(test) + (f" ({again})" if test.retest else "")
    return Line(title, _(RESULT_WORDS[test.result]), beside, loud=test.result != "tripped")


def _task(entry: TaskEntry, plan: Plan | None, shown: Shown) -> Line:
    task = None if plan is None else plan.task_of(entry.task)
    said = [_(OUTCOME_WORDS[entry.outcome])]
    if entry.grade is not None:
        said.append(_(_GRADE_WORDS.get(entry.grade, entry.grade)))
    beside = "; ".join(filter(None, [entry.reason, recorded(plan, entry, shown, words())]))
    loud = entry.outcome == "not_done" or entry.grade in ("poor", "failed")
    title = entry.task.replace("_", " ") if task is None else task.title
    return Line(title, ", ".join(said), beside, loud)


def _isolation(record: ServiceRecord) -> list[Line]:
    lines = [
        Line(
            _(ISOLATION_WORDS[e.step]),
            _signed(e),
            ", ".join(filter(None, [_("tag {tag}", tag=e.tag) if e.tag else "", e.how])),
        )
        for e in record.isolation
    ]
    if record.restored is not None:
        lines.append(Line(_("Locks off, energy back"), _signed(record.restored)))
    if record.steps:
        order = ", ".join(_(STEP_TITLES[s]).lower() for s in record.ordered_steps())
        lines.append(
            Line(_("Order of the work"), _n("{n} step", "{n} steps", len(record.steps)), order)
        )
    return lines


def _bypasses(record: ServiceRecord) -> list[Line]:
    return [
        Line(
            b.what,
            _("still in place")
            if b.removed is None
            else _("removed by {who}", who=_signed(b.removed)),
            _("placed by {who}", who=_signed(b.placed)),
            loud=b.removed is None,
        )
        for b in record.bypasses
    ]


def _finding(record: ServiceRecord, number: int) -> Line:
    found = record.findings[number]
    closed = next((c for c in record.closed if c.id == found.id), None)
    if closed is None:
        since = _("since {day}", day=words().day(found.opened))
        beside = f"{_(SEVERITY_WORDS[found.severity])}, {since}"
        return Line(found.text, _("stays open"), beside, loud=True)
    return Line(found.text, _("closed"), closed.how)


def _left(visit: Visit, record: ServiceRecord) -> list[Line]:
    left = record.left
    lines = [
        Line(_("Boiler"), _(LEFT_WORDS.get(visit.how_left or "", _NOT_RECORDED))),
        Line(_("Told"), ", ".join(left.told) or _("nobody recorded"), loud=not left.told),
    ]
    if left.reason:
        lines.append(Line(_("Reason"), left.reason, left.reason_by or ""))
    counters = record.counters
    if counters is not None:
        if counters.running_hours is not None:
            lines.append(Line(_("Running hours"), _("{n:,.0f}", n=counters.running_hours)))
        if counters.starts is not None:
            lines.append(Line(_("Starts"), _("{n:,.0f}", n=counters.starts)))
    return lines
