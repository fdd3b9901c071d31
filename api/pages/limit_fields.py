"""Limits as a form: every limit of the model as fields in the reader's units, and back again."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from pydantic import ValidationError

from api.findings import reading_said
from api.pages.numbers import typed_number
from api.pages.show import Shown
from api.refusals import refusal
from api.words import N_, _
from ingest.dimensions import CANONICAL_UNITS
from ingest.documents import DocumentError, limits_from
from ingest.models import Limits, LimitsDocument

MOST_ROWS = 50
EDGES = ("low", "aim", "high")
OF = {"o2_dry": "O2", "co2_dry": "CO2"}
"""What a target may be stated in."""


@dataclass(frozen=True, slots=True)
class Field:
    """One limit of the model.

    Attributes
    ----------
    quantity : str
        Whose unit and decimals it is read in; "" where ``unit`` says it.
    band : bool
        Whether it has a low and a high end.
    """

    key: str
    words: str
    quantity: str
    unit: str = ""
    band: bool = False

    @property
    def names(self) -> tuple[str, ...]:
        """Return the names of its entries on the form."""
        return (f"{self.key}.low", f"{self.key}.high") if self.band else (self.key,)


def _bands(*stated: tuple[str, str, str]) -> tuple[Field, ...]:
    return tuple(Field(key, words, quantity, band=True) for key, words, quantity in stated)


GROUPS: tuple[tuple[str, tuple[Field, ...]], ...] = (
    (
        N_("Flue gas"),
        (
            Field("co_air_free_check", N_("CO air-free, check from"), "co_air_free"),
            Field("co_air_free_fix", N_("CO air-free, fix from"), "co_air_free"),
            Field("co_air_free_stop", N_("CO air-free, stop from"), "co_air_free"),
            Field("nox_at_3_o2_max", N_("NOx at 3 % O2, at most"), "nox_at_3_o2"),
            Field("o2_spread_max", N_("O2 spread beyond the target curve, at most"), "o2_dry"),
            Field("smoke_number_max", N_("Smoke number, at most"), "smoke_number"),
        ),
    ),
    (
        N_("Temperatures"),
        (
            Field("stack_temperature_max", N_("Stack temperature, at most"), "stack_temperature"),
            Field(
                "approach_rise_max",
                N_("Stack over water, rise against earlier visits, at most"),
                "stack_approach",
            ),
            Field("vent_temperature_max", N_("Vent temperature, at most"), "stack_temperature"),
            Field("return_water_min", N_("Return water, at least"), "return_water_temperature"),
        ),
    ),
    (
        N_("Air of the room"),
        (
            Field("room_co_check", N_("CO in the room, check from"), "room_co"),
            Field("room_co_stop", N_("CO in the room, stop from"), "room_co"),
        ),
    ),
    (
        N_("Pressures and draft"),
        _bands(
            ("gas_inlet_pressure", N_("Gas inlet pressure"), "gas_inlet_pressure"),
            ("manifold_pressure", N_("Manifold pressure"), "manifold_pressure"),
            ("gas_air_offset", N_("Gas less air pressure at the ratio governor"), "gas_air_offset"),
            ("stack_draft", N_("Draft in the stack"), "stack_draft"),
            ("overfire_draft", N_("Draft over the fire"), "overfire_draft"),
            ("oil_pump_pressure", N_("Oil pump pressure"), "pump_pressure"),
            ("oil_nozzle_pressure", N_("Oil nozzle pressure"), "pump_pressure"),
        ),
    ),
    (
        N_("Flame, instrument and visit"),
        (
            Field("flame_signal_min", N_("Flame signal, at least"), "flame_signal"),
            Field("calibration_interval_days", N_("Analyzer calibration, every"), "", N_("days")),
            Field("required_rates", N_("Firing rates that a visit owes"), "", "%"),
        ),
    ),
    (
        N_("How sure a finding must be"),
        (
            Field("decision_beyond", N_("Beyond a limit from this probability"), "", "0.5–1"),
            Field("decision_within", N_("Within a limit up to this probability"), "", "0–0.5"),
        ),
    ),
)
FIELDS: Mapping[str, Field] = {f.key: f for _title, fields in GROUPS for f in fields}


def plain(value: float | None, decimals: int) -> str:
    """Return a number as a field holds it: digits that a form sends back as they are.

    >>> plain(12.50, 1), plain(400.0, 0), plain(None, 1)
    ('12.5', '400', '')
    """
    if value is None:
        return ""
    text = f"{value:.{decimals + 2}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def shown_number(field: Field, value: float, shown: Shown) -> str:
    """Return a canonical number of a limit in the reader's unit."""
    if not field.quantity:
        return plain(value, 2)
    return plain(shown.converted(field.quantity, value), shown.decimals(field.quantity))


