"""Spellings that mean one thing only, brought to the documents' own keys before validation.

A spelling stands here only where it can mean nothing else: ``room_co`` as a bare number, a band as
``[low, high]``, ``rated_input_kw``, targets keyed by rate. Everything else unknown is refused.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from types import UnionType
from typing import Any, Union, get_args, get_origin
from uuid import UUID

from pydantic.fields import FieldInfo

from ingest.dimensions import CANONICAL_UNITS, Part, dimension_of, part_of
from ingest.models import Boiler, LimitsDocument, Visit
from ingest.sent import is_number

ALIASES: Mapping[str, str] = {
    "calibration_date": "calibrated",
    "calibrated_on": "calibrated",
    "last_calibration": "calibrated",
    "calibration": "calibrated",
    "accuracy": "accuracies",
    "range": "ranges",
    "model": "name",
    "left": "how_left",
    "room_co_ppm": "room_co",
    "start": "started",
    "started_at": "started",
    "date": "started",
    "finished": "ended",
    "ended_at": "ended",
    "elevation": "altitude",
    "vent_material": "vent",
    "rate": "firing_rate",
    "o2": "o2_dry",
    "co2": "co2_dry",
    "min": "low",
    "max": "high",
    "target": "aim",
    "site": "site_external_id",
    "description": "what",
    "action": "what",
    "at": "time",
}
QUANTITY_ALIASES: Mapping[str, str] = {
    "o2": "o2_dry",
    "co2": "co2_dry",
    "co": "co_dry",
    "no": "no_dry",
    "no2": "no2_dry",
    "nox": "nox_dry",
    "stack": "stack_temperature",
}
_UNIT_KINDS: Mapping[str, str] = {
    "input": "power",
    "altitude": "length",
    "temperatures": "temperature",
    "pressures": "pressure",
    "draft": "pressure",
}
_WORDS: Mapping[str, Mapping[str, str]] = {
    "how_left": {
        "on": "running",
        "in operation": "running",
        "in service": "running",
        "shut down": "off",
        "shut off": "off",
        "locked out": "isolated",
    },
    "vent": {"pp": "polypropylene", "stainless steel": "metal", "steel": "metal",
             "aluminium": "metal", "aluminum": "metal"},
}  # fmt: skip
_SUFFIX = re.compile(
    r"^(?P<field>.+?)_(?P<unit>degC|degF|degc|degf|kw|kW|mbh|MBH|m|ft|pa|Pa|mbar|inwc|inWC|ua|uA|k|K)$"
)
_GAS_UNITS = frozenset({"%", "ppm", "vol %", "vol%", "percent"})


def spelt(data: Any, model: type[Part]) -> Any:
    """Return the data with known spellings on known keys, at every depth; null is absent."""
    if not isinstance(data, Mapping):
        return data
    out: dict[str, Any] = {}
    for given, value in data.items():
        if value is None:
            continue
        name = str(given)
        if name not in model.model_fields:
            other = ALIASES.get(name)
            if other is not None and other in model.model_fields and other not in data:
                name = other
            else:
                name, value = _suffixed(name, value, model)
        field = model.model_fields.get(name)
        if field is not None:
            value = _value(name, value, field)
        out[name] = value
    return out


def _value(name: str, value: Any, field: FieldInfo) -> Any:
    nested = part_of(field)
    if nested is None:
        if name in _WORDS and isinstance(value, str):
            word = value.strip().casefold().replace("_", " ")
            return _WORDS[name].get(word, word)
        if _takes(field, str) and is_number(value):
            return str(value)
        return value
    value = _banded(value, nested)
    if isinstance(value, list):
        return [spelt(_banded(v, nested), nested) for v in value]
    if isinstance(value, Mapping) and get_origin(field.annotation) is dict:
        return {QUANTITY_ALIASES.get(str(k), k): spelt(v, nested) for k, v in value.items()}
    return spelt(value, nested)


def _takes(field: FieldInfo, kind: type) -> bool:
    annotation = field.annotation
    if get_origin(annotation) in (Union, UnionType):
        return kind in get_args(annotation)
    return annotation is kind


def _suffixed(name: str, value: Any, model: type[Part]) -> tuple[str, Any]:
    match = _SUFFIX.match(name)
    if match and is_number(value):
        field = model.model_fields.get(match["field"])
        if field is not None and dimension_of(field) is not None:
            return match["field"], {"value": value, "unit": match["unit"]}
    return name, value


def _banded(value: Any, nested: type[Part]) -> Any:
    names = set(nested.model_fields)
    if names >= {"low", "high"} and isinstance(value, list) and len(value) in (2, 3):
        if len(value) == 2 or "aim" not in names:
            return {"low": value[0], "high": value[-1]}
        return {"low": value[0], "aim": value[1], "high": value[2]}
    return value


def units_of(units: Any) -> Any:
    """Return declared units by kind; a unit declared for a field counts for its kind.

    Raises
    ------
    ValueError
        If two different units are declared for one kind.
    """
    if isinstance(units, str) and units.casefold() in ("canonical", "si"):
        return dict(CANONICAL_UNITS)
    if not isinstance(units, Mapping):
        return units
    out: dict[str, Any] = {}
    for name, unit in units.items():
        kind = _UNIT_KINDS.get(str(name), str(name))
        if kind not in CANONICAL_UNITS:
            for model in (Boiler, Visit, LimitsDocument):
                field = model.model_fields.get(kind)
                dimension = None if field is None else dimension_of(field)
                if dimension is not None:
                    kind = dimension.kind
                    break
        if kind not in CANONICAL_UNITS and str(unit).casefold() in _GAS_UNITS:
            continue  # gas shares are stored in ppm and percent: nothing to convert
        if out.get(kind, unit) != unit:
            raise ValueError(f"units.{name}: {unit!r} and {out[kind]!r} are declared for {kind}")
        out[kind] = unit
    return out


def _identity(data: dict[str, Any], key: str, other: str) -> None:
    given = data.get(key)
    if given is None or isinstance(given, UUID):
        return
    try:
        UUID(str(given))
    except ValueError:
        del data[key]
        data.setdefault(other, str(given))


def _plain(data: Mapping[str, Any]) -> dict[str, Any]:
    out = dict(data)
    if str(out.get("format", "")).startswith("fluebook."):
        out.pop("format")  # a document that says what it is
    return out


def visit_shapes(given: Mapping[str, Any]) -> dict[str, Any]:
    """Return a visit's document with its loose fields in the model's shapes."""
    data = _plain(given)
    for other in ("room_co_ppm", "left"):
        if other in data and ALIASES[other] not in data:
            data[ALIASES[other]] = data.pop(other)
    _identity(data, "id", "external_id")
    _identity(data, "boiler_id", "boiler_external_id")
    _adjustments(data)
    _shared(data)
    return data


def job_shapes(given: Mapping[str, Any]) -> dict[str, Any]:
    """Return a job's document with its loose fields in the model's shapes."""
    data = _plain(given)
    _identity(data, "id", "external_id")
    if isinstance(data.get("people"), str):
        data["people"] = [data["people"]]
    _shared(data)
    return data


def _shared(data: dict[str, Any]) -> None:
    """Shape what a visit may state itself or have from its job."""
    room = data.get("room_co")
    if room is not None:
        data["room_co"] = _room(room)
    instrument = data.get("instrument")
    if isinstance(instrument, Mapping):
        data["instrument"] = _instrument(dict(instrument))
    elif isinstance(instrument, str):
        data["instrument"] = {"name": instrument}


def _adjustments(data: dict[str, Any]) -> None:
    made = data.get("adjustments")
    if isinstance(made, str):
        word = made.strip().casefold()
        made = {"": False, "no": False, "none": False, "yes": True}.get(word, [made])
    if isinstance(made, int):  # true, false, or how many
        data.pop("adjustments")
        data.setdefault("adjusted", bool(made))
    elif isinstance(made, list):
        data["adjustments"] = [{"what": a} if isinstance(a, str) else a for a in made]


def _room(room: Any) -> Any:
    if isinstance(room, Mapping) and not {"value", "ppm", "co"} & set(room):
        return [{"when": k, "value": v} for k, v in room.items() if v is not None]
    rows = room if isinstance(room, list) else [room]
    out: list[Any] = []
    for row in rows:
        if isinstance(row, Mapping):
            named = {("value" if k in ("ppm", "co") else k): v for k, v in row.items()}
            if named.get("unit") == "ppm":
                named.pop("unit")
            out.append(named)
        else:
            out.append({"value": row})
    return out


def _instrument(data: dict[str, Any]) -> dict[str, Any]:
    for other in ("calibration_date", "calibrated_on", "last_calibration", "calibration",
                  "accuracy", "range"):  # fmt: skip
        if other in data and ALIASES[other] not in data:
            data[ALIASES[other]] = data.pop(other)
    calibrated = data.get("calibrated")
    if isinstance(calibrated, str) and "T" in calibrated:
        data["calibrated"] = calibrated.split("T", maxsplit=1)[0]
    for name, shape in (("accuracies", _accuracy), ("ranges", _range)):
        if isinstance(data.get(name), Mapping):
            data[name] = {k: shape(v) for k, v in data[name].items()}
    return data


def _accuracy(given: Any) -> Any:
    if is_number(given):
        return {"absolute": given}
    if isinstance(given, Mapping):
        if set(given) == {"value", "unit"} and given["unit"] in ("ppm", "degC", "K", "Pa", "uA"):
            return {"absolute": given["value"]}
        names = {"abs": "absolute", "relative_percent": "percent", "pct": "percent",
                 "percent_of_reading": "percent", "k": "coverage"}  # fmt: skip
        return {names.get(str(k), k): v for k, v in given.items()}
    return given


def _range(given: Any) -> Any:
    if is_number(given):
        return {"high": given}
    if isinstance(given, list) and len(given) == 2:
        return {"low": given[0], "high": given[1]}
    return given


def boiler_shapes(given: Mapping[str, Any]) -> dict[str, Any]:
    """Return a boiler's document with its limits and targets where the model has them."""
    data = _plain(given)
    _identity(data, "id", "external_id")
    _identity(data, "site_id", "site_external_id")
    ratio = data.get("turndown")
    if isinstance(ratio, str) and (match := re.match(r"^\s*([\d.]+)\s*(?::|to)\s*1\s*$", ratio)):
        data["turndown"] = float(match.group(1))
    limits = data.get("limits")
    if isinstance(limits, list):
        limits = {"targets": limits}
    limits = dict(limits) if isinstance(limits, Mapping) else ({} if limits is None else limits)
    if isinstance(limits, dict):
        for name in ("targets", "target_curve"):
            if name in data:
                extra, held = rows_of(data.pop(name)), rows_of(limits.get("targets") or [])
                both = isinstance(held, list) and isinstance(extra, list)
                limits["targets"] = held + extra if both else extra
        for key in list(data):
            # A limit beside the boiler's own keys can mean nothing else.
            if key in LimitsDocument.model_fields and key not in Boiler.model_fields:
                limits.setdefault(key, data.pop(key))
        limits = limits_shapes(limits)
        if "units" in limits:
            inner = limits.pop("units")
            if isinstance(inner, Mapping) and isinstance(data.get("units", {}), Mapping):
                data["units"] = {**inner, **data.get("units", {})}
    data["limits"] = limits
    return data


