"""The invented district-heating cooperative: its sites, its boilers, three years of visits.

Everything here is made up. The boilers behave as ``samples.plant`` says; the visits are what a
technician with an analyzer would have saved, and they leave this module as the same files that an
analyzer would have written, to go in by the same door as anyone's. A few boilers go truly wrong:
``STORIES`` says which, when and how, so that a test can ask whether it was found.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from uuid import UUID

import numpy as np

from ingest.models import (
    AccuracySpec,
    Adjustment,
    Band,
    Boiler,
    Instrument,
    Limits,
    RangeSpec,
    RoomCo,
    Site,
    TargetPoint,
    Visit,
)
from ingest.service.models import ServiceRecord, Value
from parsers import Phase
from samples.plant import BoilerModel
from samples.service import TECHNICIAN, filled_record, two_yearly_plan

COMPANY = "Alder Vale Heat Cooperative"
CANONICAL = {
    "temperature": "degC",
    "temperature_difference": "K",
    "pressure": "Pa",
    "power": "kW",
    "length": "m",
    "current": "uA",
    "duration": "s",
}
LAST_DAY = date(2026, 11, 20)
"""The day before the demo's present."""


@dataclass(frozen=True, slots=True)
class State:
    """How a boiler stands on one day, as found or as left.

    ``air`` is the relative change of the air flow since tuning, ``air_low_fire`` a further change
    at low fire only (a worn linkage), ``fouling`` the added resistance of the heat exchanger,
    ``co_edge`` added to the O2 below which CO climbs (a damaged burner head).
    """

    air: float = 0.0
    air_low_fire: float = 0.0
    fouling: float = 0.0
    co_edge: float = 0.0


@dataclass(frozen=True, slots=True)
class Story:
    """What went wrong at one boiler, and at which of its visits (counted from its last, 0)."""

    what: str
    found: State
    left: State
    room_co: float = 0.0
    rule: str = ""
    visit: int = 0
    serviced: bool = False
    """A two-yearly service was done, and stands in the visit."""


@dataclass(frozen=True, slots=True)
class Unit:
    """One boiler of the cooperative with the model that stands behind its readings."""

    site: int
    boiler: Boiler
    model: BoilerModel
    rates: tuple[float, ...]
    months: int = 12
    """Between visits."""
    stories: tuple[Story, ...] = ()


@dataclass(frozen=True, slots=True)
class SavedFile:
    """An analyzer's file of one phase, and what the technician states beside it."""

    name: str
    data: bytes
    phase: Phase
    rates: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class MadeVisit:
    """One visit, its files in the order in which they were taken, and what becomes of it."""

    visit: Visit
    files: tuple[SavedFile, ...]
    technician: str
    accepted: bool
    handed_in: bool = True
    story: Story | None = None


def identity(kind: int, number: int, moment: datetime) -> UUID:
    """Return a UUIDv7 that is the same on every run: time first, then kind and number.

    >>> str(identity(1, 2, datetime(2026, 1, 1, tzinfo=UTC)))
    '019b76da-a800-7001-8000-000000000002'
    """
    milliseconds = int(moment.timestamp() * 1000)
    value = (milliseconds & ((1 << 48) - 1)) << 80 | 7 << 76 | (kind & 0xFFF) << 64
    return UUID(int=value | 0b10 << 62 | number)


_FOUNDED = datetime(2023, 1, 9, 8, tzinfo=UTC)


def sites() -> list[Site]:
    """Return the three plants."""
    names = (
        ("Millrace Heating Plant", "North bank, by the old weir", 120.0),
        ("Orchard Court Plant Room", "Basement of house 4", 135.0),
        ("Quarry Hill Baths", "Lower yard", 310.0),
    )
    return [
        Site(
            id=identity(1, n, _FOUNDED),
            name=name,
            address=address,
            zone="UTC",
            altitude=altitude,
            units=CANONICAL,
        )
        for n, (name, address, altitude) in enumerate(names)
    ]