def unit_of(field: Field, shown: Shown) -> str:
    """Return the label of a limit's unit."""
    return shown.unit(field.quantity) if field.quantity else _(field.unit)


def _known(limits: Limits, shown: Shown) -> dict[str, tuple[str, float | None]]:
    """Return each entry of the form with its text and, for a number, the canonical number."""
    out: dict[str, tuple[str, float | None]] = {}
    for field in FIELDS.values():
        value = getattr(limits, field.key)
        if field.key == "required_rates":
            out[field.key] = (" ".join(f"{rate:g}" for rate in value), None)
            continue
        ends = (value.low, value.high) if field.band and value is not None else (value,)
        for name, number in zip(field.names, (*ends, None), strict=False):
            text = "" if number is None else shown_number(field, number, shown)
            out[name] = (text, number)
    for n, target in enumerate(limits.targets):
        of = "o2_dry" if target.o2_dry is not None else "co2_dry"
        out[f"rate.{n}"] = (f"{target.firing_rate:g}", target.firing_rate)
        out[f"fuel.{n}"] = (target.fuel or "", None)
        out[f"of.{n}"] = (of, None)
        for edge in EDGES:
            number = getattr(getattr(target, of), edge)
            out[f"{edge}.{n}"] = (plain(number, 1), number)
    stack = FIELDS["stack_temperature_max"]
    for n, one in enumerate(limits.stack_temperature_by_rate):
        out[f"stack-rate.{n}"] = (f"{one.firing_rate:g}", one.firing_rate)
        number = one.stack_temperature_max
        out[f"stack-max.{n}"] = (shown_number(stack, number, shown), number)
    out["source"] = (limits.source or "", None)
    return out


def entries_of(limits: Limits, shown: Shown) -> dict[str, str]:
    """Return the form's entries for the limits that are stated."""
    return {name: text for name, (text, _number) in _known(limits, shown).items()}


def rows_of(entries: Mapping[str, str], name: str) -> int:
    """Return how many rows of a table the entries hold."""
    start = len(name) + 1
    numbers = [
        int(k[start:]) for k in entries if k.startswith(f"{name}.") and k[start:].isdecimal()
    ]
    return min(max(numbers, default=-1) + 1, MOST_ROWS)


class _Reading:
    """Reads entries; what is wrong with them is gathered, not raised."""

    def __init__(self, entries: Mapping[str, str], before: Limits, shown: Shown) -> None:
        self._entries = entries
        self._known = _known(before, shown)
        self.shown = shown
        self.problems: list[str] = []

    def text(self, name: str) -> str:
        return self._entries.get(name, "").strip()

    def number(self, name: str, canonical: Callable[[float], float] = float) -> float | None:
        text = self.text(name)
        if not text:
            return None
        before, number = self._known.get(name, ("", None))
        if text == before and number is not None:
            return number  # not what its rounding says
        try:
            return canonical(typed_number(text))
        except ValueError:
            self.problems.append(_("{text} is not a number.", text=text[:30]))
            return None

    def field_number(self, name: str, field: Field) -> float | None:
        quantity = field.quantity
        if not quantity:
            return self.number(name)
        return self.number(name, lambda value: self.shown.canonical(quantity, value))


