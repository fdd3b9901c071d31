"""Service plans as data: what a plan may say, and how a wrong one is refused.

A plan is a TOML file, versioned, in the office's own words. Everything wrong with it is told at
once, each with file, line and key. ``includes`` takes in another plan of the same folder (a
two-yearly service holds the yearly one); a task of the same key replaces the included one.
"""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any, Literal

from pydantic import Field, ValidationError, model_validator

from combustion.units import UnitError, conversion, spelt
from ingest.dimensions import Part
from ingest.service.models import IsolationStep, Value
from ingest.service.order import Step
from ingest.service.plan_problems import PlanError as PlanError
from ingest.service.plan_problems import PlanProblem as PlanProblem
from ingest.service.plan_problems import refusal_said, toml_problem
from ingest.service.safety import DEVICES
from ingest.service.wanted import WANTED, unknown
from ingest.service.where import Path as Place
from ingest.service.where import line_of, lines_of_toml, shown

FORMAT = "fluebook.plan/1"
Key = Field(pattern=r"^[a-z][a-z0-9_]*$", max_length=60)
Text = Field(min_length=1, max_length=2000)


def _refuse_unit(name: str, kind: str) -> None:
    try:
        spelt(name)
    except UnitError as error:
        raise ValueError(
            f"the unit {name!r} is not known; write one such as mm, degC, inWC, Pa, uA or N m"
        ) from error
    if kind == "torque":
        try:
            conversion(name, "N m")
        except UnitError as error:
            raise ValueError(f"{name!r} measures no torque; write N m or ft lbf") from error


class RecordWanted(Part):
    """One thing to record at a task."""

    kind: Literal["grade", "value", "torque", "part", "photo", "note"]
    key: str | None = Field(default=None, pattern=r"^[a-z][a-z0-9_]*$")
    label: str | None = None
    unit: str | None = None
    low: float | None = None
    high: float | None = None
    nuts: int | None = Field(default=None, ge=3, le=64)
    thread_pitch_mm: float | None = Field(
        default=None, gt=0, description="Of a part whose orientation its spacer sets."
    )
    mandatory: bool = False
    severity: Literal["fix", "check"] = "fix"

    @model_validator(mode="after")
    def _complete(self) -> RecordWanted:
        if self.kind in ("value", "torque"):
            if self.key is None or self.unit is None:
                raise ValueError(f"a record of kind {self.kind!r} needs a key and a unit")
            _refuse_unit(self.unit, self.kind)
            if self.low is not None and self.high is not None and self.low > self.high:
                raise ValueError(f"low {self.low:g} is above high {self.high:g}")
        elif self.low is not None or self.high is not None or self.unit is not None:
            raise ValueError(f"a record of kind {self.kind!r} has no unit and no range")
        if self.kind == "part" and self.key is None:
            raise ValueError("a record of kind 'part' needs the key of the part")
        if self.thread_pitch_mm is not None and (
            self.unit != "degree" or self.low is None or self.high is None
        ):
            raise ValueError("thread_pitch_mm stands with a range in degree")
        if self.nuts is not None and self.kind != "torque":
            raise ValueError("nuts stand with a record of kind 'torque'")
        return self


class PartUsed(Part):
    """Parts that a task takes from the van."""

    part: str
    quantity: int = Field(default=1, ge=1)


class PlanTask(Part):
    """One task: where, what, why, what to record, how often, after what."""

    key: str = Key
    title: str = Text
    where: str = Text
    what: str = Text
    why: str = Text
    step: Step = "service"
    record: list[RecordWanted] = Field(default_factory=list)
    interval_months: int | None = Field(default=None, ge=1, le=600)
    interval_hours: float | None = Field(default=None, gt=0)
    after: list[str] = Field(default_factory=list)
    needs_isolation: bool = False
    mandatory: bool = True
    cautions: list[str] = Field(default_factory=list)
    parts: list[PartUsed] = Field(default_factory=list)


class PlanTest(Part):
    """One device to test; numbers that the boiler's instructions fix may be left to the visit."""

    device: str
    name: str | None = None
    mandatory: bool = True
    tolerance: Value | None = None
    lock_out_max_s: float | None = Field(default=None, gt=0)
    reset: Literal["automatic", "manual"] | None = None
    interval_months: int | None = Field(default=None, ge=1, le=600)
    note: str | None = None

    @property
    def label(self) -> str:
        """Return the device's key, with its name where several are of one kind."""
        return self.device if self.name is None else f"{self.device} {self.name}"


