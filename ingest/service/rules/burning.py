"""Light-off, gas pressures, vent and oil."""

from __future__ import annotations

from ingest.models import PressureBand
from ingest.service.rules.proving import beyond, span
from ingest.service.rules.view import ServiceView, rule

_OFF = (
    "Shut the burner down and do not try again: only a person licensed for this boiler lights it "
    "after the cause is found, and after a full purge."
)
IGNITION = rule(
    "ignition_not_smooth",
    "light-off",
    "Ignition not smooth",
    "The burner lit late or rumbled: unburnt fuel burnt all at once.",
    _OFF,
    needs="the light-off recorded",
    silent="When ignition was smooth.",
    causes="Igniter gap or place, gas pressure, air-fuel ratio, a blocked vent.",
    source="delayed ignition can destroy a boiler",
    safety=True,
)
PURGE = rule(
    "purge_short",
    "light-off",
    "Purge too short",
    "The purge before a trial was shorter than wanted, or not recorded before a repeated trial.",
    "No further trial without a full purge; check the programmer.",
    needs="purge seconds, and the plan's least purge",
    silent="When the plan states no purge and there was one trial.",
    causes="Programmer setting, air-flow switch, impatience.",
    status="stated",
    safety=True,
)
TRIAL = rule(
    "trial_long",
    "light-off",
    "Trial for ignition too long",
    "Fuel was released longer than wanted without a flame.",
    "Check the burner control; no further trial without a full purge.",
    needs="trial seconds, and the plan's longest trial",
    silent="When the plan states no trial time.",
    causes="Burner control setting or fault.",
    status="stated",
    safety=True,
)
CO_PEAK = rule(
    "light_off_co_peak",
    "light-off",
    "CO peak at light-off",
    "Carbon monoxide rose above the plan's limit within the first 30 s.",
    "Look at ignition and at the ratio at light-off.",
    needs="CO peak of the first 30 s, and the plan's limit",
    silent="When the plan states no limit.",
    causes="Late or rich light-off.",
    status="stated",
)
GAS = rule(
    "gas_pressure_out_of_limits",
    "gas pressures",
    "Gas pressure outside its limits",
    "A gas pressure or the gas-air offset is outside the least or greatest stated.",
    "Find out why before adjusting: the regulator, the meter, another appliance.",
    needs="gas pressures, and limits for them",
    silent="When no limits are stated.",
    causes="Regulator, pipe size, other appliances on the supply.",
    default="none: only where a limit is stated",
    status="stated",
    safety=True,
    limits=("gas_inlet_pressure", "manifold_pressure", "gas_air_offset"),
)
NIPPLES = rule(
    "gas_nipples_not_tight",
    "gas pressures",
    "Test nipples not closed and leak-checked",
    "Gas pressures were read, and the test nipples are not recorded as closed and leak-checked.",
    "Close every test nipple and leak-check it.",
    needs="whether the nipples are closed and leak-checked",
    silent="When no gas pressure was read.",
    causes="Forgotten at the boiler or in the record.",
    source="an open test nipple lets gas into the room",
    safety=True,
)
SPILLAGE = rule(
    "vent_spillage",
    "vent",
    "Flue gas spills into the room",
    "Spillage was seen.",
    "Shut the burner down, ventilate, leave the room where CO is up; clear the vent first.",
    needs="a spillage check",
    silent="When spillage was looked for and not seen.",
    causes="Blocked or cold vent, room under suction, wrong draft control.",
    source="spillage brings carbon monoxide into the room",
    safety=True,
)
DRAFT = rule(
    "draft_out_of_limits",
    "vent",
    "Draft outside its limits",
    "Draft at the outlet or over the fire is outside the boiler's limits.",
    "Look at vent, draft control and room pressure.",
    needs="draft, and limits for it",
    silent="When no limits are stated.",
    causes="Vent, draft control, wind, room pressure.",
    default="none: only where a limit is stated",
    status="stated",
    limits=("stack_draft", "overfire_draft"),
)
SMOKE_FIRST = rule(
    "smoke_after_probe",
    "oil",
    "Smoke number taken after the gas probe",
    "The smoke spot comes before the gas probe, whose filter and cells soot blocks.",
    "Check the analyzer's filter and zero; take the smoke number first next time.",
    needs="whether the smoke number came first",
    silent="When it came first.",
    causes="Order of the work.",
)


def judge(view: ServiceView) -> None:
    """Judge light-off, gas, vent and oil."""
    _light_off(view)
    _gas(view)
    _vent(view)
    oil = view.record.oil
    if oil is not None and oil.smoke_before_probe is False:
        view.flag(SMOKE_FIRST, "check", "The smoke number was taken after the probe.", tag="oil")