def limits_asked(
    entries: Mapping[str, str], before: Limits, shown: Shown
) -> tuple[LimitsDocument | None, list[str]]:
    """Return the limits that the form asks for, or what is wrong with it.

    An entry left as it was keeps the number behind it, not what its rounding says.
    """
    read = _Reading(entries, before, shown)
    asked: dict[str, Any] = {}
    for field in FIELDS.values():
        if field.key == "required_rates":
            asked[field.key] = _rates(read)
            continue
        numbers = [read.field_number(name, field) for name in field.names]
        if field.band:
            asked[field.key] = {
                end: n for end, n in zip(("low", "high"), numbers, strict=True) if n is not None
            }
        elif field.key == "calibration_interval_days" and numbers[0] is not None:
            asked[field.key] = numbers[0] if numbers[0] % 1 else int(numbers[0])
        else:
            asked[field.key] = numbers[0]
    asked["targets"] = _targets(read, rows_of(entries, "rate"))
    asked["stack_temperature_by_rate"] = _by_rate(read, rows_of(entries, "stack-rate"))
    asked["source"] = read.text("source")[:200]
    if read.problems:
        return None, read.problems
    stated = {key: value for key, value in asked.items() if value not in (None, "", [], {})}
    try:
        return limits_from({**stated, "units": dict(CANONICAL_UNITS)}, _("the form")), []
    except DocumentError as error:
        cause = error.__cause__
        if isinstance(cause, ValidationError):
            found = [(str(e["loc"][0]) if e["loc"] else "", refusal(e)) for e in cause.errors()]
            return None, [_told(f"/{key}", why) for key, why in found]
        return None, [_told(p.pointer, reading_said(p.message)) for p in error.problems]


def _told(pointer: str, message: str) -> str:
    key = next((part for part in pointer.split("/") if part), "")
    if key in FIELDS:
        return _("{label}: {why}", label=_(FIELDS[key].words), why=message)
    return message


def _rates(read: _Reading) -> list[float]:
    found = []
    for text in read.text("required_rates").replace(";", " ").split():
        try:
            found.append(typed_number(text.strip(",")))
        except ValueError:
            read.problems.append(_("{text} is not a number.", text=text[:30]))
    return found


def _targets(read: _Reading, rows: int) -> list[dict[str, Any]]:
    out = []
    for n in range(rows):
        rate = read.number(f"rate.{n}")
        band = {e: v for e in EDGES if (v := read.number(f"{e}.{n}")) is not None}
        fuel, of = read.text(f"fuel.{n}"), read.text(f"of.{n}")
        if rate is not None and band:
            target = {"firing_rate": rate, of if of in OF else "o2_dry": band}
            out.append({**target, "fuel": fuel} if fuel else target)
        elif rate is not None or band or fuel:
            read.problems.append(_("A target needs its firing rate and one of low, aim and high."))
    return out


def _by_rate(read: _Reading, rows: int) -> list[dict[str, float]]:
    out = []
    stack = FIELDS["stack_temperature_max"]
    for n in range(rows):
        rate = read.number(f"stack-rate.{n}")
        most = read.field_number(f"stack-max.{n}", stack)
        if rate is not None and most is not None:
            out.append({"firing_rate": rate, "stack_temperature_max": most})
        elif rate is not None or most is not None:
            read.problems.append(_("A stack temperature at a rate needs both numbers."))
    return out


def digest_of(limits: Limits) -> str:
    """Return a short mark of limits: what is kept is what was tried."""
    stated = limits.model_dump(mode="json", exclude={"units"}, exclude_none=True)
    return hashlib.sha256(json.dumps(stated, sort_keys=True).encode()).hexdigest()[:16]
