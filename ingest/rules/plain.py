"""Readings held to one plain limit: flame signal, pressures, drafts, smoke, NOx, input."""

from __future__ import annotations

from math import hypot

from ingest.fuel_facts import facts
from ingest.models import PressureBand
from ingest.rules.against import above, below
from ingest.rules.model import Rule
from ingest.rules.view import View

_STATED = "stated for the boiler, its model or the company"
FLAME = Rule(
    key="flame_signal_weak",
    family="flame, pressures, emissions",
    title="Weak flame signal",
    meaning="The flame detector's current is near the point where the control locks out.",
    formula="flame signal below its minimum",
    default="1.0 uA; at the default a check",
    source="weakest steady flame-rod current",
    status="common practice",
    causes="Dirty or bent flame rod, cracked insulator, poor burner ground, lean flame.",
    next_step="Clean and set the flame rod or detector, check the ground, read again.",
    silent="When no flame signal was read.",
    needs="flame_signal as left",
    limits=("flame_signal_min",),
)
SMOKE = Rule(
    key="smoke_number_high",
    family="flame, pressures, emissions",
    title="Smoke number above its limit",
    meaning="The oil flame makes soot.",
    formula="smoke number above its limit",
    default="1",
    source="smoke number of a light-oil burner",
    status="memory",
    causes="Too little air, worn nozzle, wrong pump pressure, cold oil, dirty head.",
    next_step="Check nozzle, pump pressure and head, set the air, repeat smoke and CO.",
    silent="For gas, and when no smoke number was taken.",
    needs="smoke_number as left, for oil",
    limits=("smoke_number_max",),
)
NOX = Rule(
    key="nox_above_limit",
    family="flame, pressures, emissions",
    title="NOx above its limit",
    meaning="Nitrogen oxides at 3 % O2 are above the stated limit.",
    formula="NOx * (20.9 - 3) / (20.9 - O2); from NO alone, NOx = NO / 0.95",
    default="none: only where a limit is stated",
    source="reference-oxygen correction as in 40 CFR 60.3076(a)",
    status="read",
    causes="Flue-gas recirculation off, too hot a flame, a damaged burner, too much air.",
    next_step="Check recirculation and burner by the boiler's instructions.",
    silent="When no limit is stated, or neither NOx nor NO was read.",
    needs="nox_dry or no_dry with o2_dry as left, and a stated limit",
    limits=("nox_at_3_o2_max",),
)


def _pressure_rule(key: str, quantity: str, title: str, causes: str) -> Rule:
    return Rule(
        key=key,
        family="flame, pressures, emissions",
        title=title,
        meaning=f"The reading of {quantity} is outside the stated range.",
        formula=f"{quantity} below its low or above its high limit",
        default="none: only where a limit is stated",
        source=_STATED,
        status="stated",
        causes=causes,
        next_step="Set it by the boiler's instructions, then repeat all rates.",
        silent="When no limit is stated or the pressure was not read.",
        needs=f"{quantity} as left, and a stated range",
        limits=(quantity,),
    )


PRESSURES = {
    "gas_inlet_pressure": _pressure_rule(
        "gas_inlet_pressure_off",
        "gas_inlet_pressure",
        "Gas inlet pressure outside its range",
        "Regulator off its setting, undersized pipe, another appliance starting.",
    ),
    "manifold_pressure": _pressure_rule(
        "manifold_pressure_off",
        "manifold_pressure",
        "Manifold pressure outside its range",
        "Valve or governor off its setting, orifice dirty or wrong.",
    ),
    "stack_draft": _pressure_rule(
        "stack_draft_off",
        "stack_draft",
        "Draft outside its range",
        "Blocked or leaking vent, barometric damper off, fan or wind.",
    ),
    "overfire_draft": _pressure_rule(
        "overfire_draft_off",
        "overfire_draft",
        "Over-fire draft outside its range",
        "Fouled gas passes, vent blocked, damper off.",
    ),
}


