"""A read result as the exchange document fluebook.read/1."""

from __future__ import annotations

from typing import Any

from parsers.model import Bound, Reading, ReadResult


def _bound(bound: Bound) -> dict[str, float]:
    shown = {"above": bound.above, "below": bound.below}
    return {k: v for k, v in shown.items() if v is not None}


def _reading(reading: Reading) -> dict[str, Any]:
    shown: dict[str, Any] = {
        "block": reading.block,
        "lines": list(reading.lines),
        "time": None if reading.time is None else reading.time.isoformat(),
        "time_source": reading.time_source,
        "phase": reading.phase,
        "firing_rate": reading.firing_rate,
        "values": dict(reading.values),
        "missing": dict(reading.missing),
        "bounds": {k: _bound(b) for k, b in reading.bounds.items()},
        "at": {k: list(place) for k, place in reading.at.items()},
    }
    optional = {
        "fuel": reading.fuel,
        "burner": reading.burner,
        "note": reading.note,
        "sheet": reading.sheet,
        "references": dict(reading.references) or None,
    }
    shown.update({k: v for k, v in optional.items() if v is not None})
    return shown


def read_json(result: ReadResult) -> dict[str, Any]:
    """Return the document fluebook.read/1 of a result; numbers are in canonical units."""
    lines = result.lines
    return {
        "format": "fluebook.read/1",
        "file": {"name": result.name, "sha256": result.sha256},
        "lines": {
            "physical": lines.physical,
            "reading": lines.reading,
            "heading": lines.heading,
            "units": lines.units,
            "preamble": lines.preamble,
            "summary": lines.summary,
            "blank": lines.blank,
            "not_read": lines.not_read,
        },
        "columns": [
            {
                "block": c.block,
                "index": c.index,
                "heading": c.heading,
                "unit": c.unit,
                "quantity": c.quantity,
                "confidence": c.confidence,
                "why": c.why,
            }
            for c in result.columns
        ],
        "readings": [_reading(r) for r in result.readings],
        "not_read": [
            {"line": n.line, "column": n.column, "raw": n.raw, "code": n.code, "why": n.why}
            for n in result.not_read
        ],
        "warnings": [
            {"code": w.code, "line": w.line, "column": w.column, "message": w.message}
            for w in result.warnings
        ],
    }
