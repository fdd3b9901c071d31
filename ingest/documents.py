"""Reading visit.json, boiler.json and limits: clear refusals, and spellings that mean one thing.

A spelling is accepted only where it can mean nothing else (``room_co`` as a bare number, a band as
``[low, high]``, ``rated_input_kw``). Everything else unknown is refused with the nearest known key.
"""

from __future__ import annotations

import difflib
import json
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar
from uuid import UUID

from pydantic import ValidationError

from ingest.dimensions import CANONICAL_UNITS, Part, dimension_of, part_of
from ingest.models import Boiler, LimitsDocument, Visit

Made = TypeVar("Made", bound=Part)


@dataclass(frozen=True, slots=True)
class DocumentProblem:
    """One thing wrong in a document: where, what was found, what was expected, what to do."""

    file: str
    pointer: str
    message: str
    expected: str
    next_step: str
    raw: str | None = None

    def line(self) -> str:
        """Return the problem as one printable line."""
        found = f" (found {self.raw})" if self.raw is not None else ""
        return (
            f"{self.file}, at {self.pointer or '/'}: {self.message}{found}. "
            f"Expected {self.expected}. {self.next_step}"
        )


class DocumentError(Exception):
    """A document cannot be used; carries every problem found."""

    def __init__(self, problems: list[DocumentProblem]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(p.line() for p in problems))


_ALIASES: Mapping[str, str] = {
    "calibration_date": "calibrated",
    "calibrated_on": "calibrated",
    "last_calibration": "calibrated",
    "left": "how_left",
    "room_co_ppm": "room_co",
    "start": "started",
    "started_at": "started",
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
    "target_curve": "targets",
}
_UNIT_KINDS: Mapping[str, str] = {
    "input": "power",
    "rated_input": "power",
    "altitude": "length",
    "flame_signal": "current",
    "temperatures": "temperature",
    "pressures": "pressure",
    "draft": "pressure",
}
_HOW_LEFT: Mapping[str, str] = {
    "on": "running",
    "in operation": "running",
    "in service": "running",
    "shut down": "off",
    "shut off": "off",
    "locked out": "isolated",
}


def read_json_file(path: Path) -> dict[str, Any]:
    """Return the object in a JSON file; raise DocumentError where there is none."""
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise _one(path.name, "", "the file cannot be read", str(error)) from error
    try:
        data = json.loads(text)
    except json.JSONDecodeError as error:
        where = f"line {error.lineno}, column {error.colno}"
        raise _one(path.name, where, f"not JSON: {error.msg}", None) from error
    if not isinstance(data, dict):
        raise _one(path.name, "", "the document is not an object", type(data).__name__)
    return data


def _one(file: str, pointer: str, message: str, raw: str | None) -> DocumentError:
    problem = DocumentProblem(
        file,
        pointer,
        message,
        "a JSON object in UTF-8",
        "Correct the file and try again.",
        raw,
    )
    return DocumentError([problem])


def visit_from(data: Mapping[str, Any], file: str = "visit.json") -> Visit:
    """Return the visit of a document.

    >>> visit_from({"id": "v-7", "room_co": 3, "adjustments": False}).room_co[0].value
    3.0
    """
    return _made(Visit, data, file, _visit_shapes)


def boiler_from(data: Mapping[str, Any], file: str = "boiler.json") -> Boiler:
    """Return the boiler of a document.

    >>> boiler_from({"targets": {"100": {"o2": [3, 5]}}}).limits.targets[0].o2_dry.low
    3.0
    """
    return _made(Boiler, data, file, _boiler_shapes)


def limits_from(data: Mapping[str, Any], file: str = "limits.json") -> LimitsDocument:
    """Return the limits of a document."""
    return _made(LimitsDocument, data, file, _limits_shapes)


def _made(
    model: type[Made],
    data: Mapping[str, Any],
    file: str,
    shapes: Callable[[dict[str, Any]], dict[str, Any]],
) -> Made:
    try:
        shaped = shapes(dict(data))
        shaped = _spelt(shaped, model)
        if "units" in shaped:
            shaped["units"] = _units(shaped["units"], file)
        return model.model_validate(shaped)
    except ValidationError as error:
        raise DocumentError(_problems(error, model, file)) from error
    except (TypeError, AttributeError, OverflowError, RecursionError) as error:
        raise _one(file, "", "the document has an unusable shape", str(error)[:120]) from error


def _spelt(data: Any, model: type[Part]) -> Any:
    """Put known spellings to known keys, at every depth."""
    if not isinstance(data, Mapping):
        return data
    out: dict[str, Any] = {}
    for key, value in data.items():
        name = str(key)
        if name not in model.model_fields:
            other = _ALIASES.get(name)
            if other in model.model_fields and other not in data:
                name = str(other)
            else:
                name, value = _suffixed(name, value, model)
        field = model.model_fields.get(name)
        nested = None if field is None else part_of(field)
        if nested is not None:
            value = _banded(value, nested)
            if isinstance(value, list):
                value = [_spelt(v, nested) for v in value]
            elif (
                isinstance(value, Mapping)
                and not nested.model_fields.keys() & value.keys()
                and field is not None
                and "dict[" in str(field.annotation)
            ):
                value = {k: _spelt(v, nested) for k, v in value.items()}
            else:
                value = _spelt(value, nested)
        out[name] = value
    return out


