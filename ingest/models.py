"""The documents of a visit: site, boiler, limits, instrument, visit.

One set of models serves files on disk, the HTTP API and the store. Unknown keys are refused, and
dimensioned numbers are canonical after validation (see ``ingest.dimensions``).
"""

from __future__ import annotations

from datetime import date, datetime
from typing import Literal
from uuid import UUID

from pydantic import Field, model_validator

from ingest.dimensions import (
    Current,
    Document,
    Length,
    Part,
    Power,
    Pressure,
    Temperature,
    TemperatureDifference,
)
from ingest.service.models import InstalledPart, ServiceRecord
from parsers.model import Phase

Percent = float
VisitState = Literal["open", "handed_in", "accepted", "sent_back"]
Severity = Literal["stop", "fix", "check", "info"]
SEVERITIES: tuple[Severity, ...] = ("stop", "fix", "check", "info")
"""Worst first."""

AirFuelControl = Literal["fixed_air", "ratio_governor", "oxygen_trim", "unknown"]
VentMaterial = Literal["metal", "pvc", "cpvc", "polypropylene", "unknown"]
HowLeft = Literal["running", "off", "isolated"]


class Band(Part):
    """A range with an optional aim inside it; an open end is None."""

    low: float | None = None
    aim: float | None = None
    high: float | None = None

    @model_validator(mode="after")
    def _ordered(self) -> Band:
        numbers = [n for n in (self.low, self.aim, self.high) if n is not None]
        if not numbers or numbers != sorted(numbers):
            raise ValueError("a band needs low <= aim <= high and at least one of them")
        return self


class PressureBand(Part):
    """A range of pressure; an open end is None."""

    low: Pressure | None = None
    high: Pressure | None = None


class TargetPoint(Part):
    """One point of the boiler's own target curve, as its instructions print it: O2 or CO2."""

    firing_rate: Percent = Field(ge=0, le=110)
    fuel: str | None = None
    o2_dry: Band | None = None
    co2_dry: Band | None = None

    @model_validator(mode="after")
    def _one_of_two(self) -> TargetPoint:
        if (self.o2_dry is None) == (self.co2_dry is None):
            raise ValueError("a target point states o2_dry or co2_dry, one of the two")
        return self


class RateLimit(Part):
    """A highest stack temperature at one firing rate; between rates it is interpolated."""

    firing_rate: Percent = Field(ge=0, le=110)
    stack_temperature_max: Temperature


class Limits(Part):
    """What a boiler is held to; a key that is absent takes the default, with its own source.

    Ppm are dry volume parts; ``co_air_free`` is CO * 20.9 / (20.9 - O2).
    """

    targets: list[TargetPoint] = Field(default_factory=list)
    co_air_free_check: float | None = Field(default=None, gt=0)
    co_air_free_fix: float | None = Field(default=None, gt=0)
    co_air_free_stop: float | None = Field(default=None, gt=0)
    nox_at_3_o2_max: float | None = Field(default=None, gt=0)
    o2_spread_max: float | None = Field(default=None, gt=0)
    stack_temperature_max: Temperature | None = None
    stack_temperature_by_rate: list[RateLimit] = Field(default_factory=list)
    approach_rise_max: TemperatureDifference | None = Field(default=None, gt=0)
    vent_temperature_max: Temperature | None = None
    return_water_min: Temperature | None = None
    flame_signal_min: Current | None = Field(default=None, gt=0)
    room_co_check: float | None = Field(default=None, gt=0)
    room_co_stop: float | None = Field(default=None, gt=0)
    gas_inlet_pressure: PressureBand | None = None
    manifold_pressure: PressureBand | None = None
    gas_air_offset: PressureBand | None = Field(
        default=None, description="Gas less air pressure at the ratio governor, with its sign."
    )
    stack_draft: PressureBand | None = None
    overfire_draft: PressureBand | None = None
    smoke_number_max: float | None = Field(default=None, ge=0, le=9)
    oil_pump_pressure: PressureBand | None = None
    oil_nozzle_pressure: PressureBand | None = None
    calibration_interval_days: int | None = Field(default=None, gt=0)
    required_rates: list[Percent] = Field(default_factory=list)
    decision_beyond: float | None = Field(
        default=None,
        gt=0.5,
        lt=1,
        description="Beyond a limit from this probability; 0.95 if absent.",
    )
    decision_within: float | None = Field(
        default=None,
        gt=0,
        lt=0.5,
        description="Within a limit up to this probability; 0.05 if absent.",
    )
    source: str | None = Field(default=None, description="Where these limits come from, as text.")


class LimitsDocument(Document, Limits):
    """Limits on their own, as a company or a model of boiler states them."""


class Site(Document):
    """A plant at one place."""

    id: UUID | None = None
    external_id: str | None = None
    name: str = Field(min_length=1, max_length=200)
    address: str | None = None
    zone: str = Field(default="UTC", description="IANA time zone of the site.")
    altitude: Length | None = None


