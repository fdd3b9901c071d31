"""A filled service record of the invented cooperative: a two-yearly visit done as it should be.

The demo shows it, the report's examples print it, and tests bend it to see each rule speak.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from ingest.models import Visit
from ingest.service.models import ServiceRecord
from ingest.service.plans import Plan, PlanTask, read_plan
from ingest.service.sequence import criss_cross

PLAN_FOLDER = Path(__file__).with_name("plans")
TECHNICIAN = "Ilka Brandvoll"
"""Invented, like everybody in the demo."""

_VALUES = {
    "gap": 3.6,
    "orientation": 31.0,
    "ph_in": 3.4,
    "ph_out": 7.1,
    "fresh_air": 20.9,
    "ph": 8.3,
    "conductivity": 480.0,
}
_TESTS: dict[str, dict[str, Any]] = {
    "low_water_cutoff": {"method": "slow_drain", "reset": "manual"},
    "operating_limit": {
        "method": "let_rise",
        "set_point": {"value": 82, "unit": "degC"},
        "trip": {"value": 82.6, "unit": "degC"},
        "reset": "automatic",
    },
    "high_limit": {
        "method": "let_rise",
        "set_point": {"value": 95, "unit": "degC"},
        "trip": {"value": 95.8, "unit": "degC"},
        "reset": "manual",
    },
    "low_gas_pressure": {
        "method": "throttle",
        "set_point": {"value": 1000, "unit": "Pa"},
        "trip": {"value": 990, "unit": "Pa"},
        "reset": "manual",
    },
    "high_gas_pressure": {
        "method": "apply_pressure",
        "set_point": {"value": 3500, "unit": "Pa"},
        "trip": {"value": 3540, "unit": "Pa"},
        "reset": "manual",
    },
    "combustion_air_proving": {"method": "block_air", "reset": "automatic"},
    "flame_failure": {"method": "shut_gas", "lock_out": {"value": 0.9, "unit": "s"}},
    "purge_time": {
        "method": "stopwatch",
        "set_point": {"value": 15, "unit": "s"},
        "trip": {"value": 21, "unit": "s"},
    },
    "valve_leak": {"method": "bubble"},
    "relief_valve": {"method": "look", "mode": "simulated", "note": "Lever not lifted: no spare."},
}


def two_yearly_plan() -> Plan:
    """Return the demo's two-yearly plan."""
    return read_plan(PLAN_FOLDER / "condensing-gas-two-yearly.toml")


def filled_document(plan: Plan, start: datetime) -> dict[str, Any]:
    """Return a filled record of a plan as plain data, every answer as it should be.

    Parameters
    ----------
    plan : Plan
        Every task, test and step of it is filled.
    start : datetime
        When the technician arrived, with its offset.
    """
    clock = [start]

    def tick(minutes: float) -> str:
        clock[0] += timedelta(minutes=minutes)
        return clock[0].isoformat()

    steps, tasks, isolation = [], [], []
    for step in plan.steps:
        if step == "isolate":
            isolation = [
                {"step": s, "by": TECHNICIAN, "time": tick(2), "tag": "L-14"}
                for s in plan.isolation
            ]
        steps.append({"step": step, "time": tick(5)})
        tasks += [_task(plan, t, tick(6)) for t in plan.task if t.step == step]
    done = {t["task"] for t in tasks}
    tasks += [_task(plan, t, tick(6)) for t in plan.task if t.key not in done]
    return {
        "plan": plan.key,
        "plan_version": plan.version,
        "steps": steps,
        "isolation": isolation,
        "restored": {"by": TECHNICIAN, "time": tick(1)} if isolation else None,
        "tasks": tasks,
        "light_offs": [
            {
                "by": TECHNICIAN,
                "purge": {"value": 31, "unit": "s"},
                "trial": {"value": 3.2, "unit": "s"},
                "flame_signal": {"value": 5.4, "unit": "uA"},
                "ignition": "smooth",
                "co_peak": 310,
            }
        ],
        "gas": {
            "inlet_burners_off": {"value": 7.4, "unit": "inWC"},
            "inlet_high_fire_alone": {"value": 6.9, "unit": "inWC"},
            "inlet_all_appliances": {"value": 6.4, "unit": "inWC"},
            "offset_low_fire": {"value": -3, "unit": "Pa"},
            "offset_high_fire": {"value": -8, "unit": "Pa"},
            "nipples_closed": True,
            "nipples_leak_checked": True,
        },
        "vent": {"spillage": "none", "outlet_draft": {"value": 12, "unit": "Pa"}},
        "tests": [
            {"device": t.device, "result": "tripped", "by": TECHNICIAN, "time": tick(4)}
            | ({"name": t.name} if t.name else {})
            | _TESTS.get(t.device, {})
            for t in plan.test
        ],
        "bypasses": [
            {
                "what": "Operating limit raised for the high-limit test",
                "kind": "set_point",
                "placed": {"by": TECHNICIAN, "time": tick(1)},
                "removed": {"by": TECHNICIAN, "time": tick(9)},
            }
        ],
        "findings": [
            {
                "id": "drain-slope",
                "text": "Condensate drain sags behind the pump; no slope over 2 m.",
                "severity": "check",
                "opened": start.date().isoformat(),
            }
        ],
        "left": {"told": ["Halvor Quist, plant"]},
        "counters": {"running_hours": 14210, "starts": 21870},
    }


def _task(plan: Plan, task: PlanTask, time: str) -> dict[str, Any]:
    entry: dict[str, Any] = {"task": task.key, "outcome": "done", "time": time, "by": TECHNICIAN}
    for wanted in task.record:
        if wanted.kind == "grade":
            entry["grade"] = "good"
        elif wanted.kind == "note":
            entry["note"] = "As it should be."
        elif wanted.kind == "part":
            part = plan.part_of(wanted.key or "")
            replaced: dict[str, Any] = {"part": wanted.key}
            if part is not None and part.serial:
                replaced |= {"serial_before": "QX-0731", "serial_after": "QX-2264"}
            entry.setdefault("replaced", []).append(replaced)
        elif wanted.kind == "torque":
            entry.setdefault("measured", []).extend(
                {"key": wanted.key, "value": 32 + n % 3, "unit": wanted.unit, "nut": nut}
                for n, nut in enumerate(criss_cross(wanted.nuts or 4))
            )
        elif wanted.kind == "value":
            value = _VALUES.get(wanted.key or "", wanted.low if wanted.low is not None else 0.0)
            entry.setdefault("measured", []).append(
                {"key": wanted.key, "value": value, "unit": wanted.unit}
            )
    return entry


def filled_record(plan: Plan, start: datetime) -> ServiceRecord:
    """Return :func:`filled_document` as a validated record."""
    visit = Visit.model_validate({"service": filled_document(plan, start)})
    if visit.service is None:  # pragma: no cover - it was given just above
        raise ValueError("a visit without a service record")
    return visit.service