_SUFFIX = re.compile(
    r"^(?P<field>.+?)_(?P<unit>degC|degF|degc|degf|kw|kW|w|mbh|MBH|m|ft|pa|Pa|mbar|inwc|inWC|ua|uA|k|K)$"
)


def _suffixed(name: str, value: Any, model: type[Part]) -> tuple[str, Any]:
    match = _SUFFIX.match(name)
    if match and isinstance(value, int | float) and not isinstance(value, bool):
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


def _units(units: Any, file: str) -> Any:
    if isinstance(units, str) and units.casefold() in ("canonical", "si"):
        return dict(CANONICAL_UNITS)
    if not isinstance(units, Mapping):
        return units
    out: dict[str, str] = {}
    for name, unit in units.items():
        kind = _UNIT_KINDS.get(str(name), str(name))
        if kind not in CANONICAL_UNITS:
            for model in (Boiler, Visit, LimitsDocument):
                field = model.model_fields.get(str(name))
                dimension = None if field is None else dimension_of(field)
                if dimension is not None:
                    kind = dimension.kind
        if out.get(kind, unit) != unit:
            raise _one(file, f"/units/{name}", f"two units are declared for {kind}", str(unit))
        if kind not in CANONICAL_UNITS and _GAS_UNITS.get(str(unit).casefold()):
            continue  # ppm and percent are what gas shares are stored in: nothing to convert
        out[kind] = unit
    return out


_GAS_UNITS = {"%": True, "ppm": True, "vol %": True, "vol%": True, "percent": True}


def _identity(data: dict[str, Any], key: str, other: str) -> None:
    given = data.get(key)
    if given is None or isinstance(given, UUID):
        return
    try:
        UUID(str(given))
    except ValueError:
        del data[key]
        data.setdefault(other, str(given))


def _visit_shapes(data: dict[str, Any]) -> dict[str, Any]:
    for other, key in _ALIASES.items():
        if other in data and key in Visit.model_fields and key not in data:
            data[key] = data.pop(other)
    _identity(data, "id", "external_id")
    _identity(data, "boiler_id", "boiler_external_id")
    given = data.get("adjustments")
    if isinstance(given, bool) or given is None:
        data.pop("adjustments", None)
        if given is not None:
            data.setdefault("adjusted", given)
    elif isinstance(given, int):
        data.pop("adjustments")
        data.setdefault("adjusted", given > 0)
    elif isinstance(given, str):
        data["adjustments"] = [{"what": given}] if given.strip() else []
    elif isinstance(given, list):
        data["adjustments"] = [{"what": a} if isinstance(a, str) else a for a in given]
    room = data.get("room_co")
    if room is not None:
        rows = room if isinstance(room, list) else [room]
        if isinstance(room, Mapping) and not {"value", "ppm"} & set(room):
            rows = [{"when": k, "value": v} for k, v in room.items()]
        data["room_co"] = [
            {"value": r}
            if isinstance(r, int | float)
            else {("value" if k in ("ppm", "co") else k): v for k, v in r.items() if k != "unit"}
            if isinstance(r, Mapping)
            else r
            for r in rows
        ]
    left = data.get("how_left")
    if isinstance(left, str):
        word = left.strip().casefold().replace("_", " ")
        data["how_left"] = _HOW_LEFT.get(word, word)
    instrument = data.get("instrument")
    if isinstance(instrument, Mapping):
        data["instrument"] = _instrument(dict(instrument))
    return data


def _instrument(data: dict[str, Any]) -> dict[str, Any]:
    for other, key in _ALIASES.items():
        if other in data and key == "calibrated" and key not in data:
            data[key] = data.pop(other)
    calibrated = data.get("calibrated")
    if isinstance(calibrated, str) and "T" in calibrated:
        data["calibrated"] = calibrated.split("T", maxsplit=1)[0]
    for name, shape in (("accuracies", _accuracy), ("ranges", _range)):
        if isinstance(data.get(name), Mapping):
            data[name] = {k: shape(v) for k, v in data[name].items()}
    return data


def _accuracy(given: Any) -> Any:
    if isinstance(given, int | float) and not isinstance(given, bool):
        return {"absolute": given}
    if isinstance(given, Mapping):
        names = {
            "abs": "absolute",
            "relative_percent": "percent",
            "pct": "percent",
            "k": "coverage",
        }
        return {names.get(str(k), k): v for k, v in given.items()}
    return given


