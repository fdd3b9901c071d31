"""Safety devices, how they are provoked, and whether a test says that the device acts in time.

The devices and methods are data (``devices.toml``), in the sense of the periodic testing that
codes such as ASME CSD-1 ask for where they are adopted (quoted), in our own words. Frequencies and
who may test differ by place and are never stated here.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from importlib.resources import files
from types import MappingProxyType
from typing import Literal

from combustion.units import UnitError, conversion
from ingest.service.models import SafetyTest, Value

Direction = Literal["rising", "falling"]
Timing = Literal["in_time", "late", "early", "not_comparable"]

JURISDICTION_NOTE = (
    "Which devices are tested, how, how often and by whom is laid down by local code, the boiler's "
    "instructions and the licence that the work asks for. This list states none of it."
)


@dataclass(frozen=True, slots=True)
class Method:
    """One way to provoke a device; ``real`` where the sensed thing itself moves."""

    key: str
    title: str
    real: bool
    caution: str


@dataclass(frozen=True, slots=True)
class Device:
    """One kind of safety device or control."""

    key: str
    title: str
    direction: Direction
    timed: bool
    methods: Mapping[str, Method]


def _read_devices() -> Mapping[str, Device]:
    text = files(__package__).joinpath("devices.toml").read_text(encoding="utf-8")
    found = {}
    for key, entry in tomllib.loads(text).items():
        methods = {
            name: Method(name, m["title"], m["real"], m["caution"])
            for name, m in entry["methods"].items()
        }
        found[key] = Device(
            key, entry["title"], entry["direction"], entry["timed"], MappingProxyType(methods)
        )
    return MappingProxyType(found)


DEVICES: Mapping[str, Device] = _read_devices()
"""All kinds of devices by key, in the order of the file."""


def timing(test: SafetyTest, *, default_tolerance: Value | None = None) -> Timing:
    """Return whether a device that tripped did so where it should.

    Parameters
    ----------
    test : SafetyTest
        With set point and trip value; the test's own tolerance stands over the default.
    default_tolerance : Value or None
        From the plan. Without any tolerance the set point itself is the edge.

    Returns
    -------
    Timing
        ``late`` where the value went past set point and tolerance in the dangerous direction
        before the device acted; ``early`` where it acted more than the tolerance before;
        ``not_comparable`` without both numbers or with units that do not convert.

    Examples
    --------
    >>> trip = {"value": 212, "unit": "degF"}
    >>> timing(SafetyTest(device="high_limit", result="tripped", set_point={"value": 98.0,
    ...     "unit": "degC"}, trip=trip, tolerance={"value": 1, "unit": "K"}))
    'late'
    """
    if test.set_point is None or test.trip is None:
        return "not_comparable"
    device = DEVICES.get(test.device)
    direction = test.direction or (device.direction if device is not None else None)
    if direction is None:
        return "not_comparable"
    unit = test.set_point.unit
    tolerance = test.tolerance or default_tolerance
    try:
        trip = conversion(test.trip.unit, unit)(test.trip.value)
        allowed = 0.0 if tolerance is None else abs(_difference(tolerance, unit))
    except UnitError:
        return "not_comparable"
    past = trip - test.set_point.value
    if direction == "falling":
        past = -past
    if past > allowed + 1e-9 * max(1.0, abs(test.set_point.value)):
        return "late"
    if tolerance is not None and past < -allowed - 1e-9 * max(1.0, abs(test.set_point.value)):
        return "early"
    return "in_time"


def _difference(value: Value, unit: str) -> float:
    """Return a difference in the unit of the thing it is a difference of."""
    given = value.unit
    if given in ("degF", "°F", "delta_degF"):
        given = "delta_degF"
    elif given in ("degC", "°C", "delta_degC"):
        given = "delta_degC"
    wanted = {
        "degF": "delta_degF",
        "°F": "delta_degF",
        "degC": "delta_degC",
        "°C": "delta_degC",
    }.get(unit, unit)
    if given in (unit, wanted):
        return value.value
    return conversion(given, wanted)(value.value)


def deciding_tests(tests: list[SafetyTest]) -> dict[str, SafetyTest]:
    """Return for each device the test that decides: the last one that was really carried out."""
    last: dict[str, SafetyTest] = {}
    for test in tests:
        if test.result != "not_tested" or test.label not in last:
            last[test.label] = test
    return last
