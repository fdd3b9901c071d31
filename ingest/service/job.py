"""A job: the boilers of one plant and day, and what their visits share, entered once.

People, instrument, room CO, the shared gas supply, vent and system water stand in the job; a visit
that states its own keeps it.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from uuid import UUID

from pydantic import Field

from ingest.dimensions import Document, Part
from ingest.models import Instrument, RoomCo, Visit
from ingest.service.models import GasPressures, Measured, ServiceRecord, TaskEntry, VentChecks

WATER_TASK = "water_quality"
"""Task to which shared water readings belong."""


class Job(Document):
    """What the visits of one plant and day share."""

    id: UUID | None = None
    external_id: str | None = None
    site_id: UUID | None = None
    on: date | None = None
    people: list[str] = Field(default_factory=list)
    instrument: Instrument | None = None
    room_co: list[RoomCo] = Field(default_factory=list)
    gas: GasPressures | None = None
    vent: VentChecks | None = None
    water: list[Measured] = Field(default_factory=list)
    note: str | None = None


def with_job(visit: Visit, job: Job | None) -> Visit:
    """Return the visit with what it leaves out filled from its job.

    What counts as left out is the value, not how it came to be there: a visit that was stored and
    read again states every field. A gas pressure or vent answer is filled one by one, because the
    inlet may be shared while the manifold is the boiler's own.

    Examples
    --------
    >>> with_job(Visit(), Job(people=["A. Mayer", "B. Ortiz"])).technician
    'A. Mayer, B. Ortiz'
    """
    if job is None:
        return visit
    changes: dict[str, object] = {}
    if visit.technician is None and job.people:
        changes["technician"] = ", ".join(job.people)
    if job.instrument is not None and not _another(visit.instrument, job.instrument):
        changes["instrument"] = _filled(visit.instrument, job.instrument)
    moments = {r.when for r in visit.room_co}
    shared = [r for r in job.room_co if r.when not in moments]
    if shared:
        changes["room_co"] = [*visit.room_co, *shared]
    record = _service(visit.service or ServiceRecord(), job)
    if record != (visit.service or ServiceRecord()):
        changes["service"] = record
    return visit.model_copy(update=changes)


def _another(own: Instrument, shared: Instrument) -> bool:
    """Return whether a visit names another instrument than its job: then nothing is shared."""
    return any(
        mine is not None and theirs is not None and mine != theirs
        for mine, theirs in ((own.name, shared.name), (own.serial, shared.serial))
    )


def _filled(own: Part, shared: Part) -> Part:
    """Return a part with each field that still has its default taken from the shared one."""
    blank = type(own)()
    gaps = {
        name: getattr(shared, name)
        for name in type(own).model_fields
        if getattr(own, name) == getattr(blank, name)
    }
    return own.model_copy(update=gaps)


def _service(record: ServiceRecord, job: Job) -> ServiceRecord:
    changes: dict[str, object] = {}
    if job.gas is not None:
        changes["gas"] = _filled(record.gas or GasPressures(), job.gas)
    if job.vent is not None:
        changes["vent"] = _filled(record.vent or VentChecks(), job.vent)
    if job.water:
        changes["tasks"] = [_water(task, job.water) for task in record.tasks]
    return record.model_copy(update=changes)


def _water(task: TaskEntry, shared: Sequence[Measured]) -> TaskEntry:
    """Return the water task with the values it lacks; values never say that a task was done."""
    if task.task != WATER_TASK or task.outcome != "done":
        return task
    own = {m.key for m in task.measured}
    fresh = [m for m in shared if m.key not in own]
    return task.model_copy(update={"measured": [*task.measured, *fresh]})
