"""Conversions against published factors."""

from __future__ import annotations

from fractions import Fraction
from itertools import product

import numpy as np
import pytest

from combustion import units
from combustion.units import _EXACT, UnitError, conversion

# NIST Special Publication 811 (2008), Appendix B.8; status: memory.
NIST_SP_811 = [
    ("inWC", "Pa", 249.0889),  # inch of water, conventional
    ("mmH2O", "Pa", 9.80665),  # millimetre of water, conventional
    ("mbar", "Pa", 100.0),
    ("psi", "Pa", 6894.757),
    ("Btu/h", "kW", 2.930711e-4),  # Btu(IT) per hour
    ("ft", "m", 0.3048),
    ("cfh", "m^3/h", 2.831685e-2),
]


@pytest.mark.published
@pytest.mark.parametrize(("given", "wanted", "factor"), NIST_SP_811)
def test_factor_agrees_with_nist_sp_811(given: str, wanted: str, factor: float) -> None:
    # The printed factors carry seven digits.
    assert conversion(given, wanted)(1.0) == pytest.approx(factor, rel=1e-6)


@pytest.mark.parametrize(("fahrenheit", "celsius"), [(32.0, 0.0), (212.0, 100.0), (-40.0, -40.0)])
def test_fixed_points_of_the_temperature_scales_are_exact(
    fahrenheit: float, celsius: float
) -> None:
    assert conversion("degF", "degC")(fahrenheit) == celsius


def test_arrays_and_scalars_convert_alike() -> None:
    to_celsius = conversion("degF", "degC")
    values = np.array([14.0, 212.0, 500.0])
    assert to_celsius(values).tolist() == [to_celsius(float(v)) for v in values]


def test_a_difference_in_degf_is_not_a_temperature() -> None:
    assert conversion("delta_degF", "K")(9.0) == pytest.approx(5.0, rel=1e-15)


@pytest.mark.parametrize(("given", "wanted"), [("degC", "Pa"), ("ppm", "kW"), ("blorp", "Pa")])
def test_a_unit_of_another_kind_is_refused_by_name(given: str, wanted: str) -> None:
    with pytest.raises(UnitError, match=given):
        conversion(given, wanted)


def test_every_exact_factor_is_what_the_registry_gives() -> None:
    # The table spares loading pint for common units; pint is the reference it is held against.
    same_kind = [
        (a, b) for a, b in product(_EXACT, _EXACT) if a != b and _EXACT[a][0] == _EXACT[b][0]
    ]
    assert len(same_kind) > 100
    for given, wanted in same_kind:
        zero = units.registry.Quantity(Fraction(0), given).to(wanted).magnitude
        one = units.registry.Quantity(Fraction(1), given).to(wanted).magnitude
        (_, factor, offset), (_, to_factor, to_offset) = _EXACT[given], _EXACT[wanted]
        assert factor / to_factor == pytest.approx(one - zero, rel=1e-15), (given, wanted)
        assert float((offset - to_offset) / to_factor) == float(zero), (given, wanted)


@pytest.mark.parametrize(
    "text",
    [
        "kg^(10^10^10)",
        "9**9**9**9",
        "m^9 ^9^9",
        "(9^9)^9^9",
        "((9^9)^9)^9",
        "9^99999999",
        "9⁹⁹⁹⁹⁹⁹⁹⁹",
        "9⁹^9",
        "9^9⁹⁹",
        "1e999999999 m",
        "m**1e9",
        "m" + "*m" * 5000,
    ],
)
def test_a_sum_that_would_take_for_ever_is_no_unit(text: str) -> None:
    with pytest.raises(units.UnitError):
        units.spelt(text)