def _limits(model: BoilerModel, rates: tuple[float, ...], stack: float) -> Limits:
    curve_rates, curve_o2 = zip(*sorted(model.o2_curve), strict=True)
    targets = []
    for rate in sorted(rates):
        aim = round(float(np.interp(rate, curve_rates, curve_o2)), 1)
        band = Band(low=round(aim - 1.0, 1), aim=aim, high=round(aim + 1.2, 1))
        targets.append(TargetPoint(firing_rate=rate, o2_dry=band))
    return Limits(
        targets=targets,
        stack_temperature_max=stack,
        source="commissioning sheet of this boiler",
    )


def _unit(
    number: int,
    site: int,
    name: str,
    model: BoilerModel,
    rates: tuple[float, ...],
    stack: float,
    *,
    months: int = 6,
    stories: tuple[Story, ...] = (),
    installed: date | None = None,
    plans: tuple[str, ...] = (),
    van: str | None = None,
) -> Unit:
    boiler = Boiler(
        id=identity(2, number, _FOUNDED),
        site_id=identity(1, site, _FOUNDED),
        external_id=f"AV-{number + 1:02d}",
        name=name,
        fuel=model.fuel,
        rated_input=model.rated_input,
        turndown=model.turndown,
        condensing=model.condensing,
        vent="polypropylene" if model.condensing else "metal",
        rates=list(rates),
        limits=_limits(model, rates, stack),
        installed=installed,
        plans=list(plans),
        van=van,
        units=CANONICAL,
    )
    return Unit(site, boiler, model, rates, months, stories)


def fleet() -> list[Unit]:
    """Return the eight boilers with their models and what went wrong at them."""
    large = BoilerModel(rated_input=1500.0, turndown=4.0)
    curve = ((20.0, 6.2), (60.0, 4.8), (100.0, 4.2))
    small = BoilerModel(rated_input=350.0, turndown=5.0, condensing=True, o2_curve=curve)
    oil_curve = ((30.0, 5.5), (100.0, 3.8))
    four, five, two = (25.0, 50.0, 75.0, 100.0), (20.0, 40.0, 60.0, 80.0, 100.0), (40.0, 100.0)
    good = State()
    return [
        _unit(0, 0, "Weir 1", large, four, 235.0),
        _unit(
            1,
            0,
            "Weir 2",
            large,
            four,
            235.0,
            stories=(
                Story(
                    "the burner head is damaged and the flame makes CO near high fire",
                    State(co_edge=1.6),
                    State(co_edge=2.35),
                    rule="co_above_limit",
                ),
            ),
        ),
        _unit(
            2,
            0,
            "Weir 3, peak load",
            BoilerModel(fuel="oil", rated_input=900.0, turndown=2.5, o2_curve=oil_curve),
            two,
            260.0,
            months=12,
            stories=(Story("sooted heat exchanger, cleaned", State(fouling=0.14), good),),
        ),
        _unit(
            3,
            1,
            "Orchard A",
            small,
            five,
            95.0,
            stories=(
                Story(
                    "scale in the heat exchanger raises the stack over the water",
                    State(fouling=0.34),
                    State(fouling=0.3),
                    rule="stack_approach_high",
                ),
            ),
        ),
        _unit(
            4,
            1,
            "Orchard B",
            small,
            five,
            95.0,
            stories=(
                Story(
                    "the two-yearly service finds that the high limit trips late",
                    State(air=0.03, fouling=0.02),
                    good,
                    rule="safety_test_late",
                    serviced=True,
                ),
            ),
            installed=date(2022, 10, 4),
            plans=("condensing-gas-two-yearly",),
            van="van 2",
        ),
        _unit(
            5,
            1,
            "Orchard laundry",
            BoilerModel(fuel="propane", rated_input=200.0, turndown=2.5),
            two,
            240.0,
            months=12,
            stories=(Story("flue gas enters the room", good, good, 62.0, "room_co"),),
        ),
        _unit(
            6,
            2,
            "Quarry 1",
            BoilerModel(rated_input=600.0, turndown=4.0),
            four,
            235.0,
            stories=(
                Story(
                    "a worn linkage gives too much air at low fire",
                    State(air_low_fire=0.42),
                    State(air_low_fire=0.3),
                    rule="o2_above_band",
                ),
            ),
        ),
        _unit(7, 2, "Quarry 2", small, five, 95.0, months=12),
    ]


_PEOPLE = ("M. Tarrant", "J. Ostrava", "P. Lindqvist")


