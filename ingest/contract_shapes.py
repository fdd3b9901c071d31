"""Shapes of the documents that other programs read; their JSON Schemas are made from these."""

from __future__ import annotations

from typing import Literal, NotRequired

from typing_extensions import TypedDict

from ingest.judgement import Answer, Level, Status
from ingest.models import Severity
from parsers.model import Phase, TimeSource


class LimitsReference(TypedDict):
    """Which snapshot of limits was used."""

    id: str
    sha256: str


class LimitRange(TypedDict):
    """The limit that a value was held to; an open end is null."""

    low: float | None
    high: float | None


class SourceShape(TypedDict):
    """Where a limit comes from, how that is known, and which level stated it."""

    text: str
    status: Status
    level: Level


class FlagShape(TypedDict):
    """One finding. Numbers in ``unit``; ``uncertainty`` is standard, k = 1."""

    id: str
    rule: str
    severity: Severity
    phase: Phase | None
    burner: str | None
    fuel: str | None
    firing_rates: list[float]
    quantity: str | None
    unit: str | None
    value: float | None
    uncertainty: float | None
    limit: LimitRange
    answer: Answer | None
    probability_beyond: float | None
    source: SourceShape | None
    message: str
    next_step: str
    effects: list[str]


class NotJudgedShape(TypedDict):
    """A rule that lacked its input."""

    rule: str
    needs: str
    why: str


class JudgeShape(TypedDict):
    format: Literal["fluebook.judge/1"]
    visit: str | None
    worst: Severity | None
    rules_version: str
    limits: LimitsReference
    flags: list[FlagShape]
    not_judged: list[NotJudgedShape]
    work_done: NotRequired[list[FlagShape]]


class FileShape(TypedDict):
    """The file that was read."""

    name: str
    sha256: str


class LinesShape(TypedDict):
    """Physical lines by class; the classes add up to ``physical``."""

    physical: int
    reading: int
    heading: int
    units: int
    preamble: int
    summary: int
    blank: int
    not_read: int


class ColumnShape(TypedDict):
    """How one column was understood."""

    block: int
    index: int
    heading: str
    unit: str | None
    quantity: str | None
    confidence: float
    why: str


class BoundShape(TypedDict):
    """A value known only to lie beyond what the instrument shows."""

    above: NotRequired[float]
    below: NotRequired[float]


class ReadingShape(TypedDict):
    """One sample; values are canonical numbers by glossary key."""

    block: int
    lines: list[int]
    time: str | None
    time_source: TimeSource
    phase: Phase | None
    firing_rate: float | None
    values: dict[str, float]
    missing: dict[str, str]
    bounds: dict[str, BoundShape]
    at: dict[str, tuple[int, int]]
    fuel: NotRequired[str]
    burner: NotRequired[str]
    note: NotRequired[str]
    sheet: NotRequired[str]
    references: NotRequired[dict[str, float]]


class NotReadShape(TypedDict):
    """A line or cell that is not in the readings, and why."""

    line: int
    column: int | None
    raw: str
    code: str
    why: str


class WarningShape(TypedDict):
    """Something read with a decision that the person should know of."""

    code: str
    line: int | None
    column: int | None
    message: str


class ReadShape(TypedDict):
    format: Literal["fluebook.read/1"]
    file: FileShape
    lines: LinesShape
    columns: list[ColumnShape]
    readings: list[ReadingShape]
    not_read: list[NotReadShape]
    warnings: list[WarningShape]


class ComputedRowShape(TypedDict):
    """One row of a computed table; ``line`` is null for a case given by options."""

    row: int
    line: int | None
    values: dict[str, float]
    u: dict[str, float]
    refused: dict[str, str]
    input: NotRequired[dict[str, str]]


class ComputeShape(TypedDict):
    """fluebook.compute/1: computed values by glossary key, missing ones with their reason."""

    format: Literal["fluebook.compute/1"]
    conventions: dict[str, str]
    notes: list[str]
    rows: list[ComputedRowShape]
