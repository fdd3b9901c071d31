"""The air that people and the burner breathe: CO in the room, flue gas in the intake."""

from __future__ import annotations

from ingest.rules.against import above, below
from ingest.rules.model import Rule
from ingest.rules.view import View, probability_above

ROOM_CO = Rule(
    key="room_co",
    family="room and intake",
    title="Carbon monoxide in the room",
    meaning="There is carbon monoxide in the air of the boiler room.",
    formula="the highest room reading, as measured, against the limits",
    default="check above 9 ppm, stop above 35 ppm, from 200 ppm do not re-enter",
    source="EPA ambient standard 8 h, 40 CFR 50.8 (quoted); NIOSH REL and ceiling, 1972 (read)",
    status="read",
    causes="Spillage at the draft hood or a door, a leaking vent or heat exchanger, no air.",
    next_step="Ventilate, find where flue gas enters the room, and read again before leaving.",
    silent="When no room reading was taken.",
    needs="room CO",
    limits=("room_co_check", "room_co_stop", "room_co_no_entry"),
    safety=True,
)
INTAKE = Rule(
    key="flue_gas_in_intake",
    family="room and intake",
    title="Flue gas in the intake",
    meaning="The burner draws its own flue gas: vent and intake leak into each other, or the "
    "terminals stand too near.",
    formula="O2 of the intake air below 20.6 %, or its CO2 above 0.2 %",
    default="20.6 % O2, 0.2 % CO2",
    source="fresh air holds 20.9 % O2 and 0.04 % CO2",
    status="common practice",
    causes="A leaking joint inside a concentric vent, terminals too near or snowed in.",
    next_step="Look at every joint of the vent and at the terminals; correct before leaving it on.",
    silent="When neither O2 nor CO2 was read in the intake.",
    needs="intake_o2 or intake_co2",
    limits=("intake_o2_min", "intake_co2_max"),
)


_INTAKE_GAS = ("intake_o2", "intake_co2")


def judge(view: View) -> None:
    """Judge room CO and intake air over the whole visit, whatever the phase."""
    _room(view)
    _intake(view)


def _room(view: View) -> None:
    highest = max((r.value for r in view.visit.room_co if r.value == r.value), default=None)
    for point in view.all_points if "room_co" in view.read else ():
        value = point.mean("room_co")
        if value is not None and (highest is None or value > highest):
            highest = value
    if highest is None:
        view.not_judged(ROOM_CO, "no CO reading of the room is recorded")
        return
    limits = view.limits.limits
    check, stop = limits["room_co_check"], limits["room_co_stop"]
    u = view.accuracies.calibration("room_co", highest)
    if highest <= stop.value:
        above(
            view, ROOM_CO, (), what="CO in the room", value=highest, u=u, limit=check.value,
            source=check.source, quantity="room_co", unit="ppm", severity="check",
        )  # fmt: skip
        return
    no_entry = limits["room_co_no_entry"]
    again = " and do not go back in" if highest >= no_entry.value else ""
    view.flag(
        ROOM_CO,
        "stop",
        f"Leave the room and ventilate it first{again}: CO in the room is {highest:.0f} ppm, above "
        f"{stop.value:g} ppm.",
        quantity="room_co",
        unit="ppm",
        value=highest,
        u=u,
        high=stop.value,
        answer="beyond",
        probability=probability_above(highest, u, stop.value),
        source=stop.source,
        next_step="Leave, take everyone with you, ventilate from outside, shut the burner down "
        "from outside if that can be done; call emergency services for anyone who feels unwell. "
        "Only a person licensed for this boiler restarts it after the cause is put right.",
    )


def _intake(view: View) -> None:
    judged = False
    for point in () if view.read.isdisjoint(_INTAKE_GAS) else view.all_points:
        if point.phase == "trial":
            continue
        o2, co2 = point.mean("intake_o2"), point.mean("intake_co2")
        judged |= o2 is not None or co2 is not None
        if o2 is not None:
            limit = view.limits.limits["intake_o2_min"]
            if below(
                view, INTAKE, (point,), what="O2 of the intake air", value=o2,
                u=point.u("intake_o2"), limit=limit.value, source=limit.source,
                quantity="intake_o2", unit="%", decimals=1,
            ):  # fmt: skip
                continue
        if co2 is not None:
            limit = view.limits.limits["intake_co2_max"]
            above(
                view, INTAKE, (point,), what="CO2 of the intake air", value=co2,
                u=point.u("intake_co2"), limit=limit.value, source=limit.source,
                quantity="intake_co2", unit="%", decimals=2,
            )  # fmt: skip
    if not judged:
        view.not_judged(INTAKE, "the intake air was not read")


RULES = (ROOM_CO, INTAKE)
