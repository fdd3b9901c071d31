"""The recorded service part of a visit: what was isolated, done, measured, replaced, tested, left.

These documents hang under ``Visit.service``. Pressures, currents and times with a fixed kind are
canonical (``ingest.dimensions``); values whose unit the plan fixes keep the unit they were read in
beside them.
"""

from __future__ import annotations

from datetime import date, datetime
from typing import Literal

from pydantic import Field

from ingest.dimensions import Current, Duration, Part, Pressure
from ingest.service.order import Step

IsolationStep = Literal[
    "power_locked_and_tagged",
    "gas_closed",
    "oil_closed",
    "supply_valve_closed",
    "return_valve_closed",
    "pressure_released",
    "verified_dead",
]
Outcome = Literal["done", "not_done", "not_applicable"]
Grade = Literal["good", "worn", "poor", "failed"]
Ignition = Literal["smooth", "delayed", "rumbling", "none"]
TestResult = Literal["tripped", "did_not_trip", "not_tested"]
FindingSeverity = Literal["stop", "fix", "check", "info"]
Name = Field(min_length=1, max_length=200)


class Signed(Part):
    """Who did something, and when."""

    by: str = Name
    time: datetime


class IsolationEntry(Signed):
    """One isolating step, with lock or tag number and how it was verified."""

    step: IsolationStep
    tag: str | None = None
    how: str | None = None


class StepEntry(Part):
    """One step of the work, in the order in which it was done."""

    step: Step
    time: datetime | None = None


class Measured(Part):
    """A number read at a task, in the unit it was read in; ``nut`` where there are several."""

    key: str
    value: float
    unit: str
    nut: int | None = Field(default=None, ge=1)


class PartReplaced(Part):
    """A part taken out and one put in."""

    part: str
    quantity: int = Field(default=1, ge=1)
    serial_before: str | None = None
    serial_after: str | None = None
    by: str | None = None


class TaskEntry(Part):
    """What was done of one task of the plan."""

    task: str
    outcome: Outcome
    time: datetime | None = None
    by: str | None = None
    grade: Grade | None = None
    measured: list[Measured] = Field(default_factory=list)
    replaced: list[PartReplaced] = Field(default_factory=list)
    photos: list[str] = Field(default_factory=list, description="SHA-256 of each picture.")
    reason: str | None = Field(default=None, description="Why it was not done, or does not apply.")
    note: str | None = None


class LightOff(Part):
    """One trial for ignition."""

    time: datetime | None = None
    by: str | None = None
    purge: Duration | None = Field(default=None, ge=0)
    trial: Duration | None = Field(default=None, ge=0)
    flame_signal: Current | None = Field(default=None, ge=0)
    ignition: Ignition
    co_peak: float | None = Field(default=None, ge=0, description="ppm dry, first 30 s.")


class GasPressures(Part):
    """Gas pressures at the train, and the state of its test nipples afterwards."""

    inlet_burners_off: Pressure | None = None
    inlet_high_fire_alone: Pressure | None = None
    inlet_all_appliances: Pressure | None = None
    manifold_low_fire: Pressure | None = None
    manifold_high_fire: Pressure | None = None
    offset_low_fire: Pressure | None = None
    offset_high_fire: Pressure | None = None
    nipples_closed: bool | None = None
    nipples_leak_checked: bool | None = None


class VentChecks(Part):
    """Spillage at the boiler and draft; a draft below the room's pressure is negative."""

    spillage: Literal["none", "seen", "not_checked"] = "not_checked"
    outlet_draft: Pressure | None = None
    overfire_draft: Pressure | None = None


class OilChecks(Part):
    """Oil burner: the smoke spot comes before the gas probe goes in."""

    smoke_number: float | None = Field(default=None, ge=0, le=9)
    smoke_before_probe: bool | None = None
    pump_pressure: Pressure | None = None
    nozzle_pressure: Pressure | None = None


class Bypass(Part):
    """A jumper, a forced input or a changed set point; listed when placed, signed when removed."""

    what: str = Name
    kind: Literal["jumper", "forced_input", "set_point"]
    placed: Signed
    removed: Signed | None = None


class Value(Part):
    """A number with the unit it was read in."""

    value: float
    unit: str


class SafetyTest(Part):
    """One test of one device."""

    device: str
    name: str | None = Field(default=None, description="Which of several devices of a kind.")
    time: datetime | None = None
    by: str | None = None
    method: str | None = Field(default=None, description="Key of how it was provoked.")
    mode: Literal["real", "simulated"] = "real"
    set_point: Value | None = None
    trip: Value | None = None
    tolerance: Value | None = None
    direction: Literal["rising", "falling"] | None = None
    reset: Literal["automatic", "manual", "not_reset"] | None = None
    lock_out: Duration | None = Field(default=None, ge=0, description="Time until lock-out.")
    result: TestResult
    retest: bool = False
    note: str | None = None

    @property
    def label(self) -> str:
        """Return the device's key, with its name where several are of one kind."""
        return self.device if self.name is None else f"{self.device} {self.name}"


class Finding(Part):
    """Something found that follows the boiler until it is closed."""

    id: str = Name
    text: str = Field(min_length=1, max_length=2000)
    severity: FindingSeverity = "check"
    opened: date
    task: str | None = None


class FindingClosed(Part):
    """A finding of this or an earlier visit that was put right."""

    id: str = Name
    closed: Signed
    how: str = Field(min_length=1, max_length=2000)


class HowItWasLeft(Part):
    """Who was told how the boiler was left, and why where a stop is open and it runs."""

    told: list[str] = Field(default_factory=list)
    reason: str | None = None
    reason_by: str | None = None


class InstalledPart(Part):
    """A wearing part as it stands in the boiler before a visit."""

    part: str
    installed: date
    serial: str | None = None
    running_hours: float | None = Field(default=None, ge=0, description="Counter when fitted.")
    starts: float | None = Field(default=None, ge=0, description="Counter when fitted.")


class Counters(Part):
    """What the boiler's counters showed."""

    running_hours: float | None = Field(default=None, ge=0)
    starts: float | None = Field(default=None, ge=0)


class ServiceRecord(Part):
    """The service part of one visit, as recorded."""

    plan: str | None = Field(default=None, description="Key of the plan followed.")
    plan_version: str | None = None
    steps: list[StepEntry] = Field(default_factory=list)
    isolation: list[IsolationEntry] = Field(default_factory=list)
    restored: Signed | None = Field(default=None, description="Locks off, energy back.")
    tasks: list[TaskEntry] = Field(default_factory=list)
    light_offs: list[LightOff] = Field(default_factory=list)
    gas: GasPressures | None = None
    vent: VentChecks | None = None
    oil: OilChecks | None = None
    tests: list[SafetyTest] = Field(default_factory=list)
    bypasses: list[Bypass] = Field(default_factory=list)
    findings: list[Finding] = Field(default_factory=list)
    closed: list[FindingClosed] = Field(default_factory=list)
    left: HowItWasLeft = Field(default_factory=HowItWasLeft)
    counters: Counters | None = None

    def ordered_steps(self) -> list[Step]:
        """Return the steps by time where every one has a time, else as written."""
        entries = list(self.steps)
        if entries and all(e.time is not None for e in entries):
            entries.sort(key=lambda e: e.time.timestamp() if e.time is not None else 0.0)
        return [e.step for e in entries]

    def task(self, key: str) -> TaskEntry | None:
        """Return the last entry of a task."""
        return next((t for t in reversed(self.tasks) if t.task == key), None)