def rows_of(targets: Any) -> Any:
    """Return targets as a list of rows, from a list, by rate, or by quantity and rate."""
    if not isinstance(targets, Mapping):
        return targets
    if targets and all(_is_number(k) for k in targets):
        return [
            {"firing_rate": float(k), **v} if isinstance(v, Mapping) else {"firing_rate": k, "": v}
            for k, v in targets.items()
        ]
    out: list[Any] = []
    for quantity, by_rate in targets.items():
        if isinstance(by_rate, Mapping) and by_rate and all(_is_number(k) for k in by_rate):
            out += [{"firing_rate": float(k), quantity: v} for k, v in by_rate.items()]
        elif isinstance(by_rate, list) and all(isinstance(r, Mapping) for r in by_rate):
            for row in by_rate:
                rate = {k: v for k, v in row.items() if k in ("firing_rate", "rate", "fuel")}
                out.append({**rate, quantity: {k: v for k, v in row.items() if k not in rate}})
        else:
            return targets
    return out


def _is_number(text: Any) -> bool:
    try:
        float(text)
    except (TypeError, ValueError):
        return False
    return True


_SPLIT_BAND = re.compile(r"^(o2|co2)(?:_dry)?_(low|high|aim|min|max|target)$")


def limits_shapes(given: Mapping[str, Any]) -> dict[str, Any]:
    """Return limits with rows of targets split into what they state."""
    data = _plain(given)
    targets = rows_of(data.get("targets"))
    by_rate = _stack_rows(data)
    for name in ("by_rate", "by_firing_rate"):
        more = rows_of(data.get(name))
        if isinstance(more, list) and (targets is None or isinstance(targets, list)):
            data.pop(name)
            targets = (targets or []) + more
    if isinstance(targets, list):
        data["targets"] = [r for r in (_target(t, by_rate) for t in targets) if r is not None]
    if by_rate:
        data["stack_temperature_by_rate"] = by_rate
    grades = data.get("co_air_free")
    if isinstance(grades, Mapping) and set(grades) <= {"check", "fix", "stop"}:
        data.pop("co_air_free")
        for grade, value in grades.items():
            data.setdefault(f"co_air_free_{grade}", value)
    return data


