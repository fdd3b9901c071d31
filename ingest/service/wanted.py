"""What a plan may want recorded beside its tasks: light-off, gas, vent and oil, by name.

A name is the part of the record and its field (``gas.inlet_burners_off``); names joined by ``|``
are answered by any one of them, as a manifold has a pressure or a governor an offset.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from ingest.dimensions import Part
from ingest.service.models import (
    GasPressures,
    LightOff,
    OilChecks,
    ServiceRecord,
    VentChecks,
)

_SIGNED = ("time", "by")
_PARTS: Mapping[str, type[Part]] = {
    "light_off": LightOff,
    "gas": GasPressures,
    "vent": VentChecks,
    "oil": OilChecks,
}
_TITLES = {
    "light_off": "Light-off",
    "gas": "Gas pressures",
    "vent": "Vent",
    "oil": "Oil",
}
WANTED: Mapping[str, str] = MappingProxyType(
    {
        f"{part}.{field}": f"{_TITLES[part]}: {field.replace('_', ' ')}"
        for part, model in _PARTS.items()
        for field in model.model_fields
        if field not in _SIGNED
    }
)
"""Every name that a plan may use, and what it is called."""


def unknown(wanted: str) -> str | None:
    """Return the first name of an entry that is none, None where all are known.

    >>> unknown("gas.manifold_low_fire|gas.offset_low_fire"), unknown("gas.colour")
    (None, 'gas.colour')
    """
    return next((name for name in wanted.split("|") if name not in WANTED), None)


def recorded(record: ServiceRecord, wanted: str) -> bool:
    """Return whether a record answers an entry; of several light-offs one is enough."""
    return any(_answered(record, *name.split(".", 1)) for name in wanted.split("|"))


def _answered(record: ServiceRecord, part: str, field: str) -> bool:
    holders = record.light_offs if part == "light_off" else [getattr(record, part)]
    answers = [getattr(one, field) for one in holders if one is not None]
    return any(a not in (None, "not_checked") for a in answers)


def title(wanted: str) -> str:
    """Return what an entry is called.

    >>> title("gas.manifold_low_fire|gas.offset_low_fire")
    'Gas pressures: manifold low fire or offset low fire'
    """
    first, *others = (WANTED[name] for name in wanted.split("|"))
    return " or ".join([first, *(other.partition(": ")[2] for other in others)])