class PlanPart(Part):
    """A part that wears: its life by months, running hours or starts, whichever comes first."""

    key: str = Key
    title: str = Text
    kit: str | None = None
    life_months: int | None = Field(default=None, ge=1, le=1200)
    life_hours: float | None = Field(default=None, gt=0)
    life_starts: float | None = Field(default=None, gt=0)
    serial: bool = Field(default=False, description="Its serial number is to be recorded.")


class LightOffWanted(Part):
    """What a light-off is held to, from the boiler's instructions."""

    purge_min_s: float | None = Field(default=None, gt=0)
    trial_max_s: float | None = Field(default=None, gt=0)
    co_peak_max_ppm: float | None = Field(default=None, gt=0)


class Plan(Part):
    """A whole plan."""

    format: Literal["fluebook.plan/1"]
    key: str = Field(pattern=r"^[a-z][a-z0-9-]*$", max_length=80)
    version: str = Field(min_length=1, max_length=40)
    title: str = Text
    purpose: Literal["yearly", "two_yearly", "call_out", "first_start"]
    fuels: list[str] = Field(min_length=1)
    condensing: bool | None = None
    includes: list[str] = Field(default_factory=list)
    jurisdiction_note: str = Text
    cautions: list[str] = Field(default_factory=list)
    readings: list[str] = Field(default_factory=list, description="Glossary keys wanted.")
    wanted: list[str] = Field(
        default_factory=list,
        description="What of light-off, gas, vent and oil to record: gas.inlet_burners_off.",
    )
    isolation: list[IsolationStep] = Field(default_factory=list)
    steps: list[Step] = Field(default_factory=list)
    light_off: LightOffWanted = Field(default_factory=LightOffWanted)
    task: list[PlanTask] = Field(default_factory=list)
    test: list[PlanTest] = Field(default_factory=list)
    part: list[PlanPart] = Field(default_factory=list)

    def task_of(self, key: str) -> PlanTask | None:
        """Return a task by key."""
        return next((t for t in self.task if t.key == key), None)

    def part_of(self, key: str) -> PlanPart | None:
        """Return a part by key."""
        return next((p for p in self.part if p.key == key), None)


Included = Mapping[str, Plan]
LISTS: Mapping[str, Callable[[Any], str]] = {
    "task": lambda task: task.key,
    "test": lambda test: test.label,
    "part": lambda part: part.key,
    "cautions": str,
    "readings": str,
    "wanted": str,
}
"""What a plan adds to that of the plans it includes, and what tells one entry from another."""
STATED_WHOLE = ("isolation", "steps", "light_off")
"""What stands for itself: taken from the first included plan only where a plan says none of it."""


def parse_plan(text: str, file: str, *, included: Included | None = None) -> Plan:
    """Return a plan from its text, with what it includes taken in.

    Parameters
    ----------
    text : str
        TOML.
    file : str
        Name for errors.
    included : mapping of plan key to Plan
        Plans that ``includes`` may name.

    Raises
    ------
    PlanError
        With every problem, each with file, line and key.
    """
    try:
        data = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise PlanError([toml_problem(file, text, error)]) from error
    places = lines_of_toml(text)

    def problem(path: Place, message: str) -> PlanProblem:
        return PlanProblem(file, line_of(places, path), shown(path), message)

    try:
        plan = Plan.model_validate(data)
    except ValidationError as error:
        raise PlanError([problem(*refusal_said(e, Plan)) for e in error.errors()]) from error
    missing = [
        problem(("includes", n), f"no plan {key!r} stands beside this one")
        for n, key in enumerate(plan.includes)
        if key not in (included or {})
    ]
    if missing:
        raise PlanError(missing)
    whole = _with_included(plan, [(included or {})[k] for k in plan.includes])
    problems = [problem(path, message) for path, message in _cross_checks(plan, whole)]
    if problems:
        raise PlanError(sorted(problems, key=lambda p: p.line))
    return whole


def _with_included(plan: Plan, others: Sequence[Plan]) -> Plan:
    if not others:
        return plan
    own = plan.model_fields_set

    def merged(field: str, ident: Any) -> list[Any]:
        held: dict[Any, Any] = {}
        for source in (*others, plan):
            for item in getattr(source, field):
                held[ident(item)] = item
        return list(held.values())

    first = others[0]
    lists = {field: merged(field, ident) for field, ident in LISTS.items()}
    stated = {field: getattr(first, field) for field in STATED_WHOLE if field not in own}
    return plan.model_copy(update=lists | stated)


def problems_across(plan: Plan) -> list[str]:
    """Return what is wrong between the entries of a whole plan, each with its place."""
    return [f"{shown(path)}: {message}" for path, message in _cross_checks(plan, plan)]