def judge(view: View) -> None:
    """Judge every reading that has one plain limit."""
    _flame(view)
    for quantity, rule in PRESSURES.items():
        _pressure(view, quantity, rule)
    _smoke(view)
    _nox(view)


def _flame(view: View) -> None:
    limit = view.limits.limits["flame_signal_min"]
    judged = False
    for point in view.deciding:
        value = point.mean("flame_signal")
        if value is None:
            continue
        judged = True
        below(
            view, FLAME, (point,), what="Flame signal", value=value, u=point.u("flame_signal"),
            limit=limit.value, source=limit.source, quantity="flame_signal", unit="uA", decimals=1,
            severity="check" if limit.source.level == "default" else "fix",
        )  # fmt: skip
    if not judged:
        view.not_judged(FLAME, "no flame signal was read")


def _pressure(view: View, quantity: str, rule: Rule) -> None:
    limit = view.limit(quantity)
    if limit is None:
        view.not_judged(rule, "no range is stated")
        return
    band: PressureBand = limit.value
    judged = False
    for point in view.deciding:
        value = point.mean(quantity)
        if value is None:
            continue
        judged = True
        u = point.u(quantity)
        what = rule.title.split(" outside", maxsplit=1)[0]
        if band.low is not None and below(
            view, rule, (point,), what=what, value=value, u=u, limit=band.low,
            source=limit.source, quantity=quantity, unit="Pa",
        ):  # fmt: skip
            continue
        if band.high is not None:
            above(
                view, rule, (point,), what=what, value=value, u=u, limit=band.high,
                source=limit.source, quantity=quantity, unit="Pa",
            )  # fmt: skip
    if not judged:
        view.not_judged(rule, "it was not read")


def _smoke(view: View) -> None:
    limit = view.limits.limits["smoke_number_max"]
    judged = False
    for point in view.deciding if "smoke_number" in view.read else ():
        value = point.mean("smoke_number")
        if value is None:
            continue
        judged = True
        # The grey scale is read in whole numbers: half a step is the edge.
        if value > limit.value + 0.5:
            view.flag(
                SMOKE,
                "fix",
                f"Smoke number is {value:.0f} {point.at()}, above its limit of {limit.value:.0f}.",
                points=(point,),
                quantity="smoke_number",
                unit="1",
                value=value,
                u=point.u("smoke_number"),
                high=limit.value,
                answer="beyond",
                source=limit.source,
            )
    if not judged:
        known = facts(view.visit.fuel or view.boiler.fuel)
        view.not_judged(
            SMOKE,
            "no smoke number was taken" if known is None or known.oil else "the fuel is a gas",
        )


def _nox(view: View) -> None:
    limit = view.limit("nox_at_3_o2_max")
    if limit is None:
        view.not_judged(NOX, "no NOx limit is stated")
        return
    judged = False
    for point in view.deciding:
        read = point.mean("nox_dry")
        key, share = "nox_dry", 1.0
        if read is None:
            no, no2 = point.mean("no_dry"), point.mean("no2_dry")
            if no is None:
                continue
            # NO2 unread is taken as 5 % of NOx: common practice for boilers.
            key, share = "no_dry", 1.0 if no2 is not None else 1.0 / 0.95
            read = no + (no2 or 0.0) if no2 is not None else no
        if point.o2 is None or point.o2 >= 18.0:
            continue
        judged = True
        gain = share * (20.9 - 3.0) / (20.9 - point.o2)
        value = read * gain
        u = hypot(gain * point.u(key), value * point.u_o2 / (20.9 - point.o2))
        above(
            view, NOX, (point,), what="NOx at 3 % O2", value=value, u=u, limit=limit.value,
            source=limit.source, quantity="nox_at_3_o2", unit="ppm",
        )  # fmt: skip
    if not judged:
        view.not_judged(NOX, "neither NOx nor NO was read with O2")


RULES = (FLAME, *PRESSURES.values(), SMOKE, NOX)
