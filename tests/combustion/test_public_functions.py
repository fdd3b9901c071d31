"""Every public function: docstring and signature; degF, degC and K; scalar, array, missing."""

from __future__ import annotations

import ast
import inspect
import math
import re
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

import combustion
from combustion.fuels import FUELS
from combustion.refusals import OutOfRange
from combustion.units import UnitError, conversion, registry, spelt

FUNCTIONS: dict[str, Callable[..., Any]] = {
    name: getattr(combustion, name)
    for name in combustion.__all__
    if inspect.isfunction(getattr(combustion, name))
}
GUARDED = {name: f for name, f in FUNCTIONS.items() if hasattr(f, "ranges")}

TYPICAL: dict[str, Any] = {
    "fuel": FUELS["natural_gas"],
    "gas": "CO",
    "species": "CO2",
    "stack_temperature": 180.0,
    "combustion_air_temperature": 20.0,
    "temperature": 40.0,
    "from_temperature": 20.0,
    "to_temperature": 200.0,
    "gas_temperature": 12.0,
    "barometric_pressure": 98_000.0,
    "altitude": 500.0,
    "relative_humidity": 50.0,
    "water_per_air": 0.01,
    "water_percent": 15.0,
    "o2_dry": 4.0,
    "o2_wet": 3.5,
    "o2_read": 4.0,
    "co2_dry": 9.5,
    "co_dry": 80.0,
    "no_dry": 40.0,
    "no2_dry": 3.0,
    "nox_dry": 43.0,
    "no2_share_percent": 5.0,
    "concentration": 60.0,
    "rate": 20.0,
    "fd": 8710.0,
    "air_ratio": 1.2,
    "pressure": 15_000.0,
    "gauge_pressure": 2000.0,
    "volume": 0.3,
    "seconds": 40.0,
    "flow": 100.0,
    "heating_value": 38.0,
    "so3_wet": 5.0,
}


def typical(function: Callable[..., Any]) -> dict[str, Any]:
    parameters = inspect.signature(function).parameters
    return {n: TYPICAL[n] for n in parameters if n in TYPICAL}


def section(doc: str, title: str) -> str:
    match = re.search(rf"^{title}\n-+\n(.*?)(?=^\S[^\n]*\n-+\n|\Z)", doc, re.DOTALL | re.MULTILINE)
    return match[1] if match else ""


def documented(doc: str) -> dict[str, tuple[str, str]]:
    """Return name -> (type, text) of a numpydoc parameter section."""
    found: dict[str, tuple[str, str]] = {}
    heads: list[str] = []
    kind, text = "", ""
    for line in [*section(doc, "Parameters").splitlines(), "end : end"]:
        head = re.match(r"^(\w[\w, ]*) : (.+)$", line)
        if head:
            found |= dict.fromkeys(heads, (kind, text))
            heads, kind, text = [n.strip() for n in head[1].split(",")], head[2], ""
        else:
            text += line
    return found


@pytest.mark.parametrize("name", sorted(FUNCTIONS))
def test_docstring_names_every_parameter_in_order_and_no_other(name: str) -> None:
    function = FUNCTIONS[name]
    doc = inspect.getdoc(function) or ""
    assert list(documented(doc)) == list(inspect.signature(function).parameters)
    assert section(doc, "Returns"), f"{name}: no Returns section"


@pytest.mark.parametrize("name", sorted(FUNCTIONS))
def test_docstring_states_a_unit_for_every_number(name: str) -> None:
    doc = inspect.getdoc(FUNCTIONS[name]) or ""
    for parameter, (kind, text) in documented(doc).items():
        if kind.startswith(("float", "sequence of float")):
            one_unit = re.search(r"\[[^\]]+\]|same unit|units? (of|above)|above", text)
            assert one_unit, f"{name}({parameter}): {text!r} states no unit"


@pytest.mark.parametrize("name", sorted(GUARDED))
def test_docstring_unit_is_the_one_that_is_converted_to(name: str) -> None:
    function = GUARDED[name]
    texts = documented(inspect.getdoc(function) or "")
    for parameter, allowed in function.ranges.items():  # type: ignore[attr-defined]
        stated = re.search(r"\[([^\]]+)\]", texts[parameter][1])
        assert stated, f"{name}({parameter})"
        unit = re.sub(r" (dry|wet|of .*)$", "", stated[1])
        assert conversion(unit, allowed.unit)(1.0) == 1.0, f"{name}({parameter}): {unit}"


