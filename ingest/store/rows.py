"""Readings and firing points to JSON and back, without loss."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from datetime import datetime
from typing import Any

from ingest.store.audit import canonical_json
from parsers.model import Bound, Reading
from parsers.points import FiringPoint, PointKey, Settled


def _bounds_out(bounds: Mapping[str, Bound]) -> dict[str, list[float | None]]:
    return {key: [b.above, b.below] for key, b in bounds.items()}


def _bounds_in(bounds: Mapping[str, list[float | None]]) -> dict[str, Bound]:
    return {key: Bound(above, below) for key, (above, below) in bounds.items()}


def _time_out(moment: datetime | None) -> str | None:
    return None if moment is None else moment.isoformat()


def _time_in(text: str | None) -> datetime | None:
    return None if text is None else datetime.fromisoformat(text)


def reading_json(reading: Reading) -> str:
    """Return a reading as the book keeps it.

    Raises
    ------
    ValueError
        If a value is not finite: a missing value is absent, with its reason in ``missing``.
    """
    for key, value in reading.values.items():
        if not math.isfinite(value):
            raise ValueError(f"{key} is {value}; a value that was not read belongs in missing")
    document: dict[str, Any] = {
        "values": dict(reading.values),
        "time_source": reading.time_source,
        "time": _time_out(reading.time),
        "lines": reading.lines,
        "missing": reading.missing and dict(reading.missing),
        "bounds": reading.bounds and _bounds_out(reading.bounds),
        "at": reading.at and dict(reading.at),
        "references": reading.references and dict(reading.references),
        "note": reading.note,
        "sheet": reading.sheet,
        "block": reading.block,
    }
    said = {k: v for k, v in document.items() if v or k == "values"}
    return canonical_json(said)


def reading_from(
    document: str, *, phase: Any, burner: str | None, fuel: str | None, firing_rate: float | None
) -> Reading:
    """Return a reading from its row."""
    found = json.loads(document)
    return Reading(
        values={k: float(v) for k, v in found["values"].items()},
        time=_time_in(found.get("time")),
        time_source=found["time_source"],
        phase=phase,
        firing_rate=firing_rate,
        fuel=fuel,
        burner=burner,
        block=found.get("block", 0),
        lines=tuple(found.get("lines", ())),
        missing=found.get("missing", {}),
        bounds=_bounds_in(found.get("bounds", {})),
        at={k: (line, column) for k, (line, column) in found.get("at", {}).items()},
        references=found.get("references", {}),
        note=found.get("note"),
        sheet=found.get("sheet"),
    )


def point_json(point: FiringPoint) -> str:
    """Return a firing point as the book keeps it, without its readings."""
    started = _time_out(point.started)
    return canonical_json(
        {
            "values": {key: tuple(settled) for key, settled in point.values.items()},
            "count": point.count,
            "started": started,
            "ended": started if point.ended is point.started else _time_out(point.ended),
            "bounds": _bounds_out(point.bounds),
            "missing": dict(point.missing),
            "references": dict(point.references),
            "lines": list(point.lines),
            "rate_basis": point.rate_basis,
        }
    )


def point_from(key: PointKey, document: str) -> FiringPoint:
    """Return a firing point from its row."""
    found = json.loads(document)
    return FiringPoint(
        key=key,
        values={k: Settled(*s) for k, s in found["values"].items()},
        count=found["count"],
        started=_time_in(found["started"]),
        ended=_time_in(found["ended"]),
        bounds=_bounds_in(found["bounds"]),
        missing=found["missing"],
        references=found["references"],
        lines=tuple(found["lines"]),
        rate_basis=found["rate_basis"],
    )
