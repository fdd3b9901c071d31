"""A plan's texts in the reader's language.

The plans that come with the program stand in the catalogues; an office's own plan is said as the
office wrote it. What a plan warns of is a safety text: its English stands beside until approved.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache

from api.cautions import Caution, caution_pair
from api.words import SOURCE, _, words
from ingest.service.office import SHIPPED, office_plans
from ingest.service.plans import Plan, PlanTask
from ingest.service.safety import DEVICES


def texts_of(plan: Plan) -> Iterator[str]:
    """Yield every text of a plan that is read by people."""
    yield from (plan.title, plan.jurisdiction_note, *plan.cautions)
    for task in plan.task:
        yield from (task.title, task.where, task.what, task.why, *task.cautions)
        yield from (wanted.label for wanted in task.record if wanted.label)
    for test in plan.test:
        yield from (said for said in (test.name, test.note) if said)
    for part in plan.part:
        yield from (said for said in (part.title, part.kit) if said)


@lru_cache(maxsize=1)
def shipped_texts() -> frozenset[str]:
    """Return the texts of the plans that come with the program."""
    return frozenset(text for plan in office_plans(SHIPPED).values() for text in texts_of(plan))


def plan_text(text: str) -> str:
    """Return one text of a plan in the reader's language; an office's own words as written.

    >>> plan_text("Burner gasket")
    'Burner gasket'
    """
    return _(text) if text in shipped_texts() else text


def named(title: str) -> str:
    """Return a task, test or part by its name, with which one where there are several."""
    device, between, which = title.partition(", ")
    known = {d.title for d in DEVICES.values()}
    return _(device) + between + which if device in known else plan_text(title)


def plan_caution(text: str) -> Caution:
    """Return a warning of a plan, its English beside it until the translation is approved."""
    return caution_pair(text) if text in shipped_texts() else Caution(text)


def _warned(text: str) -> str:
    return str(plan_caution(text))


def plan_said(plan: Plan) -> Plan:
    """Return a plan to show: the same keys and figures, its texts in the reader's language."""
    if words().language == SOURCE:
        return plan
    return plan.model_copy(
        update={
            "title": plan_text(plan.title),
            "jurisdiction_note": _warned(plan.jurisdiction_note),
            "cautions": [_warned(c) for c in plan.cautions],
            "task": [_task(task) for task in plan.task],
            "test": [
                test.model_copy(update={"note": test.note and plan_text(test.note)})
                for test in plan.test
            ],
            "part": [
                part.model_copy(update={"title": plan_text(part.title)}) for part in plan.part
            ],
        }
    )


def _task(task: PlanTask) -> PlanTask:
    return task.model_copy(
        update={
            "title": plan_text(task.title),
            "where": plan_text(task.where),
            "what": plan_text(task.what),
            "why": plan_text(task.why),
            "cautions": [_warned(c) for c in task.cautions],
            "record": [
                wanted.model_copy(update={"label": wanted.label and plan_text(wanted.label)})
                for wanted in task.record
            ],
        }
    )