class Boiler(Document):
    """One boiler and its burner."""

    id: UUID | None = None
    external_id: str | None = None
    site_id: UUID | None = None
    site_external_id: str | None = None
    name: str = Field(default="boiler", min_length=1, max_length=200)
    fuel: str = Field(default="natural_gas", description="A fuel's key, name or composition.")
    rated_input: Power | None = Field(
        default=None, gt=0, description="Gross heat input at high fire."
    )
    turndown: float | None = Field(default=None, ge=1, le=50)
    condensing: bool = False
    medium: Literal["hot_water", "steam"] = "hot_water"
    altitude: Length | None = None
    vent: VentMaterial = "unknown"
    air_fuel_control: AirFuelControl = "unknown"
    burners: list[str] = Field(default_factory=lambda: ["1"], min_length=1)
    rates: list[Percent] = Field(default_factory=list, description="Firing rates it is tested at.")
    zone: str | None = Field(default=None, description="IANA time zone where the site states none.")
    limits: Limits = Field(default_factory=Limits)
    serial: str | None = None
    installed: date | None = None
    plans: list[str] = Field(default_factory=list, description="Keys of its service plans.")
    parts: list[InstalledPart] = Field(default_factory=list, description="Wearing parts in it.")
    van: str | None = Field(default=None, description="The van that serves it.")
    note: str | None = None


class AccuracySpec(Part):
    """An instrument's stated accuracy for one quantity, in its canonical unit.

    The larger of ``absolute`` and ``percent`` of reading; ``coverage`` is the factor k of the
    statement, 0 for limits of a rectangular distribution.
    """

    absolute: float | None = Field(default=None, ge=0)
    percent: float | None = Field(default=None, ge=0)
    coverage: float = Field(default=2.0, ge=0)


class RangeSpec(Part):
    """What an instrument can show of one quantity, in its canonical unit."""

    low: float | None = None
    high: float | None = None


class Instrument(Part):
    """The analyzer in use; its accuracies and ranges by glossary key."""

    name: str | None = None
    serial: str | None = None
    calibrated: date | None = None
    accuracies: dict[str, AccuracySpec] = Field(default_factory=dict)
    ranges: dict[str, RangeSpec] = Field(default_factory=dict)
    leak_check: bool | None = Field(
        default=None, description="Passed, failed, or None: not recorded."
    )
    fresh_air_zero: bool | None = Field(
        default=None, description="Zeroed in fresh air outside the room."
    )
    fresh_air_after: dict[str, float] = Field(
        default_factory=dict, description="Readings in fresh air after the last point, canonical."
    )


class Adjustment(Part):
    """Something changed on the gas, air, burner or vent side, or a part fitted there."""

    time: datetime | None = None
    what: str = Field(min_length=1)
    firing_rate: Percent | None = None


class RoomCo(Part):
    """Carbon monoxide in the boiler room, ppm, and when it was read."""

    value: float = Field(ge=0)
    when: Literal["arrival", "high_fire", "leaving"] | None = None
    time: datetime | None = None


class Handled(Part):
    """What was done about one finding of the judgement."""

    flag: str = Field(
        min_length=1,
        max_length=200,
        description="Id of the flag, or a rule's key: then for every flag of that rule.",
    )
    words: str = Field(min_length=1, max_length=2000)
    by: str = Field(min_length=1, max_length=200)
    time: datetime


class Visit(Document):
    """One attendance at one boiler."""

    id: UUID | None = None
    external_id: str | None = None
    boiler_id: UUID | None = None
    boiler_external_id: str | None = None
    job_id: UUID | None = None
    started: datetime | None = None
    ended: datetime | None = None
    fuel: str | None = None
    technician: str | None = None
    adjustments: list[Adjustment] = Field(default_factory=list)
    adjusted: bool | None = Field(default=None, description="False declares: nothing was adjusted.")
    as_found_stands: bool = Field(
        default=False,
        description="The as-found points stand as the as-left ones: nothing was changed.",
    )
    instrument: Instrument = Field(default_factory=Instrument)
    room_co: list[RoomCo] = Field(default_factory=list)
    condensate_seen: bool | None = None
    how_left: HowLeft | None = None
    altitude: Length | None = None
    barometric_pressure: Pressure | None = None
    combustion_air_temperature: Temperature | None = None
    supply_water_temperature: Temperature | None = None
    return_water_temperature: Temperature | None = None
    phase: Phase | None = Field(default=None, description="Phase of readings that state none.")
    rates: list[Percent] = Field(
        default_factory=list, description="Rates of the saved readings, in file order."
    )
    note: str | None = None
    service: ServiceRecord | None = Field(
        default=None, description="The service part: isolation, tasks, tests, findings."
    )
    handled: list[Handled] = Field(
        default_factory=list,
        description="What was done about each finding; the last word on a flag counts.",
    )

    def done_about(self, flag_id: str, rule: str) -> Handled | None:
        """Return the last word on a flag; one on the flag itself comes before one on its rule."""
        said = {h.flag: h for h in self.handled}
        return said.get(flag_id) or said.get(rule)
