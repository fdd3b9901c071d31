"""The measured part of the service form: gas, vent, oil, the room's CO, instrument and visit.

Numbers are shown in the reader's units, and each group says its unit in a field of its own, so
that what was typed in one unit is never taken for another. A number that stands as it was shown is
the recorded one to its last digit.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, tzinfo
from typing import Any

from api.pages.service_reader import Entries, Reader, local_text, number_text
from api.settings import UnitSystem
from api.words import N_
from combustion.units import conversion
from ingest.models import Instrument, RoomCo, Visit
from ingest.service.models import GasPressures, OilChecks, ServiceRecord, VentChecks

GAS: Mapping[str, str] = {
    "inlet_burners_off": N_("Gas inlet, burners off"),
    "inlet_high_fire_alone": N_("Gas inlet, high fire alone"),
    "inlet_all_appliances": N_("Gas inlet, every appliance on this supply"),
    "manifold_low_fire": N_("Manifold, low fire"),
    "manifold_high_fire": N_("Manifold, high fire"),
    "offset_low_fire": N_("Gas-air offset, low fire"),
    "offset_high_fire": N_("Gas-air offset, high fire"),
}
NIPPLES: Mapping[str, str] = {
    "nipples_closed": N_("Test nipples closed"),
    "nipples_leak_checked": N_("Test nipples leak-checked"),
}
DRAFTS: Mapping[str, str] = {
    "outlet_draft": N_("Draft at the outlet"),
    "overfire_draft": N_("Draft over the fire"),
}
OIL: Mapping[str, str] = {
    "pump_pressure": N_("Oil pump pressure"),
    "nozzle_pressure": N_("Nozzle pressure"),
}
ROOM: Mapping[str, str] = {
    "arrival": N_("Room CO on arrival"),
    "high_fire": N_("Room CO at high fire"),
    "leaving": N_("Room CO on leaving"),
}
ASKED: Mapping[str, str] = {
    "leak_check": N_("Its leak check passed"),
    "fresh_air_zero": N_("Zeroed in fresh air outside the room"),
}
"""Yes or no about the instrument."""
UNITS: Mapping[UnitSystem, Mapping[str, str]] = {
    "si": {"gas": "Pa", "vent": "Pa", "oil": "bar"},
    "us": {"gas": "inWC", "vent": "inWC", "oil": "psi"},
}
_KNOWN_UNITS = frozenset({"Pa", "inWC", "bar", "psi", "mbar"})
_SHOWN = {True: "yes", False: "no", None: None}


def _unit(entries: Entries, group: str, system: UnitSystem) -> str:
    asked = entries.get(f"{group}.unit", "")
    return asked if asked in _KNOWN_UNITS else UNITS[system][group]


def _in_unit(pascal: float | None, unit: str) -> str | None:
    if pascal is None:
        return None
    # Four digits are finer than any gauge of the trade; untouched, the recorded value stays whole.
    return number_text(float(f"{conversion('Pa', unit)(pascal):.4g}"))


def measure_entries(
    visit: Visit, zone: tzinfo, system: UnitSystem, typed: Entries
) -> dict[str, str | None]:
    """Return the fields of this part as a visit fills them."""
    record = visit.service or ServiceRecord()
    gas, vent, oil = record.gas, record.vent, record.oil
    found: dict[str, str | None] = {}
    for group, held, names in (
        ("gas", gas, GAS),
        ("vent", vent, DRAFTS),
        ("oil", oil, OIL),
    ):
        unit = _unit(typed, group, system)
        found[f"{group}.unit"] = unit
        found |= {f"{group}.{n}": _in_unit(getattr(held, n, None), unit) for n in names}
    if gas is not None:
        found |= {f"gas.{n}": _SHOWN[getattr(gas, n)] for n in NIPPLES}
    if vent is not None and vent.spillage != "not_checked":
        found["vent.spillage"] = vent.spillage
    if oil is not None:
        found["oil.smoke_before_probe"] = _SHOWN[oil.smoke_before_probe]
        if oil.smoke_number is not None:
            found["oil.smoke_number"] = number_text(oil.smoke_number)
    for when in ROOM:
        last = _room(visit, when)
        found[f"room.{when}"] = None if last is None else number_text(last.value)
    own = visit.instrument
    found |= {
        "instrument.name": own.name,
        "instrument.serial": own.serial,
        "instrument.calibrated": own.calibrated.isoformat() if own.calibrated else None,
        "adjusted": _SHOWN[visit.adjusted],
        "ended": local_text(visit.ended, zone),
        "note": visit.note,
    }
    found |= {f"instrument.{n}": _SHOWN[getattr(own, n)] for n in ASKED}
    return found


def _room(visit: Visit, when: str) -> RoomCo | None:
    return next((r for r in reversed(visit.room_co) if r.when == when), None)


def measures_from(reader: Reader, before: ServiceRecord) -> dict[str, Any]:
    """Return gas, vent and oil checks of a service part; None where nothing was recorded."""
    gas = _pressures(reader, "gas", GAS, before.gas)
    gas |= {n: reader.yes_no(f"gas.{n}") for n in NIPPLES}
    vent = _pressures(reader, "vent", DRAFTS, before.vent)
    spillage = reader.text("vent.spillage")
    oil = _pressures(reader, "oil", OIL, before.oil)
    oil["smoke_number"] = reader.number("oil.smoke_number")
    oil["smoke_before_probe"] = reader.yes_no("oil.smoke_before_probe")
    vent_said = spillage is not None or any(v is not None for v in vent.values())
    return {
        "gas": _some(gas, before.gas),
        "vent": {**vent, "spillage": spillage or "not_checked"}
        if vent_said or before.vent is not None
        else None,
        "oil": _some(oil, before.oil),
    }


def _some(made: dict[str, Any], before: object) -> dict[str, Any] | None:
    return made if before is not None or any(v is not None for v in made.values()) else None


def _pressures(
    reader: Reader,
    group: str,
    names: Mapping[str, str],
    before: GasPressures | VentChecks | OilChecks | None,
) -> dict[str, Any]:
    """Return pressures with their unit; one that stands as it was shown keeps its last digit."""
    unit = reader.text(f"{group}.unit") or "Pa"
    if unit not in _KNOWN_UNITS:
        reader.wrong[f"{group}.unit"] = f"{unit!r} is no unit that this form shows"
        return {}
    made: dict[str, Any] = {}
    for name in names:
        old: float | None = getattr(before, name, None)
        text = reader.text(f"{group}.{name}")
        if old is not None and text == _in_unit(old, unit):
            made[name] = {"value": old, "unit": "Pa"}
            continue
        value = reader.number(f"{group}.{name}")
        made[name] = None if value is None else {"value": value, "unit": unit}
    return made


def visit_from(reader: Reader, visit: Visit) -> dict[str, Any]:
    """Return what the form says of the visit itself: room CO, instrument, end, how it was left."""
    room = [r.model_dump() for r in visit.room_co]
    for when in ROOM:
        there = _room(visit, when)
        value = reader.number(f"room.{when}")
        if value is not None and value < 0:
            reader.wrong[f"room.{when}"] = "carbon monoxide is never below 0 ppm"
            continue
        if value == (None if there is None else there.value):
            continue
        room = [r for r in room if r["when"] != when]
        if value is not None:
            room.append({"value": value, "when": when, "time": reader.now})
    return {
        "room_co": room,
        "instrument": _instrument(reader, visit.instrument),
        "adjusted": reader.yes_no("adjusted"),
        "ended": reader.time("ended", visit.ended) if reader.text("ended") else None,
        "note": reader.text("note"),
        "how_left": reader.text("how_left"),
    }


def _instrument(reader: Reader, before: Instrument) -> dict[str, Any]:
    calibrated, on = None, reader.text("instrument.calibrated")
    if on is not None:
        try:
            calibrated = date.fromisoformat(on)
        except ValueError:
            reader.wrong["instrument.calibrated"] = f"{on!r} is no day"
    return {
        **before.model_dump(),
        "name": reader.text("instrument.name"),
        "serial": reader.text("instrument.serial"),
        "calibrated": calibrated,
        **{n: reader.yes_no(f"instrument.{n}") for n in ASKED},
    }
