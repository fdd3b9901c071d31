"""What the plan wants recorded of light-off, gas, vent and oil; flame at proving; oil pressures."""

from __future__ import annotations

from ingest.models import PressureBand
from ingest.service.rules.view import ServiceView, rule
from ingest.service.wanted import recorded, title

MISSING = rule(
    "check_not_recorded",
    "light-off, gas, vent and oil",
    "Check not recorded",
    "The plan wants something of light-off, gas, vent or oil recorded, and it is not there.",
    "Measure or look again and record it, or say in the note why not.",
    needs="a plan that says what is wanted",
    silent="When it is recorded, or the plan wants none of it.",
    causes="Forgotten at the boiler or in the record.",
)
FLAME = rule(
    "flame_weak_at_proving",
    "light-off",
    "Flame signal weak at proving",
    "The flame was proved with less signal than the boiler's least.",
    "Look at detector, its place, ground and ignition before leaving it.",
    needs="the flame signal of the last light-off",
    silent="When no flame was proved, or its signal is not recorded.",
    causes="Dirty or misplaced detector, poor ground, late or lean ignition.",
    formula="flame signal < flame_signal_min, at the last light-off",
    default="1.0 uA; at the default a check",
    source="weakest steady flame-rod current",
    safety=True,
    limits=("flame_signal_min",),
)
OIL = rule(
    "oil_out_of_limits",
    "oil",
    "Oil burner outside its limits",
    "Smoke number, pump or nozzle pressure of the service part is outside the boiler's limits.",
    "Check nozzle, pump and filter; set the pressure, then the air; repeat smoke and CO.",
    needs="the value, and a limit for it",
    silent="When no limit is stated for a pressure, or the value is not recorded.",
    causes="Worn nozzle, wrong pressure, blocked filter, too little air.",
    formula="smoke number > smoke_number_max; low <= pressure <= high",
    default="smoke number 1; none for pressures: only where a limit is stated",
    status="stated",
    limits=("smoke_number_max", "oil_pump_pressure", "oil_nozzle_pressure"),
)


def judge(view: ServiceView) -> None:
    """Judge what is wanted beside the tasks, the proved flame, and the oil burner."""
    if view.plan is None:
        view.not_judged(MISSING, "no plan is followed")
    for wanted in () if view.plan is None else view.plan.wanted:
        if not recorded(view.record, wanted):
            view.flag(MISSING, "check", f"Not recorded: {title(wanted)}.", tag=wanted)
    _flame(view)
    _oil(view)


def _flame(view: ServiceView) -> None:
    limit = view.limits.limits["flame_signal_min"]
    least: float = limit.value
    last = view.record.light_offs[-1] if view.record.light_offs else None
    if last is None or last.ignition == "none" or last.flame_signal is None:
        view.not_judged(FLAME, "no flame signal at proving is recorded")
    elif last.flame_signal < least:
        view.flag(
            FLAME,
            "check" if limit.source.level == "default" else "fix",
            f"Flame signal {last.flame_signal:g} uA at proving, at least {least:g} uA wanted.",
            tag=str(len(view.record.light_offs)),
            unit="uA",
            value=last.flame_signal,
            low=least,
            limit=limit,
        )


def _oil(view: ServiceView) -> None:
    oil = view.record.oil
    looked = False
    for key, value, of, name, unit in (
        (
            "smoke",
            None if oil is None else oil.smoke_number,
            "smoke_number_max",
            "Smoke number",
            None,
        ),
        (
            "pump",
            None if oil is None else oil.pump_pressure,
            "oil_pump_pressure",
            "Pump pressure",
            "Pa",
        ),
        (
            "nozzle",
            None if oil is None else oil.nozzle_pressure,
            "oil_nozzle_pressure",
            "Nozzle pressure",
            "Pa",
        ),
    ):
        limit = view.limits.get(of)
        if value is None or limit is None:
            continue
        looked = True
        band = limit.value
        if not isinstance(band, PressureBand):
            band = PressureBand.model_construct(low=None, high=band)
        if beyond(value, band):
            view.flag(
                OIL,
                "fix",
                f"{name}: {value:g}{f' {unit}' if unit else ''}, limits {span(band)}"
                f"{f' {unit}' if unit else ''}.",
                tag=key,
                unit=unit,
                value=value,
                low=band.low,
                high=band.high,
                limit=limit,
            )
    if not looked and (oil is not None or view.boiler.fuel.endswith("oil")):
        view.not_judged(OIL, "no value of an oil burner with a limit of the boiler is recorded")


def beyond(value: float | None, band: PressureBand | None) -> bool:
    """Return whether a value is outside a band; no value and no band is not."""
    if value is None or band is None:
        return False
    return (band.low is not None and value < band.low) or (
        band.high is not None and value > band.high
    )


def span(band: PressureBand, decimals: int | None = None) -> str:
    """Return a band as text.

    >>> span(PressureBand(low=-12.5))
    '-12.5 to open'
    """
    ends = (band.low, band.high)
    return " to ".join(
        "open" if b is None else f"{b:g}" if decimals is None else f"{b:.{decimals}f}" for b in ends
    )


RULES = (MISSING, FLAME, OIL)
