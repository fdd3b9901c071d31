"""What is wrong with a plan, in the reader's language, beside the line that it stands on."""

from __future__ import annotations

from dataclasses import dataclass

from api.findings import reason_said
from api.words import N_, _
from ingest.service.plans import Plan, PlanError, PlanProblem
from ingest.service.where import line_of, lines_of_toml

_MOST_SHOWN = 160
_PLAIN = (
    N_("a record of kind 'part' needs the key of the part"),
    N_("thread_pitch_mm stands with a range in degree"),
    N_("nuts stand with a record of kind 'torque'"),
    N_("the plan lists no isolating steps for it"),
)
"""Sentences without a figure that are written below the floor that knows languages."""


@dataclass(frozen=True, slots=True)
class LineWrong:
    """One thing wrong: the line, its key, what is expected, and what stands there."""

    line: int
    key: str
    message: str
    text: str


def _wrong(problem: PlanProblem, lines: list[str]) -> LineWrong:
    there = lines[problem.line - 1].strip() if 0 < problem.line <= len(lines) else ""
    if len(there) > _MOST_SHOWN:
        there = there[:_MOST_SHOWN] + "…"
    return LineWrong(problem.line, problem.key, reason_said(problem.message), there)


def lines_wrong(error: PlanError, text: str) -> list[LineWrong]:
    """Return all that is wrong with a text, by its lines."""
    lines = text.splitlines()
    found = [_wrong(problem, lines) for problem in error.problems]
    return sorted(found, key=lambda p: p.line)


def problem_said(told: str) -> str:
    """Return one thing wrong between the entries of a plan, its place before it."""
    place, between, message = told.partition(": ")
    return place + between + reason_said(message)


def version_taken(plan: Plan, there: Plan | None, text: str) -> LineWrong | None:
    """Return what is wrong where the book has this version of the plan with other content."""
    if there is None or there == plan:
        return None
    line = line_of(lines_of_toml(text), ("version",))
    message = _(
        "version {version} is in the book with other content; give the changed plan a version "
        "of its own",
        version=plan.version,
    )
    return _wrong(PlanProblem("", line, "version", message), text.splitlines())
