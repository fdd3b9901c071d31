"""A plan tried, as its page shows it: findings, what is due, and the plans that take it in."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Any

from api.pages.due import KIND_WORDS, due_title, shown_day
from api.pages.show import Shown
from api.pages.trial_view import MOST_LISTED, trial_view
from api.plan_problems import problem_said
from api.plan_words import plan_text
from api.words import _
from ingest.plans_tried import PlanTrial
from ingest.service.due_tried import DueTried, Shift
from ingest.service.taking_in import TakenIn


@dataclass(frozen=True, slots=True)
class ShiftView:
    """One boiler at which something is due on another day."""

    address: str
    boiler: str
    when: str


@dataclass(frozen=True, slots=True)
class WorkView:
    """One task, test or part that is due on another day, and where."""

    title: str
    kind: str
    at: Sequence[ShiftView]


@dataclass(frozen=True, slots=True)
class IntoView:
    """A plan that includes the one tried: its new version, or why it stays as it is."""

    title: str
    version: str
    problems: Sequence[str]


def into_view(into: Sequence[TakenIn]) -> list[IntoView]:
    """Return the plans that include a changed one."""
    return [
        IntoView(
            plan_text(t.before.title),
            "" if t.problems else t.plan.version,
            [problem_said(told) for told in t.problems],
        )
        for t in into
    ]


def _when(shift: Shift) -> str:
    before, after = shift.before, shift.after
    if after is None:
        return _("no longer planned; was on {day}", day="" if before is None else shown_day(before))
    if before is None:
        return _("on {day}; not planned until now", day=shown_day(after))
    return _("on {day} instead of {before}", day=shown_day(after), before=shown_day(before))


def _work(shifts: Sequence[Shift]) -> list[WorkView]:
    def thing(shift: Shift) -> tuple[str, str]:
        return (_(KIND_WORDS[shift.item.kind]), due_title(shift.item))

    return [
        WorkView(
            title,
            kind,
            [
                ShiftView(
                    f"/boilers/{s.item.boiler_id}",
                    ", ".join(filter(None, (s.item.boiler, s.item.site))),
                    _when(s),
                )
                for s in at
            ],
        )
        for (kind, title), at in groupby(sorted(shifts, key=thing), key=thing)
    ]


def _due_view(due: DueTried) -> dict[str, Any]:
    lists = (
        (_("Newly due"), due.newly),
        (_("No longer due"), due.no_longer),
        (_("On another day"), due.moved),
    )
    return {
        "today": shown_day(due.today),
        "boilers": due.boilers,
        "looked": due.looked,
        "newly": len(due.newly),
        "no_longer": len(due.no_longer),
        "moved": len(due.moved),
        "any": any(found for _title, found in lists),
        "lists": [
            (title, len(found), min(len(found), MOST_LISTED), _work(found[:MOST_LISTED]))
            for title, found in lists
            if found
        ],
    }


def plan_trial_view(trial: PlanTrial, shown: Shown) -> dict[str, Any]:
    """Return a plan's trial as its template shows it."""
    return {
        **trial_view(trial.findings, shown),
        "elsewise": trial.elsewise,
        "into": into_view(trial.into),
        "due": _due_view(trial.due),
    }
