"""One cause is one finding: effects are listed under it, and one rule at many rates is one line.

A flag becomes an effect only of a sure cause on the same burner, fuel, phase and rate. The worst
severity of all stays on the finding, so joining never hides a stop.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

from ingest.judgement import Flag
from ingest.models import SEVERITIES

RANK = {severity: n for n, severity in enumerate(SEVERITIES)}

_CO = ("co_above_limit", "co_elevated", "co_still_rising", "co_rising_towards_end")
_TEMPERATURE = (
    "stack_below_water",
    "stack_below_air",
    "stack_below_dew_point",
    "stack_temperature_high",
    "stack_approach_high",
    "vent_overheated",
    "return_water_low",
    "condensate_absent",
    "value_implausible",
    "analyzer_disagrees",
    "rates_swapped",
)

CAUSES: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("probes_swapped", _TEMPERATURE),
    ("temperature_unit_mixed", _TEMPERATURE),
    ("value_implausible", ("instrument_range", "o2_co2_mismatch", "analyzer_disagrees")),
    ("sample_diluted", ("o2_above_band", "o2_spread", "instrument_drift", "linkage_hysteresis")),
    (
        "rates_swapped",
        (
            "o2_below_band",
            "o2_above_band",
            "o2_spread",
            "stack_approach_high",
            "stack_temperature_high",
        ),
    ),
    ("rate_repeated", ("rates_missing", "linkage_hysteresis", "unsettled_point")),
    ("copied_as_found", ("no_change_after_adjustment",)),
    ("copied_earlier_visit", ("no_change_after_adjustment", "copied_as_found")),
    ("flue_gas_in_intake", (*_CO, "o2_below_band")),
    ("co_sensor_range_end", _CO),
    ("o2_below_band", ("co_sensor_range_end", *_CO, "o2_spread", "instrument_drift")),
    ("o2_above_band", ("o2_spread", "instrument_drift", "linkage_hysteresis")),
    ("o2_co2_mismatch", ("analyzer_disagrees", "instrument_drift")),
    ("co_above_limit", ("co_elevated", "co_still_rising", "co_rising_towards_end")),
    ("return_water_low", ("stack_below_dew_point",)),
    ("stack_approach_high", ("stack_temperature_high",)),
)
"""Cause and what it brings with it, in the order in which causes are asked."""

_CAN_CAUSE = frozenset(cause for cause, _ in CAUSES)


def order(flag: Flag) -> tuple[int, int, str]:
    """Return the sorting key: worst first, sure before too close, then by id."""
    return RANK[flag.severity], 1 if flag.answer == "too_close" else 0, flag.id


def _together(cause: Flag, effect: Flag) -> bool:
    if cause.burner is not None and effect.burner is not None:
        same = (cause.burner, cause.fuel, cause.phase) == (effect.burner, effect.fuel, effect.phase)
        return same and not set(cause.firing_rates).isdisjoint(effect.firing_rates)
    return True


def _said(flag: Flag) -> tuple[str, ...]:
    return (f"{flag.rule}: {flag.message}", *flag.effects)


def _under(cause: Flag, effects: Sequence[Flag]) -> Flag:
    worst = min(effects, key=order)
    listed = tuple(dict.fromkeys((*cause.effects, *(s for e in effects for s in _said(e)))))
    if RANK[worst.severity] >= RANK[cause.severity]:
        return replace(cause, effects=listed)
    return replace(
        cause,
        severity=worst.severity,
        message=f"{cause.message.removesuffix('.')}; {worst.message}",
        next_step=worst.next_step if worst.severity == "stop" else cause.next_step,
        effects=listed,
    )


def joined(flags: Iterable[Flag]) -> list[Flag]:
    """Return the findings, each with its effects, worst first."""
    held = list(flags)
    if len(held) > 1:
        present = {f.rule for f in held}
        for rule, brings in CAUSES:
            if rule in present and len(held) > 1:
                held = _absorb(held, rule, brings)
        held = _merged(held)
    return sorted(held, key=order)


def _absorb(held: list[Flag], rule: str, brings: tuple[str, ...]) -> list[Flag]:
    for cause in [f for f in held if f.rule == rule]:
        if cause.answer == "too_close" or cause.severity == "info" or cause not in held:
            continue
        effects = [f for f in held if f is not cause and f.rule in brings and _together(cause, f)]
        if effects:
            held = [f for f in held if f not in effects]
            held[held.index(cause)] = _under(cause, effects)
    return held


def _merged(held: list[Flag]) -> list[Flag]:
    """Return one flag for one rule at many rates: the worst leads, the others are effects."""
    groups: dict[tuple[str, str | None, str | None, str | None, str | None], list[Flag]] = {}
    for flag in held:
        key = (flag.rule, flag.burner, flag.fuel, flag.phase, flag.quantity)
        groups.setdefault(key, []).append(flag)
    out = []
    for group in groups.values():
        if len(group) == 1 or group[0].burner is None:
            out += group
            continue
        lead, *others = sorted(group, key=_far)
        rates = tuple(sorted({r for f in group for r in f.firing_rates}))
        listed = tuple(dict.fromkeys((*lead.effects, *(s for f in others for s in _said(f)))))
        name = ":".join(
            (lead.rule, str(lead.phase), str(lead.burner), str(lead.fuel),
             "+".join(f"{r:g}" for r in rates))
        )  # fmt: skip
        if lead.quantity is not None:
            name += f":{lead.quantity}"
        out.append(replace(lead, id=name, firing_rates=rates, effects=listed))
    return _told_apart(out)


def _told_apart(flags: Sequence[Flag]) -> list[Flag]:
    """Return flags each under an id of its own: two quantities may break one rule at one point."""
    seen: set[str] = set()
    out = []
    for flag in flags:
        if flag.id in seen and flag.quantity is not None:
            flag = replace(flag, id=f"{flag.id}:{flag.quantity}")
        seen.add(flag.id)
        out.append(flag)
    return out


def _far(flag: Flag) -> tuple[int, int, float, str]:
    far = 0.0
    if flag.value is not None and flag.answer != "too_close":
        beyond = [
            d
            for d in (
                None if flag.high is None else flag.value - flag.high,
                None if flag.low is None else flag.low - flag.value,
            )
            if d is not None
        ]
        far = max(beyond, default=0.0)
    return (*order(flag)[:2], -far, flag.id)
