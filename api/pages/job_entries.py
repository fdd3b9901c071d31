"""Between a job and the fields of its form: both ways, what the form does not show carried over."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from api.pages.numbers import typed_number
from api.settings import UnitSystem
from api.words import _
from combustion.units import conversion
from ingest.service.job import WATER_TASK, Job
from ingest.service.plans import Plan, RecordWanted

Entries = Mapping[str, str]
ROOM = ("arrival", "high_fire", "leaving")
CHECKS = ("leak_check", "fresh_air_zero")
GAS = ("inlet_burners_off", "inlet_all_appliances")
"""Pressures of the supply; those of a manifold are the boiler's own and stand in its visit."""

_YES = {"yes": True, "no": False}


def pressure_unit(system: UnitSystem) -> str:
    """Return the unit in which gas pressure and draft are read."""
    return "inWC" if system == "us" else "Pa"


def water_wanted(plans: Sequence[Plan]) -> list[RecordWanted]:
    """Return what plans want measured of the system water, each key once."""
    found: dict[str, RecordWanted] = {}
    for plan in plans:
        task = plan.task_of(WATER_TASK)
        for wanted in () if task is None else task.record:
            if wanted.kind == "value" and wanted.key is not None:
                found.setdefault(wanted.key, wanted)
    return list(found.values())


def entries_of(job: Job, water: Sequence[RecordWanted], system: UnitSystem) -> dict[str, str]:
    """Return the form's fields as a job fills them; an empty field is not in it."""
    unit = pressure_unit(system)
    found: dict[str, str | None] = {
        "on": None if job.on is None else job.on.isoformat(),
        "people": "\n".join(job.people),
        "note": job.note,
    }
    if job.instrument is not None:
        one = job.instrument
        found |= {"instrument.name": one.name, "instrument.serial": one.serial}
        found["instrument.calibrated"] = None if one.calibrated is None else str(one.calibrated)
        for check in CHECKS:
            answer = getattr(one, check)
            found[f"instrument.{check}"] = None if answer is None else "yes" if answer else "no"
    for room in job.room_co:
        if room.when is not None:
            found[f"room_co.{room.when}"] = f"{room.value:.10g}"
    for name, part, key in _pressures(job):
        value = None if part is None else getattr(part, key)
        found[name] = None if value is None else f"{conversion('Pa', unit)(value):.6g}"
    if job.vent is not None and job.vent.spillage != "not_checked":
        found["vent.spillage"] = job.vent.spillage
    for wanted in water:
        for measured in job.water:
            if measured.key == wanted.key:
                found[f"water.{wanted.key}"] = f"{measured.value:.10g}"
                found[f"water.{wanted.key}.unit"] = measured.unit
    return {name: value for name, value in found.items() if value}


def _pressures(job: Job) -> list[tuple[str, Any, str]]:
    gas = [(f"gas.{key}", job.gas, key) for key in GAS]
    return [*gas, ("vent.outlet_draft", job.vent, "outlet_draft")]


def document_from(
    entries: Entries, job: Job, water: Sequence[RecordWanted], system: UnitSystem
) -> tuple[dict[str, Any], dict[str, str]]:
    """Return the job as a document, and what was not understood by field.

    Parameters
    ----------
    entries : mapping of field name to text
        As the form was sent.
    job : Job
        As the book has it.
    water : sequence of RecordWanted
        The water values that the form shows.
    system : UnitSystem
        In which the form showed pressures. One sent back as it was shown changes nothing.
    """
    wrong: dict[str, str] = {}
    shown = entries_of(job, water, system)

    def text(name: str) -> str | None:
        return (entries.get(name) or "").strip() or None

    def number(name: str) -> float | None:
        given = text(name)
        if given is None:
            return None
        try:
            return typed_number(given)
        except ValueError:
            wrong[name] = _("{text} is no number", text=repr(given))
            return None

    def pressure(name: str, part: Any, key: str) -> float | None:
        if entries.get(name) == shown.get(name) and part is not None:
            kept: float | None = getattr(part, key)
            return kept
        value = number(name)
        return None if value is None else conversion(pressure_unit(system), "Pa")(value)

    document = job.model_dump(exclude_none=True)
    document |= {"on": text("on"), "note": text("note"), "people": _lines(entries.get("people"))}
    instrument = {key: text(f"instrument.{key}") for key in ("name", "serial", "calibrated")}
    checks = {key: _YES.get(text(f"instrument.{key}") or "") for key in CHECKS}
    if job.instrument is not None or any(
        v is not None for v in (*instrument.values(), *checks.values())
    ):
        document["instrument"] = document.get("instrument", {}) | instrument | checks
    others = [r for r in document["room_co"] if r.get("when") not in ROOM]
    there = {r.get("when"): r for r in document["room_co"]}
    for when in ROOM:
        value = number(f"room_co.{when}")
        if value is not None:
            others.append(there.get(when, {}) | {"when": when, "value": value})
    document["room_co"] = others
    given = {name: pressure(name, part, key) for name, part, key in _pressures(job)}
    gas = {key: given[f"gas.{key}"] for key in GAS}
    if job.gas is not None or any(v is not None for v in gas.values()):
        document["gas"] = document.get("gas", {}) | gas
    vent = {
        "spillage": text("vent.spillage") or "not_checked",
        "outlet_draft": given["vent.outlet_draft"],
    }
    if job.vent is not None or vent != {"spillage": "not_checked", "outlet_draft": None}:
        document["vent"] = document.get("vent", {}) | vent
    keys = {w.key for w in water}
    readings = [m for m in document["water"] if m["key"] not in keys]
    for wanted in water:
        value = number(f"water.{wanted.key}")
        if value is not None:
            unit = text(f"water.{wanted.key}.unit") or wanted.unit
            readings.append({"key": wanted.key, "value": value, "unit": unit})
    document["water"] = readings
    return document, wrong


def _lines(text: str | None) -> list[str]:
    return [line.strip() for line in (text or "").splitlines() if line.strip()]