def _instrument(day: date) -> Instrument:
    return Instrument(
        name="handheld combustion analyzer, electrochemical cells",
        serial="AV-07",
        calibrated=day - timedelta(days=(day.toordinal() * 7) % 300 + 20),
        accuracies={
            "o2_dry": AccuracySpec(absolute=0.2),
            "co_dry": AccuracySpec(absolute=10.0, percent=5.0),
            "stack_temperature": AccuracySpec(absolute=2.0),
            "combustion_air_temperature": AccuracySpec(absolute=1.0),
        },
        ranges={"o2_dry": RangeSpec(low=0.0, high=21.0), "co_dry": RangeSpec(low=0.0, high=4000.0)},
        leak_check=True,
        fresh_air_zero=True,
    )


def _snapshot(
    unit: Unit, rate: float, air: float, water: float, state: State, rng: np.random.Generator
) -> dict[str, float]:
    """Return what the instrument saved at one firing rate."""
    low = min(unit.rates)
    share_low = (100.0 - rate) / (100.0 - low)
    drift = (1.0 + state.air) * (1.0 + state.air_low_fire * share_low) - 1.0
    seen = unit.model.steady(rate, air, water, excess_air_drift=drift, fouling=state.fouling)
    # A damaged head moves the edge of CO up where the burner is loaded most.
    edge = 100.0 * np.exp(
        (unit.model.co_edge_o2 + state.co_edge * rate / 100.0 - seen["o2_dry"])
        / unit.model.co_edge_width
    )
    seen["co_dry"] = min(unit.model.co_base + float(edge), 8000.0)
    for key, spread in (
        ("o2_dry", 0.06),
        ("co2_dry", 0.05),
        ("stack_temperature", 0.6),
        ("stack_draft", 0.4),
        ("co_dry", 1.5),
        ("no_dry", 1.0),
    ):
        seen[key] += float(rng.normal(0.0, spread))
    seen["co_dry"] = max(0.0, seen["co_dry"])
    return seen


def _fahrenheit(celsius: float) -> float:
    return celsius * 1.8 + 32.0


def _comma_file(when: datetime, rows: list[dict[str, float]]) -> bytes:
    """Write as an instrument set to US units does."""
    out = [
        "Combustion test",
        f"Instrument serial,AV-07,Saved,{when:%Y-%m-%d}",
        "",
        "Sample,Time,O2 %,CO ppm,CO2 %,Stack temperature degF,Air temperature degF,"
        "Supply water temperature degF,Return water temperature degF,Draft inWC,NO ppm",
    ]
    for n, row in enumerate(rows):
        at = when + timedelta(minutes=9 * n)
        out.append(
            f"{n + 1},{at:%Y-%m-%d %H:%M:%S},{row['o2_dry']:.1f},{row['co_dry']:.0f},"
            f"{row['co2_dry']:.1f},{_fahrenheit(row['stack_temperature']):.1f},"
            f"{_fahrenheit(row['combustion_air_temperature']):.1f},"
            f"{_fahrenheit(row['supply_water_temperature']):.1f},"
            f"{_fahrenheit(row['return_water_temperature']):.1f},"
            f"{row['stack_draft'] / 249.0889:.3f},{row['no_dry']:.0f}"
        )
    return ("\r\n".join(out) + "\r\n").encode("ascii")


def _semicolon_file(when: datetime, rows: list[dict[str, float]]) -> bytes:
    """Write as an instrument set to metric units and a decimal comma does."""
    out = [
        "Time;Oxygen [%];CO [ppm];CO2 [%];Flue gas temperature [degC];"
        "Air temperature [degC];Supply water temperature [degC];Return water temperature [degC];"
        "Draft [Pa]"
    ]
    for n, row in enumerate(rows):
        at = when + timedelta(minutes=9 * n)
        numbers = (
            f"{row['o2_dry']:.1f};{row['co_dry']:.0f};{row['co2_dry']:.1f};"
            f"{row['stack_temperature']:.1f};{row['combustion_air_temperature']:.1f};"
            f"{row['supply_water_temperature']:.1f};{row['return_water_temperature']:.1f};"
            f"{row['stack_draft']:.1f}"
        )
        out.append(f"{at:%Y-%m-%d %H:%M:%S};{numbers.replace('.', ',')}")
    return ("\n".join(out) + "\n").encode("utf-8")


