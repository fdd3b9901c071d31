"""Tasks of the plan: done, recorded, inside their ranges."""

from __future__ import annotations

from combustion.units import UnitError, conversion
from ingest.service.igniter import turn_wanted
from ingest.service.models import Measured, TaskEntry
from ingest.service.plans import PlanTask, RecordWanted
from ingest.service.rules.view import ServiceView, rule

_RECORD = "the values as recorded, with the plan's range"
TASK_MISSING = rule(
    "task_missing",
    "tasks",
    "Task missing",
    "A task that the plan makes mandatory is not recorded as done.",
    "Do it, or say why it was not done or does not apply.",
    needs="a plan",
    silent="When the task is marked done, or as not applying with a reason.",
    causes="Forgotten, no part at hand, no access.",
)
RECORD_MISSING = rule(
    "task_record_missing",
    "tasks",
    "Value of a task missing",
    "A task is marked done, and something the plan wants recorded is not there.",
    "Measure or look again and record it.",
    needs="a plan",
    silent="When the task is not marked done.",
    causes="Forgotten in the record.",
)
OUT_OF_RANGE = rule(
    "task_value_out_of_range",
    "tasks",
    "Value outside its range",
    "A value measured at a task is outside the plan's range.",
    "Put it right by the boiler's instructions and measure again.",
    needs=_RECORD,
    silent="When the plan states no range.",
    causes="Wear, wrong setting, wrong reading.",
    formula="low <= value <= high, in the plan's unit",
    status="stated",
)
TORQUE = rule(
    "torque_out_of_range",
    "tasks",
    "Torque outside its range",
    "A nut is tightened outside the plan's range.",
    "Loosen, look at the gasket, tighten again criss-cross in two rounds.",
    needs=_RECORD,
    silent="When no torque is recorded.",
    causes="Wrench setting, skipped nut, crushed gasket.",
    formula="low <= torque <= high, in the plan's unit",
    status="stated",
)
PH_LOW = rule(
    "condensate_ph_low",
    "tasks",
    "pH below its range",
    "Water or condensate leaves more acid than the plan allows.",
    "Renew or top up the neutralizer's medium, look for a bypass, measure again.",
    needs=_RECORD,
    silent="When no pH is recorded.",
    causes="Medium used up, flow past it.",
    formula="pH >= low",
    default="6.5 after the neutralizer",
    source="neutralised condensate at pH 6.5 or more, trade press",
    status="quoted",
)
CONDITION = rule(
    "condition_poor",
    "tasks",
    "Condition poor",
    "Something is graded poor or failed and was not replaced.",
    "Replace it, or leave it as an open finding with a date.",
    needs="a grade",
    silent="When it was replaced at the same task.",
    causes="Wear.",
)


def judge(view: ServiceView) -> None:
    """Judge every task of the plan."""
    if view.plan is None:
        for found in RULES:
            view.not_judged(found, "no plan is followed")
        return
    for task in view.plan.task:
        entry = view.record.task(task.key)
        if entry is None or entry.outcome != "done":
            _not_done(view, task, entry)
        else:
            for wanted in task.record:
                _one_record(view, task, entry, wanted)
        if entry is not None and entry.grade in ("poor", "failed") and not entry.replaced:
            view.flag(
                CONDITION,
                "fix" if entry.grade == "failed" else "check",
                f"{task.title}: condition {entry.grade}, not replaced.",
                tag=task.key,
            )


def _not_done(view: ServiceView, task: PlanTask, entry: TaskEntry | None) -> None:
    if not task.mandatory:
        return
    if entry is None:
        view.flag(TASK_MISSING, "fix", f"{task.title}: not recorded.", tag=task.key)
    elif not entry.reason:
        said = "not done" if entry.outcome == "not_done" else "marked as not applying"
        view.flag(TASK_MISSING, "fix", f"{task.title}: {said}, without a reason.", tag=task.key)
    elif entry.outcome == "not_done":
        view.flag(TASK_MISSING, "check", f"{task.title}: not done ({entry.reason}).", tag=task.key)


