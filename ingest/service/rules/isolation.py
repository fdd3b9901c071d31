"""Isolation before the work that needs it, and the order of the work."""

from __future__ import annotations

from ingest.service.models import TaskEntry
from ingest.service.order import STEP_TITLES, out_of_order
from ingest.service.plans import PlanTask
from ingest.service.rules.view import ServiceView, rule

ISOLATION_INCOMPLETE = rule(
    "isolation_incomplete",
    "isolation",
    "Isolation incomplete",
    "Work that needs the boiler isolated is marked done, and an isolating step is not recorded "
    "before it.",
    "Stop and isolate: lock, tag, release, verify, each with who and when; then go on.",
    needs="a plan with isolating steps, and the isolating steps recorded",
    silent="When no task that needs isolation is marked done.",
    causes="A step forgotten in the record or at the boiler.",
    source="29 CFR 1910.147: lock out where the isolating device can be locked, verify isolation",
    status="read",
    safety=True,
)
LOCKS_OFF = rule(
    "work_after_locks_off",
    "isolation",
    "Work after the locks came off",
    "Work that needs the boiler isolated is marked done after its locks were signed off.",
    "Isolate again before such work, each step with who and when; else correct the time.",
    needs="the time of the work, and when the locks came off",
    silent="When the boiler was isolated again, or a time is not recorded.",
    causes="Work taken up again without locking, or a time ticked later than the work was done.",
    source="isolation stands until the work that needs it is done",
    safety=True,
)
OUT_OF_ORDER = rule(
    "work_out_of_order",
    "order of the work",
    "Work out of order",
    "A step is recorded after one that it usually comes before.",
    "Look whether the later step has to be repeated; licensed practice decides.",
    needs="steps in the order in which they were done",
    silent="When fewer than two steps are recorded.",
    causes="Steps ticked later than done, or done in another order.",
    source="usual order of the work",
)
STEP_MISSING = rule(
    "work_step_missing",
    "order of the work",
    "Step not recorded",
    "The plan has a step of the work that is not recorded.",
    "Do it, or record it with its time.",
    needs="a plan with steps",
    silent="When the plan lists no steps.",
    causes="A step forgotten in the record or at the boiler.",
)

_WORDS = {
    "power_locked_and_tagged": "power locked and tagged",
    "gas_closed": "gas closed",
    "oil_closed": "oil closed",
    "supply_valve_closed": "supply valve closed",
    "return_valve_closed": "return valve closed",
    "pressure_released": "pressure released",
    "verified_dead": "verified dead",
}


def judge(view: ServiceView) -> None:
    """Judge isolation and order."""
    _isolation(view)
    _order(view)


def _isolation(view: ServiceView) -> None:
    plan, record = view.plan, view.record
    if plan is None or not plan.isolation:
        view.not_judged(ISOLATION_INCOMPLETE, "no plan with isolating steps is followed")
        return
    needing = [
        (entry, task)
        for entry in record.tasks
        if entry.outcome == "done"
        and (task := plan.task_of(entry.task)) is not None
        and task.needs_isolation
    ]
    if not needing:
        return
    done = {entry.step: entry for entry in record.isolation}
    missing = [step for step in plan.isolation if step not in done]
    if missing:
        said = ", ".join(_WORDS[s] for s in missing)
        view.flag(
            ISOLATION_INCOMPLETE,
            "fix",
            f"{len(needing)} tasks that need the boiler isolated are marked done; not recorded: "
            f"{said}.",
            tag="missing",
        )
    for entry, task in needing:
        late = [
            step
            for step in plan.isolation
            if step in done and entry.time is not None and done[step].time > entry.time
        ]
        if late:
            said = ", ".join(_WORDS[s] for s in late)
            view.flag(
                ISOLATION_INCOMPLETE,
                "fix",
                f"{task.title} is marked done before: {said}.",
                tag=entry.task,
            )
    _after_locks(view, needing)


def _after_locks(view: ServiceView, needing: list[tuple[TaskEntry, PlanTask]]) -> None:
    """Flag work marked done when the locks were off and not put on again."""
    off = view.record.restored
    if off is None or any(i.time > off.time for i in view.record.isolation):
        return
    for entry, task in needing:
        if entry.time is not None and entry.time > off.time:
            view.flag(
                LOCKS_OFF,
                "fix",
                f"{task.title} is marked done after the locks came off.",
                tag=entry.task,
            )


def _order(view: ServiceView) -> None:
    plan, record = view.plan, view.record
    steps = record.ordered_steps()
    if len(steps) < 2:
        view.not_judged(OUT_OF_ORDER, "fewer than two steps of the work are recorded")
    for found in out_of_order(steps):
        dry_trap = found.step == "fill_condensate_trap" and "light_off" in steps
        view.flag(
            OUT_OF_ORDER,
            "fix" if dry_trap else "check",
            f"“{STEP_TITLES[found.step]}” is recorded after “{STEP_TITLES[found.after]}”."
            + (" A dry trap lets flue gas into the room." if dry_trap else ""),
            tag=found.step,
        )
    if plan is None or not plan.steps:
        view.not_judged(STEP_MISSING, "no plan with steps is followed")
        return
    for step in plan.steps:
        if step not in steps:
            trap = step == "fill_condensate_trap"
            view.flag(
                STEP_MISSING,
                "fix" if trap else "check",
                f"“{STEP_TITLES[step]}” is not recorded."
                + (" A dry trap lets flue gas into the room." if trap else ""),
                tag=step,
            )
    _dependencies(view)


def _dependencies(view: ServiceView) -> None:
    if view.plan is None:
        return
    for entry in view.record.tasks:
        task = view.plan.task_of(entry.task)
        if task is None or entry.outcome != "done" or entry.time is None:
            continue
        for key in task.after:
            before, wanted = view.record.task(key), view.plan.task_of(key)
            if before is None or wanted is None or before.outcome != "done":
                continue
            if before.time is not None and before.time > entry.time:
                view.flag(
                    OUT_OF_ORDER,
                    "check",
                    f"“{task.title}” is recorded before “{wanted.title}”, on which it depends.",
                    tag=f"{entry.task}:{key}",
                )


RULES = (ISOLATION_INCOMPLETE, LOCKS_OFF, OUT_OF_ORDER, STEP_MISSING)
