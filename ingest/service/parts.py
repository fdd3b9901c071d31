"""Which wearing parts stand in a boiler: its own list, and what visits put in since."""

from __future__ import annotations

from collections.abc import Iterable

from ingest.models import Visit
from ingest.service.models import InstalledPart


def parts_before(listed: Iterable[InstalledPart], visits: Iterable[Visit]) -> list[InstalledPart]:
    """Return the parts as they stand after some visits, by key.

    Parameters
    ----------
    listed : iterable of InstalledPart
        What the boiler's document lists; of two entries for one part the later day counts.
    visits : iterable of Visit
        Finished visits, oldest first; a part replaced on a visit of unknown day is left out.

    Notes
    -----
    A part fitted anew starts with the counters of that visit. Where the new serial is not recorded
    none is known: the old part's would be wrong.
    """
    held: dict[str, InstalledPart] = {}
    for part in listed:
        _later(held, part)
    for visit in visits:
        moment = visit.ended or visit.started
        if visit.service is None or moment is None:
            continue
        counters = visit.service.counters
        for entry in visit.service.tasks:
            for replaced in entry.replaced:
                fitted = InstalledPart(
                    part=replaced.part,
                    installed=moment.date(),
                    serial=replaced.serial_after,
                    running_hours=None if counters is None else counters.running_hours,
                    starts=None if counters is None else counters.starts,
                )
                _later(held, fitted)
    return [held[key] for key in sorted(held)]


def _later(held: dict[str, InstalledPart], part: InstalledPart) -> None:
    before = held.get(part.part)
    # On one day the boiler's own list stands: it is kept after the visit and may say more.
    if before is None or part.installed > before.installed:
        held[part.part] = part