def serviced(when: datetime) -> ServiceRecord:
    """Return a two-yearly service: all done, the high limit 5 K late, a drain that sags."""
    record = filled_record(two_yearly_plan(), when)
    tests = [
        t.model_copy(update={"trip": Value(value=100.1, unit="degC"), "note": "To be exchanged."})
        if t.device == "high_limit"
        else t
        for t in record.tests
    ]
    return record.model_copy(update={"tests": tests})


def _visit(unit: Unit, number: int, back: int, day: date) -> MadeVisit:
    story = next((s for s in unit.stories if s.visit == back), None)
    rng = np.random.default_rng([number, back, 2026])
    season = float(np.cos(2.0 * np.pi * (day.timetuple().tm_yday - 20) / 365.0))
    air = 20.0 - 5.0 * season + float(rng.normal(0.0, 1.0))
    water = (42.0 if unit.model.condensing else 60.0) + float(rng.normal(0.0, 1.0))
    air, water = round(air, 1), round(water, 1)
    usual = State(air=float(rng.normal(0.0, 0.012)), fouling=abs(float(rng.normal(0.0, 0.01))))
    found = story.found if story else State(usual.air * 2.0, 0.0, usual.fouling + 0.02)
    left = story.left if story else usual
    when = datetime(day.year, day.month, day.day, 8, 40, tzinfo=UTC)
    write, ending = (_semicolon_file, "saved") if number % 3 == 1 else (_comma_file, "snapshots")
    descending = tuple(sorted(unit.rates, reverse=True))
    phases: tuple[tuple[Phase, State, int], ...] = (("as_found", found, 0), ("as_left", left, 140))
    service = serviced(when) if story is not None and story.serviced else None
    if service is not None:
        # The work takes its time: the boiler is read again when it is closed, lit and tested.
        phases = (phases[0], ("as_left", left, 195))
    files = []
    for phase, state, minutes in phases:
        start = when + timedelta(minutes=minutes)
        rows = [_snapshot(unit, rate, air, water, state, rng) for rate in descending]
        stem = unit.boiler.name.lower().replace(" ", "-").replace(",", "")
        name = f"{stem}-{day}-{phase}-{ending}.csv"
        files.append(SavedFile(name, write(start, rows), phase, descending))
    room = [RoomCo(value=0.0, when="arrival", time=when)]
    room.append(
        RoomCo(
            value=story.room_co if story else 0.0,
            when="high_fire",
            time=when + timedelta(minutes=phases[1][2] + 10),
        )
    )
    technician = TECHNICIAN if service else _PEOPLE[(number + back) % len(_PEOPLE)]
    work = Adjustment(
        time=when + timedelta(minutes=phases[1][2] - 40), what="air-fuel ratio set, burner cleaned"
    )
    visit = Visit(
        id=identity(3, number * 100 + back, when),
        boiler_id=unit.boiler.id,
        started=when,
        ended=when + timedelta(hours=5 if service else 4),
        fuel=unit.boiler.fuel,
        technician=technician,
        adjusted=found != left,
        adjustments=[work] if found != left else [],
        instrument=_instrument(day),
        room_co=room,
        how_left="running" if story is None or story.room_co == 0 else "off",
        return_water_temperature=water,
        supply_water_temperature=round(water + unit.model.water_rise, 1),
        barometric_pressure=100400.0,
        service=service,
        units=CANONICAL,
    )
    handed_in = not (number == 7 and back == 0)
    return MadeVisit(visit, tuple(files), technician, back > 0, handed_in, story)


def visits(years: int = 3) -> Iterator[tuple[Unit, MadeVisit]]:
    """Yield every visit, oldest first, so that each finds its boiler's history in place."""
    made = []
    for number, unit in enumerate(fleet()):
        for back in range(years * 12 // unit.months + 1):
            day = LAST_DAY - timedelta(days=round(back * unit.months * 30.44) + number)
            made.append((unit, _visit(unit, number, back, day)))
    made.sort(key=lambda pair: (pair[1].visit.started, str(pair[1].visit.id)))
    yield from made