def _stack_rows(data: dict[str, Any]) -> list[Any]:
    """Take stack limits by rate out of the ways in which they are written."""
    held = data.get("stack_temperature_by_rate")
    out = list(held) if isinstance(held, list) else []
    for name in ("stack_temperature_max", "stack_temperature", "stack_temperature_by_rate"):
        value = data.get(name)
        if isinstance(value, Mapping) and value and all(_is_number(k) for k in value):
            data.pop(name)
            out += [
                {"firing_rate": float(k), "stack_temperature_max": _top(v)}
                for k, v in value.items()
            ]
        elif isinstance(value, list) and name != "stack_temperature_by_rate":
            data.pop(name)
            out += value
        elif name == "stack_temperature" and value is not None:
            data.setdefault("stack_temperature_max", _top(data.pop(name)))
    return [
        {("stack_temperature_max" if k in ("max", "high", "value", "stack_temperature") else
          ("firing_rate" if k == "rate" else k)): v for k, v in row.items()}
        if isinstance(row, Mapping)
        else row
        for row in out
    ]  # fmt: skip


def _top(value: Any) -> Any:
    if isinstance(value, Mapping) and len(value) == 1:
        return next((v for k, v in value.items() if k in ("max", "high")), value)
    return value


def _target(given: Any, by_rate: list[Any]) -> Any:
    if not isinstance(given, Mapping):
        return given
    row: dict[str, Any] = {}
    for key, value in given.items():
        name = ALIASES[key] if key in ("rate", "o2", "co2") else key
        split = _SPLIT_BAND.match(str(name))
        if split:
            band = row.setdefault(f"{split[1]}_dry", {})
            if isinstance(band, dict):
                band[{"min": "low", "max": "high", "target": "aim"}.get(split[2], split[2])] = value
        else:
            row[str(name)] = value
    stack = {k: row.pop(k) for k in list(row) if k.startswith("stack_temperature")}
    for key, value in stack.items():
        name = "stack_temperature_max" if key == "stack_temperature" else key
        by_rate.append({"firing_rate": row.get("firing_rate"), name: _top(value)})
    return None if stack and not {"o2_dry", "co2_dry"} & set(row) else row
