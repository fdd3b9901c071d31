"""Visits as the API answers them: numbers in canonical units, under glossary keys."""

from __future__ import annotations

from typing import Any

from ingest.intake import VisitView
from ingest.judge_json import judge_json
from ingest.store.lists import Listed
from ingest.store.readings import Attachment
from parsers import FiringPoint


def point_json(point: FiringPoint) -> dict[str, Any]:
    """Return one firing point: its key, and each quantity's mean, spread and count."""
    return {
        "burner": point.key.burner,
        "fuel": point.key.fuel,
        "phase": point.key.phase,
        "firing_rate": point.key.firing_rate,
        "pass": point.key.pass_number,
        "count": point.count,
        "started": None if point.started is None else point.started.isoformat(),
        "ended": None if point.ended is None else point.ended.isoformat(),
        "values": {
            key: {"mean": s.mean, "spread": s.spread, "count": s.count}
            for key, s in point.values.items()
        },
        "missing": dict(point.missing),
        "bounds": {k: {"above": b.above, "below": b.below} for k, b in point.bounds.items()},
        "lines": list(point.lines),
        "rate_basis": point.rate_basis,
    }


def attachment_json(file: Attachment) -> dict[str, Any]:
    """Return a kept file without its bytes."""
    return {
        "id": str(file.id),
        "name": file.name,
        "kind": file.kind,
        "sha256": file.sha256,
        "size": file.size,
        "statement": dict(file.statement),
        "added_at": file.added_at,
        "added_by": file.added_by,
        "withdrawn_at": file.withdrawn_at,
    }


def _plan_json(view: VisitView) -> dict[str, Any] | None:
    """Return the plan and version that the judgement was made by, None where there was none."""
    decided = [j for j in view.judgements if j.kind != "again"][-1:]
    if not decided or decided[0].plan is None:
        return None
    return {"key": decided[0].plan, "version": decided[0].plan_version}


def visit_json(view: VisitView) -> dict[str, Any]:
    """Return one visit with all that hangs under it."""
    return {
        "format": "fluebook.visit/1",
        "visit": view.visit.model_dump(mode="json", exclude_none=True),
        "job": None if view.job is None else view.job.model_dump(mode="json", exclude_none=True),
        "state": view.state,
        "imported": view.imported,
        "version": view.version,
        "handed_in_at": view.handed_in_at,
        "boiler": None
        if view.boiler is None
        else {"id": str(view.boiler.id), "name": view.boiler.name},
        "site": None if view.site is None else {"id": str(view.site.id), "name": view.site.name},
        "points": [point_json(p) for p in view.points],
        "judgement": judge_json(view.judgement),
        "plan": _plan_json(view),
        "files": [attachment_json(a) for a in view.attachments],
    }


def listed_json(one: Listed) -> dict[str, Any]:
    """Return one row of the list of visits."""
    return {
        "id": str(one.visit_id),
        "boiler": None
        if one.boiler_id is None
        else {"id": str(one.boiler_id), "name": one.boiler_name},
        "site": one.site_name,
        "state": one.state,
        "started": one.started,
        "technician": one.technician,
        "worst": one.worst,
        "rule": one.worst_rule,
        "message": one.worst_message,
        "flags": dict(one.flag_counts),
        "covered": one.covered,
    }