def _range(given: Any) -> Any:
    if isinstance(given, int | float) and not isinstance(given, bool):
        return {"high": given}
    if isinstance(given, list) and len(given) == 2:
        return {"low": given[0], "high": given[1]}
    if isinstance(given, Mapping):
        names = {"min": "low", "max": "high"}
        return {names.get(str(k), k): v for k, v in given.items()}
    return given


def _boiler_shapes(data: dict[str, Any]) -> dict[str, Any]:
    _identity(data, "id", "external_id")
    _identity(data, "site_id", "site_external_id")
    limits = data.get("limits")
    if isinstance(limits, list):
        limits = {"targets": limits}
    limits = dict(limits) if isinstance(limits, Mapping) else limits
    for name in ("targets", "target_curve"):
        if name in data and (limits is None or isinstance(limits, dict)):
            limits = limits or {}
            extra = _rows(data.pop(name))
            held = _rows(limits.get("targets", []))
            limits["targets"] = held + extra if isinstance(held, list) else extra
    if isinstance(limits, dict):
        for key in list(data):
            # A limit beside the boiler's own keys can mean nothing else.
            if key in LimitsDocument.model_fields and key not in Boiler.model_fields:
                limits.setdefault(key, data.pop(key))
    elif limits is None:
        stated = [
            k for k in data if k in LimitsDocument.model_fields and k not in Boiler.model_fields
        ]
        if stated:
            limits = {k: data.pop(k) for k in stated}
    if limits is not None:
        data["limits"] = _limits_shapes(limits) if isinstance(limits, dict) else limits
        inner = data["limits"]
        if isinstance(inner, dict) and "units" in inner:
            data["units"] = {**inner.pop("units"), **(data.get("units") or {})}
    return data


def _rows(targets: Any) -> Any:
    if isinstance(targets, Mapping):
        return [
            {"firing_rate": float(k), **v}
            if isinstance(v, Mapping) and _is_number(k)
            else {"firing_rate": k, **(v if isinstance(v, Mapping) else {"o2_dry": v})}
            for k, v in targets.items()
        ]
    return targets


def _is_number(text: Any) -> bool:
    try:
        float(text)
    except (TypeError, ValueError):
        return False
    return True


def _limits_shapes(data: dict[str, Any]) -> dict[str, Any]:
    rows = _rows(data.get("targets"))
    if isinstance(rows, list):
        kept = []
        by_rate = list(data.get("stack_temperature_by_rate") or [])
        for row in rows:
            if isinstance(row, Mapping):
                row = {
                    _ALIASES.get(str(k), k) if k in ("rate", "o2", "co2") else k: v
                    for k, v in row.items()
                }
                stack = {
                    k: row.pop(k) for k in list(row) if str(k).startswith("stack_temperature_max")
                }
                if stack:
                    by_rate.append({"firing_rate": row.get("firing_rate"), **stack})
                if stack and not {"o2_dry", "co2_dry"} & set(row):
                    continue
            kept.append(row)
        data["targets"] = kept
        if by_rate:
            data["stack_temperature_by_rate"] = by_rate
    return data


def _model_at(model: type[Part], loc: tuple[int | str, ...]) -> type[Part]:
    for step in loc:
        field = model.model_fields.get(str(step))
        nested = None if field is None else part_of(field)
        if nested is not None:
            model = nested
    return model


def _problems(error: ValidationError, model: type[Part], file: str) -> list[DocumentProblem]:
    found = []
    for one in error.errors(include_url=False)[:50]:
        loc = tuple(one["loc"])
        pointer = "".join(f"/{str(s).replace('~', '~0').replace('/', '~1')}" for s in loc)
        raw = one.get("input")
        shown = None if isinstance(raw, Mapping | list) else json.dumps(raw, default=str)[:80]
        if one["type"] == "extra_forbidden":
            owner = _model_at(model, loc[:-1])
            near = difflib.get_close_matches(str(loc[-1]), owner.model_fields, n=1, cutoff=0.5)
            known = ", ".join(owner.model_fields)
            found.append(
                DocumentProblem(
                    file,
                    pointer,
                    f"unknown key {str(loc[-1])!r}",
                    f"one of {known}",
                    f"Did you mean {near[0]!r}?" if near else "Remove it or put it in a note.",
                )
            )
            continue
        message = str(one["msg"]).removeprefix("Value error, ")
        found.append(
            DocumentProblem(
                file,
                pointer,
                message,
                _expected(model, loc),
                "Correct it and try again.",
                shown,
            )
        )
    return found


def _expected(model: type[Part], loc: tuple[int | str, ...]) -> str:
    owner = _model_at(model, loc[:-1]) if loc else model
    field = owner.model_fields.get(str(loc[-1])) if loc else None
    if field is None:
        return "a document as in docs/contracts"
    dimension = dimension_of(field)
    if dimension is not None:
        return f'a number with its unit, such as {{"value": 1, "unit": "{dimension.unit}"}}'
    words = str(field.annotation).replace("typing.", "").replace("ingest.models.", "")
    return re.sub(r"<class '([^']+)'>", r"\1", words)