def _light_off(view: ServiceView) -> None:
    trials = view.record.light_offs
    if not trials:
        for found in (IGNITION, PURGE, TRIAL):
            view.not_judged(found, "no light-off is recorded")
        return
    wanted = None if view.plan is None else view.plan.light_off
    least = None if wanted is None else wanted.purge_min_s
    longest = None if wanted is None else wanted.trial_max_s
    most = None if wanted is None else wanted.co_peak_max_ppm
    if least is None:
        view.not_judged(PURGE, "the plan states no least purge")
    if longest is None:
        view.not_judged(TRIAL, "the plan states no longest trial")
    for n, trial in enumerate(trials, 1):
        last, name = n == len(trials), f"Light-off {n}"
        if trial.ignition == "delayed":
            view.flag(
                IGNITION,
                "stop" if last else "check",
                f"{name}: delayed ignition" + ("." if last else "; a later one is recorded."),
                tag=str(n),
            )
        elif trial.ignition == "rumbling":
            view.flag(
                IGNITION,
                "fix" if last else "check",
                f"{name}: rumbling" + ("." if last else "; a later one is recorded."),
                tag=str(n),
                next_step="Find the cause and light off again after a full purge.",
            )
        elif trial.ignition == "none" and last:
            view.flag(IGNITION, "fix", f"{name}: no flame was proved.", tag=str(n))
        _times(view, n, name, trial.purge, trial.trial, least, longest)
        if most is not None and trial.co_peak is not None and trial.co_peak > most:
            view.flag(
                CO_PEAK,
                "check",
                f"{name}: CO peak {trial.co_peak:g} ppm, limit {most:g} ppm.",
                tag=str(n),
                unit="ppm",
                value=trial.co_peak,
                high=most,
            )


def _times(
    view: ServiceView,
    n: int,
    name: str,
    purge: float | None,
    trial: float | None,
    least: float | None,
    longest: float | None,
) -> None:
    again = n > 1
    if purge is None and again:
        view.flag(
            PURGE, "check", f"{name}: a repeated trial, and its purge is not recorded.", tag=str(n)
        )
    elif purge is not None and ((least is not None and purge < least) or (again and purge == 0)):
        wanted = "" if least is None else f", at least {least:g} s wanted"
        view.flag(
            PURGE,
            "stop" if again else "fix",
            f"{name}: purge {purge:g} s{wanted}" + (", before a repeated trial." if again else "."),
            tag=str(n),
            unit="s",
            value=purge,
            low=least,
        )
    if trial is not None and longest is not None and trial > longest:
        view.flag(
            TRIAL,
            "stop",
            f"{name}: trial for ignition {trial:g} s, at most {longest:g} s wanted.",
            tag=str(n),
            next_step=_OFF,
            unit="s",
            value=trial,
            high=longest,
        )


def _gas(view: ServiceView) -> None:
    gas = view.record.gas
    if gas is None:
        view.not_judged(GAS, "no gas pressures are recorded")
        view.not_judged(NIPPLES, "no gas pressures are recorded")
        return
    looked = False
    for key, value, of, name in (
        ("inlet_off", gas.inlet_burners_off, "gas_inlet_pressure", "Inlet, burners off"),
        ("inlet_alone", gas.inlet_high_fire_alone, "gas_inlet_pressure", "Inlet, high fire"),
        (
            "inlet_all",
            gas.inlet_all_appliances,
            "gas_inlet_pressure",
            "Inlet, every appliance running",
        ),
        ("manifold_low", gas.manifold_low_fire, "manifold_pressure", "Manifold, low fire"),
        ("manifold_high", gas.manifold_high_fire, "manifold_pressure", "Manifold, high fire"),
        ("offset_low", gas.offset_low_fire, "gas_air_offset", "Gas-air offset, low fire"),
        ("offset_high", gas.offset_high_fire, "gas_air_offset", "Gas-air offset, high fire"),
    ):
        limit = view.limits.get(of)
        if value is None or limit is None:
            continue
        looked = True
        band: PressureBand = limit.value
        decimals = 1 if key.startswith("offset") else 0
        if beyond(value, band):
            view.flag(
                GAS,
                "fix",
                # An offset is a few pascals: rounded to whole ones it could seem to be inside.
                f"{name}: {value:.{decimals}f} Pa, limits {span(band, decimals)} Pa.",
                tag=key,
                unit="Pa",
                value=value,
                low=band.low,
                high=band.high,
                limit=limit,
            )
    if not looked:
        view.not_judged(GAS, "no gas pressure with a limit of the boiler is recorded")
    if gas.nipples_closed is False:
        view.flag(NIPPLES, "stop", "A gas test nipple is recorded as open.", tag="open")
    elif gas.nipples_closed is None or not gas.nipples_leak_checked:
        view.flag(
            NIPPLES,
            "fix" if gas.nipples_leak_checked is False else "check",
            "Gas test nipples are not recorded as closed and leak-checked.",
            tag="unproved",
        )


def _vent(view: ServiceView) -> None:
    vent = view.record.vent
    if vent is None or vent.spillage == "not_checked":
        view.not_judged(SPILLAGE, "spillage was not checked")
    elif vent.spillage == "seen":
        view.flag(SPILLAGE, "stop", "Spillage of flue gas was seen.", tag="seen")
    looked = False
    for value, of, name in (
        (None if vent is None else vent.outlet_draft, "stack_draft", "outlet"),
        (None if vent is None else vent.overfire_draft, "overfire_draft", "over fire"),
    ):
        limit = view.limits.get(of)
        if value is None or limit is None:
            continue
        looked = True
        band: PressureBand = limit.value
        if beyond(value, band):
            view.flag(
                DRAFT,
                "fix",
                f"Draft at {name}: {value:.1f} Pa is outside the boiler's limits.",
                tag=name.replace(" ", "_"),
                unit="Pa",
                value=value,
                low=band.low,
                high=band.high,
                limit=limit,
            )
    if not looked:
        view.not_judged(DRAFT, "no draft with a limit of the boiler is recorded")


RULES = (IGNITION, PURGE, TRIAL, CO_PEAK, GAS, NIPPLES, SPILLAGE, DRAFT, SMOKE_FIRST)