def _cross_checks(plan: Plan, whole: Plan) -> list[tuple[Place, str]]:
    found: list[tuple[Place, str]] = []
    tasks = {t.key for t in whole.task}
    parts = {p.key for p in whole.part}
    for field, keys in (
        ("task", [t.key for t in plan.task]),
        ("part", [p.key for p in plan.part]),
        ("test", [t.label for t in plan.test]),
    ):
        ident = "device" if field == "test" else "key"
        for n, label in enumerate(keys):
            if label in keys[:n]:
                found.append(((field, n, ident), f"{label!r} stands here a second time"))
    for n, task in enumerate(plan.task):
        for m, before in enumerate(task.after):
            if before not in tasks:
                found.append((("task", n, "after", m), f"no task {before!r} in this plan"))
        for m, used in enumerate(task.parts):
            if used.part not in parts:
                found.append((("task", n, "parts", m), f"no part {used.part!r} in this plan"))
        keys = [r.key for r in task.record if r.key is not None]
        for m, record in enumerate(task.record):
            if record.kind == "part" and record.key not in parts:
                found.append((("task", n, "record", m), f"no part {record.key!r} in this plan"))
            if record.key is not None and keys.count(record.key) > 1:
                found.append((("task", n, "record", m), f"{record.key!r} stands here twice"))
        if task.needs_isolation and not whole.isolation:
            found.append(
                (("task", n, "needs_isolation"), "the plan lists no isolating steps for it")
            )
    for n, wanted in enumerate(plan.wanted):
        name = unknown(wanted)
        if name is not None:
            near, shown = difflib.get_close_matches(name, WANTED, n=1), ", ".join(WANTED)
            hint = f"; did you mean {near[0]!r}?" if near else f"; known are {shown}"
            found.append((("wanted", n), f"nothing is recorded as {name!r}{hint}"))
    for n, test in enumerate(plan.test):
        if test.device not in DEVICES:
            shown = ", ".join(DEVICES)
            found.append((("test", n, "device"), f"no device {test.device!r}; known are {shown}"))
    loop = _loop(whole)
    if loop is not None:
        index = next((n for n, t in enumerate(plan.task) if t.key in loop), 0)
        shown = " -> ".join(loop)
        found.append((("task", index, "after"), f"these wait for each other: {shown}"))
    return found


def _loop(plan: Plan) -> list[str] | None:
    after = {t.key: t.after for t in plan.task}
    done: set[str] = set()

    def walk(key: str, trail: list[str]) -> list[str] | None:
        if key in trail:
            return [*trail[trail.index(key) :], key]
        if key in done:
            return None
        for before in after.get(key, []):
            loop = walk(before, [*trail, key])
            if loop is not None:
                return loop
        done.add(key)
        return None

    for key in after:
        loop = walk(key, [])
        if loop is not None:
            return loop
    return None


def read_plan(path: Path) -> Plan:
    """Return a plan from its file; what it includes is looked for in the same folder.

    Raises
    ------
    PlanError
        If it or an included plan is wrong.
    OSError
        If the file cannot be read.
    """
    return _read(path, ())


def _read(path: Path, trail: tuple[str, ...]) -> Plan:
    text = path.read_text(encoding="utf-8")
    file = path.name
    try:
        wanted = tomllib.loads(text).get("includes", [])
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise PlanError([toml_problem(file, text, error)]) from error
    included: dict[str, Plan] = {}
    for n, key in enumerate(wanted if isinstance(wanted, list) else []):
        line = line_of(lines_of_toml(text), ("includes", n))
        other = path.with_name(str(key) + ".toml")
        if str(key) in (*trail, path.stem):
            told = PlanProblem(file, line, shown(("includes", n)), f"{key!r} includes itself")
            raise PlanError([told])
        if other.is_file():
            included[str(key)] = _read(other, (*trail, path.stem))
    plan = parse_plan(text, file, included=included)
    if plan.key != path.stem:
        line = line_of(lines_of_toml(text), ("key",))
        said = f"is {plan.key!r}, but the file is called {path.name!r}; both have one name"
        raise PlanError([PlanProblem(file, line, "key", said)])
    return plan


def read_plans(folder: Path) -> dict[str, Plan]:
    """Return all plans of a folder by key.

    Raises
    ------
    PlanError
        With the problems of every wrong plan.
    """
    plans: dict[str, Plan] = {}
    problems: list[PlanProblem] = []
    for path in sorted(folder.glob("*.toml")):
        try:
            plan = read_plan(path)
            plans[plan.key] = plan
        except PlanError as error:
            problems += [p for p in error.problems if p not in problems]
    if problems:
        raise PlanError(problems)
    return plans
