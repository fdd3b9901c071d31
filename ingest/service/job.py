"""A job: the boilers of one plant and day, and what their visits share, entered once.

People, instrument, room CO, the shared gas supply, vent and system water stand in the job; a visit
that states its own keeps it.
"""

from __future__ import annotations

from datetime import date
from uuid import UUID

from pydantic import Field

from ingest.dimensions import Document
from ingest.models import Instrument, RoomCo, Visit
from ingest.service.models import GasPressures, Measured, ServiceRecord, VentChecks

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


def with_job(visit: Visit, job: Job) -> Visit:
    """Return the visit with what it leaves out filled from its job.

    A gas pressure or vent answer is filled one by one, because the inlet may be shared while the
    manifold is the boiler's own.
    """
    changes: dict[str, object] = {}
    if visit.technician is None and job.people:
        changes["technician"] = ", ".join(job.people)
    if "instrument" not in visit.model_fields_set and job.instrument is not None:
        changes["instrument"] = job.instrument
    if not visit.room_co and job.room_co:
        changes["room_co"] = list(job.room_co)
    if job.gas is not None or job.vent is not None or job.water:
        changes["service"] = _service(visit.service or ServiceRecord(), job)
    return visit.model_copy(update=changes)


def _service(record: ServiceRecord, job: Job) -> ServiceRecord:
    changes: dict[str, object] = {}
    if job.gas is not None:
        own = {} if record.gas is None else record.gas.model_dump(exclude_none=True)
        changes["gas"] = job.gas.model_copy(update=own)
    if job.vent is not None:
        spoken = {} if record.vent is None else record.vent.model_dump(exclude_unset=True)
        changes["vent"] = job.vent.model_copy(update=spoken)
    if job.water:
        tasks = [
            task.model_copy(update={"measured": list(job.water)})
            if task.task == WATER_TASK and not task.measured
            else task
            for task in record.tasks
        ]
        changes["tasks"] = tasks
    return record.model_copy(update=changes)
