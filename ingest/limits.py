"""Limits as data: defaults with a source each, and which statement applies to one boiler.

``resolve`` puts the boiler's own statement over the model's, over the company's, over the default,
key by key, and says for each which level it came from. The result is a snapshot with an id and a
SHA-256 over its canonical JSON, which hand-in freezes.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

from ingest.judgement import Level, Source, Status
from ingest.models import Boiler, Limits


@dataclass(frozen=True, slots=True)
class DefaultLimit:
    """A limit taken where nobody states one."""

    value: Any
    source: str
    status: Status


def _d(value: Any, status: Status, source: str) -> DefaultLimit:
    return DefaultLimit(value, source, status)


DEFAULT_LIMITS: Mapping[str, DefaultLimit] = MappingProxyType(
    {
        "co_air_free_check": _d(100.0, "common practice", "service target for CO air-free, gas"),
        "co_air_free_fix": _d(
            200.0, "common practice", "half of the 400 ppm of vented gas heating"
        ),
        "co_air_free_stop": _d(400.0, "quoted", "ANSI Z21 series, vented gas heating equipment"),
        "o2_spread_max": _d(1.0, "common practice", "low to high fire beyond the target curve"),
        "approach_rise_max": _d(12.0, "common practice", "stack over water against earlier visits"),
        "approach_rise_max_condensing": _d(
            7.0, "common practice", "stack over water against earlier visits, condensing"
        ),
        "return_water_min": _d(
            54.4, "quoted", "natural-gas flue gas condenses below about 130 degF of return water"
        ),
        "return_water_min_oil": _d(
            48.9, "memory", "oil flue gas condenses below about 120 degF of return water"
        ),
        "flame_signal_min": _d(1.0, "common practice", "weakest steady flame-rod current"),
        "room_co_check": _d(9.0, "quoted", "EPA ambient standard, 8 h, 40 CFR 50.8"),
        "room_co_stop": _d(35.0, "read", "NIOSH recommended limit, 8 h (criteria document, 1972)"),
        "room_co_no_entry": _d(
            200.0, "read", "NIOSH ceiling value (criteria document, 1972, abstract)"
        ),
        "smoke_number_max": _d(1.0, "memory", "smoke number of a light-oil burner"),
        "calibration_interval_days": _d(365, "common practice", "yearly analyzer calibration"),
        "vent_temperature_max_pvc": _d(65.0, "memory", "PVC vent, about 149 degF"),
        "vent_temperature_max_cpvc": _d(90.0, "memory", "CPVC vent, about 194 degF"),
        "vent_temperature_max_polypropylene": _d(110.0, "memory", "polypropylene vent, 230 degF"),
        "intake_o2_min": _d(20.6, "common practice", "fresh air holds 20.9 % O2"),
        "intake_co2_max": _d(0.2, "common practice", "fresh air holds 0.04 % CO2"),
        "o2_band": _d((2.0, 10.0), "common practice", "widest usual O2 of a gas or oil burner"),
        "decision_beyond": _d(
            0.95, "common practice", "beyond at 95 % probability; see JCGM 106:2012"
        ),
        "decision_within": _d(
            0.05, "common practice", "within at 5 % probability; see JCGM 106:2012"
        ),
    }
)

_STATED = tuple(k for k in Limits.model_fields if k not in ("targets", "source", "units"))


@dataclass(frozen=True, slots=True)
class Limit:
    """One limit that applies, and where it comes from."""

    value: Any
    source: Source


@dataclass(frozen=True, slots=True)
class LimitSet:
    """Everything one boiler is held to."""

    id: str
    sha256: str
    limits: Mapping[str, Limit]
    targets: tuple[Any, ...]
    targets_source: Source | None
    snapshot: Mapping[str, Any]
    text: str = ""
    """The snapshot as canonical JSON, over which the SHA-256 was taken."""

    def get(self, key: str) -> Limit | None:
        """Return a limit by key, None where nobody states it and there is no default."""
        return self.limits.get(key)

    def number(self, key: str) -> float:
        """Return a limit that has a default."""
        return float(self.limits[key].value)


def _levels(
    boiler: Boiler, model: Limits | None, company: Limits | None
) -> list[tuple[Level, Limits]]:
    found: list[tuple[Level, Limits]] = [("boiler", boiler.limits)]
    if model is not None:
        found.append(("model", model))
    if company is not None:
        found.append(("company", company))
    return found


def _source(limits: Limits, level: Level) -> Source:
    return Source(limits.source or f"stated for the {level}", "stated", level)


def _stated(limits: Limits, key: str) -> Any:
    value = getattr(limits, key)
    return None if value is None or value == [] else value


_defaults: dict[str, Limit] = {
    key: Limit(found.value, Source(found.source, found.status, "default"))
    for key, found in DEFAULT_LIMITS.items()
}


def _vent_default(boiler: Boiler) -> Limit | None:
    return _defaults.get(f"vent_temperature_max_{boiler.vent}")


def _plain(value: Any) -> Any:
    if hasattr(value, "model_dump"):
        return value.model_dump(mode="json", exclude_none=True)
    if isinstance(value, list | tuple):
        return [_plain(v) for v in value]
    return value


_OF_BOILER = ("condensing", "medium", "vent", "fuel")
"""What else of a boiler decides which limits it is held to."""

_MOST_RESOLVED = 512
_Stated = tuple[Limits, Limits | None, Limits | None]
_resolved: dict[tuple[Any, ...], tuple[_Stated, LimitSet]] = {}


def resolve_limits(
    boiler: Boiler, *, model: Limits | None = None, company: Limits | None = None
) -> LimitSet:
    """Return the limits that apply to a boiler.

    Parameters
    ----------
    boiler : Boiler
        With its own limits, which stand above all others.
    model, company : Limits or None
        Statements for the model of boiler and for the company.

    Examples
    --------
    >>> resolve_limits(Boiler()).number("co_air_free_stop")
    400.0
    """
    # Documents are frozen and shared: while one is held here, no other has its place in memory.
    key = (*map(id, (boiler.limits, model, company)), *(getattr(boiler, n) for n in _OF_BOILER))
    held = _resolved.get(key)
    if held is None:
        if len(_resolved) >= _MOST_RESOLVED:
            _resolved.clear()
        held = _resolved[key] = ((boiler.limits, model, company), _resolve(boiler, model, company))
    return held[1]


def held_to(snapshot: Mapping[str, Any]) -> LimitSet:
    """Return the limits of a snapshot, as they were when a judgement was frozen with them.

    >>> made = resolve_limits(Boiler())
    >>> held_to(made.snapshot) == made
    True
    """
    stated, of_targets = snapshot["limits"], snapshot["targets_source"]
    known = {key: one["value"] for key, one in stated.items() if key in _STATED}
    typed = Limits.model_validate({**known, "targets": snapshot["targets"]})
    limits = {}
    for key, one in stated.items():
        value = getattr(typed, key) if key in known else one["value"]
        limits[key] = Limit(
            tuple(value) if isinstance(value, list) and key not in known else value,
            Source(one["source"], one["status"], one["level"]),
        )
    source = of_targets and Source(of_targets["source"], "stated", of_targets["level"])
    return _set_of(snapshot, limits, tuple(typed.targets), source)


def _set_of(
    snapshot: Mapping[str, Any],
    limits: Mapping[str, Limit],
    targets: tuple[Any, ...],
    targets_source: Source | None,
) -> LimitSet:
    text = json.dumps(dict(snapshot), sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    digest = hashlib.sha256(text.encode()).hexdigest()
    return LimitSet(
        id=f"limits-{digest[:12]}",
        sha256=digest,
        limits=MappingProxyType(dict(limits)),
        targets=targets,
        targets_source=targets_source,
        snapshot=MappingProxyType(dict(snapshot)),
        text=text,
    )


def _resolve(boiler: Boiler, model: Limits | None, company: Limits | None) -> LimitSet:
    levels = _levels(boiler, model, company)
    limits = dict(_defaults)
    if boiler.condensing:
        limits["approach_rise_max"] = _defaults["approach_rise_max_condensing"]
    if "oil" in boiler.fuel.casefold():
        limits["return_water_min"] = _defaults["return_water_min_oil"]
    vent = _vent_default(boiler)
    if vent is not None:
        limits["vent_temperature_max"] = vent
    for level, stated in reversed(levels):
        for key in stated.model_fields_set:
            if key in _STATED and (value := _stated(stated, key)) is not None:
                limits[key] = Limit(value, _source(stated, level))
    targets: tuple[Any, ...] = ()
    targets_source = None
    for level, stated in levels:
        if stated.targets:
            targets = tuple(sorted(stated.targets, key=lambda t: t.firing_rate))
            targets_source = _source(stated, level)
            break
    snapshot = {
        "format": "fluebook.limits-snapshot/1",
        "limits": {
            key: {
                "value": _plain(limit.value),
                "source": limit.source.text,
                "status": limit.source.status,
                "level": limit.source.level,
            }
            for key, limit in sorted(limits.items())
        },
        "targets": [_plain(t) for t in targets],
        "targets_source": None
        if targets_source is None
        else {"source": targets_source.text, "level": targets_source.level},
        **{name: getattr(boiler, name) for name in _OF_BOILER},
    }
    return _set_of(snapshot, limits, targets, targets_source)