def test_formulas_state_their_source() -> None:
    for name, function in GUARDED.items():
        assert "Source" in (inspect.getdoc(function) or ""), name


@pytest.mark.parametrize("name", sorted(GUARDED))
def test_a_column_gives_what_scalars_give(name: str) -> None:
    function = GUARDED[name]
    arguments = typical(function)
    scalar = function(**arguments)
    assert isinstance(scalar, float)
    columns = {
        k: np.array([v, v, np.nan]) if k in function.ranges else v  # type: ignore[attr-defined]
        for k, v in arguments.items()
    }
    column = function(**columns)
    assert column[:2] == pytest.approx(scalar, rel=1e-13)
    assert math.isnan(column[2])


@pytest.mark.parametrize("name", sorted(GUARDED))
def test_missing_goes_in_and_missing_comes_out(name: str) -> None:
    function = GUARDED[name]
    for parameter in function.ranges:  # type: ignore[attr-defined]
        assert math.isnan(function(**{**typical(function), parameter: None}))
        assert math.isnan(function(**{**typical(function), parameter: math.nan}))


@pytest.mark.parametrize("name", sorted(GUARDED))
def test_outside_its_range_a_scalar_raises_and_a_column_is_missing(name: str) -> None:
    function = GUARDED[name]
    for parameter, allowed in function.ranges.items():  # type: ignore[attr-defined]
        for bad in (allowed.low - 1.0, allowed.high + 1.0):
            with pytest.raises(OutOfRange) as refusal:
                function(**{**typical(function), parameter: bad})
            assert refusal.value.reason
            good = typical(function)[parameter]
            column = function(**{**typical(function), parameter: np.array([bad, good])})
            assert math.isnan(column[0])
            assert not math.isnan(column[1])


OTHER_UNITS = {
    "degC": ("degF", "kelvin"),
    "Pa": ("psi", "mbar"),
    "m": ("foot",),
    "s": ("minute",),
    "m^3": ("foot**3",),
}


def factor(unit: str, canonical: str) -> float:
    one, zero = (registry.Quantity(n, unit).to(spelt(canonical)).magnitude for n in (1, 0))
    return float(one - zero)


def offset(unit: str, canonical: str) -> float:
    return float(registry.Quantity(0, unit).to(spelt(canonical)).magnitude)


@pytest.mark.parametrize("name", sorted(GUARDED))
def test_other_units_give_the_same_answer(name: str) -> None:
    function = GUARDED[name]
    expected = function(**typical(function))
    for parameter, allowed in function.ranges.items():  # type: ignore[attr-defined]
        for unit in OTHER_UNITS.get(allowed.unit, ()):
            value = typical(function)[parameter]
            there = (value - offset(unit, allowed.unit)) / factor(unit, allowed.unit)
            quantity = registry.Quantity(there, unit)
            got = function(**{**typical(function), parameter: quantity})
            assert got == pytest.approx(expected, rel=1e-9), unit
            columns = registry.Quantity(np.array([there]), unit)
            got = function(**{**typical(function), parameter: columns})
            assert got[0] == pytest.approx(expected, rel=1e-9), unit


def test_a_quantity_of_another_kind_is_refused() -> None:
    with pytest.raises(UnitError, match="measures something else"):
        combustion.saturation_pressure(registry.Quantity(5.0, "pascal"))


def test_all_modules_import_numbers_only() -> None:
    """No pandas, files or clocks in the physics."""
    source = inspect.getsource(combustion)
    names = {n.module or "" for n in ast.walk(ast.parse(source)) if isinstance(n, ast.ImportFrom)}
    assert all(n.startswith("combustion.") for n in names)


def test_public_names_are_pinned_and_sorted() -> None:
    assert len(combustion.__all__) == len(set(combustion.__all__))
    for name in combustion.__all__:
        assert hasattr(combustion, name)