def _one_record(view: ServiceView, task: PlanTask, entry: TaskEntry, wanted: RecordWanted) -> None:
    label = wanted.label or wanted.key or wanted.kind
    if wanted.kind in ("value", "torque"):
        found = [m for m in entry.measured if m.key == wanted.key]
        if wanted.mandatory and not found:
            _missing(view, task, label)
        nuts = {m.nut for m in found if m.nut is not None}
        if found and wanted.nuts is not None and nuts and len(nuts) < wanted.nuts:
            _missing(view, task, f"{label}: {wanted.nuts - len(nuts)} of {wanted.nuts} nuts")
        for measured in found:
            _range(view, task, wanted, measured, label)
        return
    there = {
        "grade": entry.grade is not None,
        "part": any(r.part == wanted.key for r in entry.replaced),
        "photo": bool(entry.photos),
        "note": bool(entry.note),
    }[wanted.kind]
    if wanted.mandatory and not there:
        part = view.plan.part_of(wanted.key) if view.plan and wanted.key else None
        name = {"grade": "condition", "part": f"replaced part {part.title if part else label!r}"}
        _missing(view, task, name.get(wanted.kind, wanted.kind))
    if wanted.kind == "part" and there and view.plan is not None:
        part = view.plan.part_of(wanted.key or "")
        for replaced in entry.replaced:
            if part and part.serial and replaced.part == part.key and not replaced.serial_after:
                _missing(view, task, f"serial of the new {part.title}")


def _missing(view: ServiceView, task: PlanTask, what: str) -> None:
    view.flag(
        RECORD_MISSING,
        "check",
        f"{task.title}: not recorded: {what}.",
        tag=f"{task.key}:{what.replace(' ', '_')}",
    )


def _range(
    view: ServiceView, task: PlanTask, wanted: RecordWanted, measured: Measured, label: str
) -> None:
    unit = wanted.unit or "1"
    tag = f"{task.key}:{wanted.key}" + ("" if measured.nut is None else f":{measured.nut}")
    try:
        value = conversion(measured.unit, unit)(measured.value)
    except UnitError:
        view.flag(
            RECORD_MISSING,
            "check",
            f"{task.title}, {label}: recorded in {measured.unit}, which does not convert to "
            f"{unit}.",
            tag=tag,
        )
        return
    # A torque of 35 ft lbf written in N m comes back as 35.0000001: not beyond 35.
    slack = 1e-6 * max(abs(value), 1.0)
    below = wanted.low is not None and value < wanted.low - slack
    above = wanted.high is not None and value > wanted.high + slack
    if not (below or above):
        return
    found = OUT_OF_RANGE
    if wanted.kind == "torque":
        found = TORQUE
    elif unit.casefold() == "ph" and below:
        found = PH_LOW
    nut = "" if measured.nut is None else f", nut {measured.nut}"
    shown = "" if unit in ("1", "pH") else f" {unit}"
    limits = " to ".join("open" if n is None else f"{n:g}" for n in (wanted.low, wanted.high))
    view.flag(
        found,
        wanted.severity,
        f"{task.title}, {label}{nut}: {value:.4g}{shown}, range {limits}{shown}.",
        tag=tag,
        next_step=_turn(wanted, value),
        unit=unit,
        value=value,
        low=wanted.low,
        high=wanted.high,
    )


def _turn(wanted: RecordWanted, value: float) -> str | None:
    """Return how far to turn a part whose orientation its spacer sets, None for any other."""
    if wanted.thread_pitch_mm is None or wanted.low is None or wanted.high is None:
        return None
    turn = turn_wanted(value, (wanted.low + wanted.high) / 2.0, wanted.thread_pitch_mm / 1000.0)
    sense = "tightening" if turn.degrees > 0 else "loosening"
    change = turn.spacer_change * 1000.0
    return (
        f"Turn wanted: {abs(turn.degrees):.0f} degrees in the {sense} sense, a spacer "
        f"{abs(change):.2f} mm {'thinner' if change < 0 else 'thicker'}; compare with the "
        "boiler's drawing."
    )


RULES = (TASK_MISSING, RECORD_MISSING, OUT_OF_RANGE, TORQUE, PH_LOW, CONDITION)
