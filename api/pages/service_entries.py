"""Between a recorded service part and the fields of its form: both ways, nothing lost.

A field's name says where its value stands (``task.igniter.value.gap``). What the form does not show
(work outside the plan) is carried over from the record as it stands. What cannot be understood is
told by field, and the entries stay as they were typed.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime, tzinfo
from typing import Any

from api.pages.service_measures import measure_entries, measures_from, visit_from
from api.pages.service_reader import ON, Entries, Reader, local_text, number_text
from api.plan_words import plan_text
from api.settings import UnitSystem
from api.words import _
from ingest.models import Visit
from ingest.service.models import Measured, ServiceRecord, TaskEntry
from ingest.service.plans import Plan, PlanTask, PlanTest
from ingest.service.safety import DEVICES
from ingest.service.sequence import criss_cross

LIGHT_OFF_NUMBERS = ("purge", "trial", "flame_signal", "co_peak")


def entries_of(
    visit: Visit, plan: Plan, zone: tzinfo, system: UnitSystem = "si", typed: Entries | None = None
) -> dict[str, str]:
    """Return the form's fields as a record fills them; an empty field is not in it.

    ``system`` says in which units pressures are shown; ``typed`` entries say their own.
    """
    record = visit.service or ServiceRecord()
    found: dict[str, str | None] = {"how_left": visit.how_left}
    found |= measure_entries(visit, zone, system, typed or {})
    for entry in record.isolation:
        found[f"iso.{entry.step}"] = ON
        found[f"iso.{entry.step}.time"] = local_text(entry.time, zone)
        found["tag"] = entry.tag or found.get("tag")
    if record.restored is not None:
        found["restored"] = ON
        found["restored.time"] = local_text(record.restored.time, zone)
    for step in record.steps:
        found[f"step.{step.step}"] = ON
        found[f"step.{step.step}.time"] = local_text(step.time, zone)
    for task in record.tasks:
        found |= _task_fields(task)
    for test in record.tests:
        at = f"test.{test.label}"
        found |= {f"{at}.{k}": getattr(test, k) for k in ("result", "method", "reset", "note")}
        found[f"{at}.retest"] = ON if test.retest else None
        found[f"{at}.lock_out"] = None if test.lock_out is None else number_text(test.lock_out)
        for name, value in (("set_point", test.set_point), ("trip", test.trip)):
            if value is not None:
                found[f"{at}.{name}"] = number_text(value.value)
                found[f"{at}.{name}.unit"] = value.unit
    for n, bypass in enumerate(record.bypasses):
        found |= {f"bypass.{n}.what": bypass.what, f"bypass.{n}.kind": bypass.kind}
        found[f"bypass.{n}.removed"] = ON if bypass.removed is not None else None
    for n, trial in enumerate(record.light_offs):
        found[f"light.{n}.ignition"] = trial.ignition
        for name in LIGHT_OFF_NUMBERS:
            value = getattr(trial, name)
            found[f"light.{n}.{name}"] = None if value is None else number_text(value)
    for n, finding in enumerate(record.findings):
        found |= {f"finding.{n}.text": finding.text, f"finding.{n}.severity": finding.severity}
    for closed in record.closed:
        found[f"close.{closed.id}"] = closed.how
    found |= {
        "told": "\n".join(record.left.told),
        "reason": record.left.reason,
        "reason_by": record.left.reason_by,
    }
    if record.counters is not None:
        for name in ("running_hours", "starts"):
            value = getattr(record.counters, name)
            found[name] = None if value is None else number_text(value)
    return {k: v for k, v in found.items() if v}


def _task_fields(task: TaskEntry) -> dict[str, str | None]:
    at = f"task.{task.task}"
    found: dict[str, str | None] = {
        f"{at}.{k}": getattr(task, k) for k in ("outcome", "reason", "grade", "note")
    }
    for measured in task.measured:
        name = f"{at}.value.{measured.key}" + (f".{measured.nut}" if measured.nut else "")
        found |= {
            name: number_text(measured.value),
            f"{at}.value.{measured.key}.unit": measured.unit,
        }
    for part in task.replaced:
        found[f"{at}.part.{part.part}"] = ON
        found[f"{at}.part.{part.part}.before"] = part.serial_before
        found[f"{at}.part.{part.part}.after"] = part.serial_after
        if part.quantity > 1:
            found[f"{at}.part.{part.part}.quantity"] = str(part.quantity)
    for sha256 in task.photos:
        found[f"{at}.photo.{sha256}"] = ON
    return found


def record_from(
    entries: Entries,
    plan: Plan,
    visit: Visit,
    *,
    who: str,
    now: datetime,
    zone: tzinfo,
) -> tuple[dict[str, Any], dict[str, str]]:
    """Return the visit as a document, and what was not understood by field.

    Parameters
    ----------
    entries : mapping of field name to text
        As the form was sent.
    plan : Plan
        The plan that the form follows.
    visit : Visit
        As the book has it: what the form does not show is carried over from its service part.
    who : str
        Signs what is new.
    now : datetime
        Time of what was ticked without one.
    zone : tzinfo
        Of the times typed.
    """
    before = visit.service or ServiceRecord()
    reader = Reader(entries, who, now.astimezone(zone).replace(microsecond=0), zone)
    kept = before.model_dump(exclude_none=True)
    document: dict[str, Any] = {
        **kept,
        "plan": plan.key,
        "plan_version": plan.version,
        "isolation": _isolation(reader, plan, kept),
        "restored": reader.signed("restored.time", kept.get("restored"))
        if reader.text("restored")
        else None,
        "steps": _steps(reader, plan, kept),
        "tasks": _replaced(kept["tasks"], "task", [_task(reader, t, before) for t in plan.task]),
        "tests": _tests(reader, plan, before),
        "bypasses": _bypasses(reader, kept),
        "light_offs": _light_offs(reader, kept),
        "findings": _findings(reader, kept),
        "closed": _closed(reader, kept),
        "left": {
            "told": [t for t in (entries.get("told") or "").splitlines() if t.strip()],
            "reason": reader.text("reason"),
            "reason_by": reader.text("reason_by"),
        },
    }
    counters = {n: reader.number(n) for n in ("running_hours", "starts")}
    document["counters"] = counters if any(v is not None for v in counters.values()) else None
    document |= measures_from(reader, before)
    whole = {**visit.model_dump(), **visit_from(reader, visit), "service": document}
    return whole, reader.wrong


def _replaced(
    kept: Sequence[Mapping[str, Any]],
    ident: str,
    made: Sequence[tuple[str, Mapping[str, Any] | None]],
) -> list[Mapping[str, Any]]:
    """Put each entry in the place of the last one of its key; those outside the plan stay."""
    out: list[Mapping[str, Any] | None] = list(kept)
    for key, entry in made:
        places = [n for n, e in enumerate(out) if e is not None and e[ident] == key]
        if places:
            out[places[-1]] = entry
        else:
            out.append(entry)
    return [e for e in out if e is not None]


def _isolation(reader: Reader, plan: Plan, kept: Mapping[str, Any]) -> list[dict[str, Any]]:
    there = {e["step"]: e for e in kept["isolation"]}
    outside = [e for e in kept["isolation"] if e["step"] not in plan.isolation]
    made = []
    for step in plan.isolation:
        if reader.text(f"iso.{step}"):
            old = there.get(step)
            entry = {**(old or {}), "step": step, **reader.signed(f"iso.{step}.time", old)}
            made.append(entry | {"tag": reader.text("tag")})
    return outside + made


def _steps(reader: Reader, plan: Plan, kept: Mapping[str, Any]) -> list[dict[str, Any]]:
    there = {e["step"]: e for e in kept["steps"]}
    outside = [e for e in kept["steps"] if e["step"] not in plan.steps]
    made = []
    for step in plan.steps:
        if reader.text(f"step.{step}"):
            old = there.get(step)
            untimed = old is not None and "time" not in old and not reader.text(f"step.{step}.time")
            at = None if untimed else reader.time(f"step.{step}.time", (old or {}).get("time"))
            made.append({"step": step, "time": at})
    return outside + made


def _task(
    reader: Reader, task: PlanTask, before: ServiceRecord
) -> tuple[str, dict[str, Any] | None]:
    at, old = f"task.{task.key}", before.task(task.key)
    said: dict[str, Any] = {k: reader.text(f"{at}.{k}") for k in ("reason", "grade", "note")}
    outcome = reader.text(f"{at}.outcome")
    measured: list[dict[str, Any]] = []
    replaced = []
    for wanted in task.record:
        if wanted.kind in ("value", "torque") and wanted.key:
            name = f"{at}.value.{wanted.key}"
            unit = reader.text(f"{name}.unit") or wanted.unit
            # Nuts in the order of tightening, as they are read.
            nuts = criss_cross(wanted.nuts) if wanted.nuts else [None]
            for nut in nuts:
                value = reader.number(name if nut is None else f"{name}.{nut}")
                if value is not None:
                    measured.append({"key": wanted.key, "value": value, "unit": unit, "nut": nut})
        if wanted.kind == "part" and reader.text(f"{at}.part.{wanted.key}"):
            name = f"{at}.part.{wanted.key}"
            was = next((r for r in (old.replaced if old else []) if r.part == wanted.key), None)
            replaced.append(
                {
                    **(was.model_dump() if was else {"part": wanted.key}),
                    "serial_before": reader.text(f"{name}.before"),
                    "serial_after": reader.text(f"{name}.after"),
                    "quantity": _quantity(reader, f"{name}.quantity"),
                }
            )
    at_photo = f"{at}.photo."
    shown = [n.removeprefix(at_photo) for n in reader.entries if n.startswith(at_photo)]
    ordered = [p for p in (old.photos if old else []) if p in shown]
    photos = [*ordered, *(p for p in shown if p not in ordered)]
    if outcome is None:
        if any(said.values()) or measured or replaced or photos:
            reader.wrong[f"{at}.outcome"] = _(
                "{what}: say whether it was done", what=plan_text(task.title)
            )
        return task.key, None
    return task.key, {
        **_signed_task(reader, old, outcome),
        "task": task.key,
        "outcome": outcome,
        **said,
        "measured": [*_outside(task, old), *measured],
        "replaced": [*_parts_outside(task, old), *replaced],
        "photos": photos,
    }


def _quantity(reader: Reader, name: str) -> int:
    many = reader.number(name)
    if many is None:
        return 1
    if many < 1 or many != int(many):
        reader.wrong[name] = _("{n:g} is no count of parts", n=many)
        return 1
    return int(many)


def _signed_task(reader: Reader, old: TaskEntry | None, outcome: str) -> dict[str, Any]:
    if old is not None and old.outcome == outcome:
        return {"time": old.time, "by": old.by}
    return {"time": reader.now, "by": reader.who}


def _outside(task: PlanTask, old: TaskEntry | None) -> list[dict[str, Any]]:
    shown = {r.key: r.nuts for r in task.record if r.kind in ("value", "torque")}

    def hidden(m: Measured) -> bool:
        return m.key not in shown or (shown[m.key] is None) != (m.nut is None)

    return [m.model_dump() for m in (old.measured if old else []) if hidden(m)]


def _parts_outside(task: PlanTask, old: TaskEntry | None) -> list[dict[str, Any]]:
    keys = {r.key for r in task.record if r.kind == "part"}
    return [p.model_dump() for p in (old.replaced if old else []) if p.part not in keys]


def _tests(reader: Reader, plan: Plan, before: ServiceRecord) -> list[Mapping[str, Any]]:
    kept = [{**t.model_dump(exclude_none=True), "label": t.label} for t in before.tests]
    made = [(t.label, _test(reader, t, kept)) for t in plan.test]
    whole = _replaced(kept, "label", made)
    return [{k: v for k, v in t.items() if k != "label"} for t in whole]


def _test(
    reader: Reader, test: PlanTest, kept: Sequence[Mapping[str, Any]]
) -> dict[str, Any] | None:
    at = f"test.{test.label}"
    old: Mapping[str, Any] = next((t for t in reversed(kept) if t["label"] == test.label), {})
    result, method = reader.text(f"{at}.result"), reader.text(f"{at}.method")
    said: dict[str, Any] = {
        "method": method,
        "reset": reader.text(f"{at}.reset"),
        "note": reader.text(f"{at}.note"),
        "lock_out": reader.number(f"{at}.lock_out"),
    }
    for name in ("set_point", "trip"):
        value = reader.number(f"{at}.{name}")
        unit = reader.text(f"{at}.{name}.unit")
        if value is not None and unit is None:
            reader.wrong[f"{at}.{name}.unit"] = _(
                "{what}: the unit of {n:g} is missing", what=test.label, n=value
            )
        said[name] = None if value is None or unit is None else {"value": value, "unit": unit}
    if result is None:
        if any(said[k] for k in ("note", "lock_out", "set_point", "trip")):
            reader.wrong[f"{at}.result"] = _("{what}: say what came of the test", what=test.label)
        return None
    known = DEVICES[test.device].methods.get(method or "")
    mode = "simulated" if known is not None and not known.real else "real"
    if method == old.get("method"):
        mode = old.get("mode", mode)
    same = old.get("result") == result
    signed: dict[str, Any] = {} if same else {"time": reader.now, "by": reader.who}
    return {
        **{k: v for k, v in old.items() if k not in said},
        **signed,
        "device": test.device,
        "name": test.name,
        "result": result,
        "mode": mode,
        "retest": bool(reader.text(f"{at}.retest")),
        **said,
        "label": test.label,
    }


def _bypasses(reader: Reader, kept: Mapping[str, Any]) -> list[dict[str, Any]]:
    there, made = kept["bypasses"], []
    for n in reader.rows("bypass", "what"):
        old: dict[str, Any] = there[n] if n < len(there) else {}
        removed = None
        if reader.text(f"bypass.{n}.removed"):
            removed = old.get("removed") or {"by": reader.who, "time": reader.now}
        made.append(
            {
                "what": reader.text(f"bypass.{n}.what"),
                "kind": reader.text(f"bypass.{n}.kind") or "jumper",
                "placed": old.get("placed") or {"by": reader.who, "time": reader.now},
                "removed": removed,
            }
        )
    return made


def _light_offs(reader: Reader, kept: Mapping[str, Any]) -> list[dict[str, Any]]:
    there, made = kept["light_offs"], []
    for n in reader.rows("light", "ignition"):
        old = there[n] if n < len(there) else {"by": reader.who, "time": reader.now}
        numbers = {name: reader.number(f"light.{n}.{name}") for name in LIGHT_OFF_NUMBERS}
        made.append({**old, "ignition": reader.text(f"light.{n}.ignition"), **numbers})
    return made


def _findings(reader: Reader, kept: Mapping[str, Any]) -> list[dict[str, Any]]:
    there, made = kept["findings"], []
    for n in reader.rows("finding", "text"):
        old: dict[str, Any] = there[n] if n < len(there) else {}
        fresh = {"id": f"{reader.now:%Y%m%d-%H%M%S}-{n}", "opened": reader.now.date()}
        said = {
            "text": reader.text(f"finding.{n}.text"),
            "severity": reader.text(f"finding.{n}.severity") or "check",
        }
        made.append({**fresh, **old, **said})
    return made


def _closed(reader: Reader, kept: Mapping[str, Any]) -> list[dict[str, Any]]:
    there = {c["id"]: c for c in kept["closed"]}
    shown = {n.removeprefix("close.") for n in reader.entries if n.startswith("close.")}
    made = [c for c in kept["closed"] if c["id"] not in shown]
    for identity in sorted(shown):
        how = reader.text(f"close.{identity}")
        if how:
            signed = there.get(identity, {}).get("closed")
            signed = signed or {"by": reader.who, "time": reader.now}
            made.append({"id": identity, "how": how, "closed": signed})
    return made
