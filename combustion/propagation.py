"""Standard uncertainty of every output of a block: exact derivatives, squares summed.

Each input has its own direction; inputs are independent of each other. Derivatives are written
out, not differenced; only the slope of the saturation line is Clausius and Clapeyron's, within
0.5 %. At the dew point the condensed amount has a kink: there the rectified normal distribution
takes the place of the straight line, so that a flue a hair above its dew point is not said to
condense nothing with certainty.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from combustion.air import CO2_IN_DRY_AIR
from combustion.emissions import LB_PER_MMBTU_PER_NG_PER_J
from combustion.faults import REFUSED_BY
from combustion.kernel import KG_WATER, Between, Block, Column, Constants
from combustion.refusals import AMBIENT_O2
from combustion.stoichiometry import o2_behind_co2
from combustion.thermo import R
from combustion.uncertainty import Accuracy
from combustion.water import HFG, heat_of_vaporisation_kernel, saturation_pressure_kernel

CLOSE_TO_DEW_POINT = 30.0
"""Rows up to this far above the dew point [K] are asked whether they may condense."""


@dataclass(frozen=True, slots=True)
class Derivative:
    """How the block's O2 and NOx hang on what was measured.

    Attributes
    ----------
    given : Mapping of str to Column
        The measured columns of the block.
    by_co2 : array of bool or None
        Rows whose O2 was found from CO2.
    nox_by_no, nox_by_no2 : Column or float
        Derivatives of NOx; both zero where NOx itself was measured.
    """

    given: Mapping[str, Column]
    by_co2: NDArray[np.bool_] | None
    nox_by_no: Column | float
    nox_by_no2: Column | float


Spread = Column | None


def spread_key(key: str) -> str:
    """Return the name under which a column's own standard uncertainties travel.

    >>> spread_key("o2_dry")
    'u(o2_dry)'
    """
    return f"u({key})"


def _spread(key: str, given: Mapping[str, Column], accuracies: Mapping[str, Accuracy]) -> Spread:
    column, accuracy, own = given.get(key), accuracies.get(key), given.get(spread_key(key))
    if column is None or (accuracy is None and own is None):
        return None
    u: Column = np.zeros(column.shape) if accuracy is None else accuracy.standard(column)
    if own is not None:
        u = np.where(np.isnan(own), u, np.abs(own))
    if np.isnan(u.max(initial=0.0)):
        u = np.where(np.isnan(u), 0.0, u)
    return u


def _square(derivative: Column | float, spread: Spread) -> Column | float:
    if spread is None:
        return 0.0
    product = derivative * spread
    return product * product


def _saturation_slope(temperature: Column, saturation: Column) -> Column:
    """Clausius and Clapeyron for an ideal vapour: within 0.3 % of IF97 up to 70 degC [Pa/K]."""
    kelvin = temperature + 273.15
    heat = heat_of_vaporisation_kernel(temperature) * KG_WATER
    slope: Column = saturation * heat / (R * kelvin * kelvin)
    return slope


def normal_distribution(z: Column) -> Column:
    """Return the standard normal distribution function [1], within 1e-7.

    Source: Abramowitz and Stegun, Handbook of Mathematical Functions, 26.2.17 (memory; held against
    math.erf in the tests).
    """
    x = np.abs(z)
    t = 1.0 / (1.0 + 0.2316419 * x)
    series = t * (
        0.319381530 + t * (-0.356563782 + t * (1.781477937 + t * (-1.821255978 + t * 1.330274429)))
    )
    tail = np.exp(-0.5 * x * x) * 0.3989422804014327 * series
    return np.where(z >= 0.0, 1.0 - tail, tail)


@dataclass(slots=True)
class _Slopes:
    """Spreads of the inputs and derivatives that several outputs share."""

    o: Spread
    c: Spread
    f: Spread
    a: Spread
    h: Spread
    p: Spread
    o_by_c: Column | None  # in rows whose O2 was found from CO2

    def balance(self, by_o: Column | float, by_c: Column | float) -> Column | float:
        """Return the squares of the O2 and CO directions."""
        if self.o_by_c is not None:
            by_c = by_c + by_o * self.o_by_c
        return _square(by_o, self.o) + _square(by_c, self.c)


def propagate_block(
    k: Constants,
    b: Block,
    out: dict[str, Column],
    u: dict[str, Column],
    accuracies: Mapping[str, Accuracy],
    chain: Derivative,
    between: Between,
) -> None:
    """Fill the standard uncertainties of a block right after its values were computed.

    Derivatives are named by what they are taken of and by: ``dry_o`` is that of the dry gas by O2.
    Directions: o O2, c CO, f stack temperature, a air temperature, h humidity, p pressure.
    """
    given = chain.given
    rows = b.o2.shape[0]
    scratch, _, heats = between.sized(rows)
    dry, co, air, air_water, water = scratch[:5]
    o, c, f, a, h, p = (_spread(key, given, accuracies) for key in _DIRECTIONS)
    s = _Slopes(o, c, f, a, h, p, None)
    _through_co2(k, b, s, accuracies, chain)

    square = dry * dry
    dry_o, dry_c = square * (k.by_o2 / k.dry), square * (-k.by_co / k.dry)
    scaled = b.co * 1e-6
    co_o, co_c = scaled * dry_o, scaled * dry_c + 1e-6 * dry
    air_o, air_c = dry_o - 0.5 * co_o, dry_c - 0.5 * co_c

    def put(key: str, squares: Column | float) -> None:
        if isinstance(squares, float):
            u[key].fill(squares**0.5)
        else:
            np.sqrt(squares, u[key])

    put("lambda", s.balance(air_o, air_c))
    u["lambda"] /= k.fuel.air_required
    np.multiply(u["lambda"], 100.0, u["excess_air"])
    co2 = out["co2_dry"]
    x = 100.0 * CO2_IN_DRY_AIR
    by_o = (x * air_o - 100.0 * co_o - co2 * dry_o) / dry
    by_c = (x * air_c - 100.0 * co_c - co2 * dry_c) / dry
    put("co2_dry", s.balance(by_o, by_c))
    put("o2_dry", s.balance(1.0, 0.0))
    u["co2_ultimate"].fill(0.0)
    u["loss_latent_gross"].fill(0.0)
    loss_o, loss_c = co_o * k.co_loss, co_c * k.co_loss
    put("loss_co_gross", s.balance(loss_o, loss_c))
    np.multiply(u["loss_co_gross"], 1e6 / (k.dry * k.co_loss), u["co_air_free_exact"])
    _scalings(k, b, out, u, s, accuracies, chain, dry, dry_o, dry_c)

    # Water of the air: w moles per mole of dry air.
    w: Column | float = 0.0
    w_h: Column | float = 0.0
    w_a: Column | float = 0.0
    w_p: Column | float = 0.0
    if b.humidity is not None and b.air is not None:
        w = air_water / air
        saturation = saturation_pressure_kernel(b.air)
        vapour = 0.01 * b.humidity * saturation
        rest = b.pressure - vapour
        by_vapour = b.pressure / (rest * rest)
        w_h = by_vapour * 0.01 * saturation
        w_a = by_vapour * 0.01 * b.humidity * _saturation_slope(b.air, saturation)
        w_p = -vapour / (rest * rest)
    water_o, water_c = air_o * w, air_c * w
    water_h, water_a, water_p = air * w_h, air * w_a, air * w_p

    wet = dry + water
    pressure = b.pressure
    dew = out["water_dew_point"]
    kelvin = dew + 273.15
    # d(dew point) = d(ln vapour pressure) R T^2 / heat of vaporisation
    slope = R * kelvin * kelvin / (KG_WATER * heat_of_vaporisation_kernel(dew))
    inverse = 1.0 / water
    total = 1.0 / wet
    put(
        "water_dew_point",
        slope
        * slope
        * (
            s.balance(
                water_o * inverse - (dry_o + water_o) * total,
                water_c * inverse - (dry_c + water_c) * total,
            )
            + _square(water_h * (inverse - total), s.h)
            + _square(water_a * (inverse - total), s.a)
            + _square(water_p * (inverse - total) + 1.0 / pressure, s.p)
        ),
    )

    if b.stack is None:
        for key in (*_OF_CONDENSATION, "net_stack_temperature", *_OF_HEAT):
            u[key].fill(np.nan)
        return
    amounts = _Amounts(
        dry, dry_o, dry_c, water, water_o, water_c, water_h, water_a, water_p, pressure
    )
    if b.air is None:
        for key in ("net_stack_temperature", *_OF_HEAT):
            u[key].fill(np.nan)
        _condensation(k, b, out, u, s, amounts, None)
        return
    put("net_stack_temperature", _square(1.0, s.f) + _square(1.0, s.a) + np.zeros(rows))
    heat = heats[1] + heats[2] * w if b.humidity is not None else heats[1]
    hot = _heat_capacity(k, b.stack, air, air_water, co)
    cold = _heat_capacity(k, b.air, air, air_water, co)
    moist = heats[2]
    sensible = _Sensible(
        o=air_o * heat + co_o * heats[3],
        c=air_c * heat + co_c * heats[3],
        f=hot,
        a=water_a * moist - cold,
        h=water_h * moist,
        p=water_p * moist,
    )
    outer = (
        _square(sensible.f, s.f)
        + _square(sensible.a, s.a)
        + _square(sensible.h, s.h)
        + _square(sensible.p, s.p)
    )
    put("loss_sensible_gross", s.balance(sensible.o, sensible.c) + outer)
    base = u["loss_sensible_gross"]
    with_co = s.balance(sensible.o + loss_o, sensible.c + loss_c) + outer
    for suffix, spread in (("", base), ("_with_co", np.sqrt(with_co + np.zeros(rows)))):
        for tail in ("", "_condensing"):
            u[f"efficiency_gross{tail}{suffix}"][:] = spread
            np.multiply(spread, k.gross_over_net, u[f"efficiency_net{tail}{suffix}"])
    _condensation(k, b, out, u, s, amounts, (sensible, loss_o, loss_c))


_DIRECTIONS = (
    "o2_dry",
    "co_dry",
    "stack_temperature",
    "combustion_air_temperature",
    "relative_humidity",
    "barometric_pressure",
)
_OF_CONDENSATION = ("condensed_share_of_combustion_water", "condensate_kg_per_kwh_gross")
_OF_HEAT = tuple(key for key in REFUSED_BY if key.startswith(("efficiency_", "loss_sensible")))


def _through_co2(
    k: Constants,
    b: Block,
    s: _Slopes,
    accuracies: Mapping[str, Accuracy],
    chain: Derivative,
) -> None:
    """Where O2 was found from CO2, let the spread of O2 be that of CO2 through the fuel's line."""
    by_co2 = chain.by_co2
    if by_co2 is None or not by_co2.any():
        return
    co2, fuel = chain.given["co2_dry"], k.fuel
    step = 1e-4
    slope = (o2_behind_co2(fuel, co2 + step, b.co) - o2_behind_co2(fuel, co2 - step, b.co)) / (
        2.0 * step
    )
    spread = _spread("co2_dry", chain.given, accuracies)
    own = s.o if s.o is not None else np.zeros(co2.shape)
    if spread is not None:
        s.o = np.where(by_co2, np.abs(slope) * spread, own)
    else:
        s.o = np.where(by_co2, 0.0, own)
    by_co = (o2_behind_co2(fuel, co2, b.co + 1.0) - o2_behind_co2(fuel, co2, b.co - 1.0)) / 2.0
    s.o_by_c = np.where(by_co2, by_co, 0.0)


def _scalings(
    k: Constants,
    b: Block,
    out: dict[str, Column],
    u: dict[str, Column],
    s: _Slopes,
    accuracies: Mapping[str, Accuracy],
    chain: Derivative,
    dry: Column,
    dry_o: Column,
    dry_c: Column,
) -> None:
    r = 1.0 / (AMBIENT_O2 - b.o2)
    common = s.balance(b.co * r * r, r) + np.zeros(r.shape)
    np.sqrt(common, u["co_at_3_o2"])
    np.multiply(u["co_at_3_o2"], AMBIENT_O2, u["co_air_free"])
    u["co_at_3_o2"] *= AMBIENT_O2 - 3.0
    scale = (AMBIENT_O2 - 3.0) * r
    no = _spread("no_dry", chain.given, accuracies)
    if b.no is None:
        u["no_at_3_o2"].fill(np.nan)
    else:
        squares = s.balance(out["no_at_3_o2"] * r, 0.0) + _square(scale, no)
        np.sqrt(squares + np.zeros(r.shape), u["no_at_3_o2"])
    if b.nox is None:
        for key in ("nox_at_3_o2", "nox_ng_per_j", "nox_lb_per_mmbtu"):
            u[key].fill(np.nan)
        return
    nox2 = _square(chain.nox_by_no, no) + _square(
        chain.nox_by_no2, _spread("no2_dry", chain.given, accuracies)
    )
    whole = _spread("nox_dry", chain.given, accuracies)
    if whole is not None:
        nox2 = nox2 + _square(np.where(np.isnan(chain.given["nox_dry"]), 0.0, 1.0), whole)
    squares = s.balance(out["nox_at_3_o2"] * r, 0.0) + scale * scale * nox2
    np.sqrt(squares, u["nox_at_3_o2"])
    rate = b.nox * k.nox
    squares = s.balance(rate * dry_o, rate * dry_c) + (dry * k.nox) ** 2 * nox2
    np.sqrt(squares, u["nox_ng_per_j"])
    np.multiply(u["nox_ng_per_j"], LB_PER_MMBTU_PER_NG_PER_J, u["nox_lb_per_mmbtu"])


def _heat_capacity(
    k: Constants, temperature: Column, air: Column, air_water: Column, co: Column
) -> Column:
    """Return d(sensible loss)/d(temperature) [% of gross per K] at one end of the difference."""
    x = temperature * 1e-3 + 0.27315
    e = k.enthalpy
    powers = np.empty((5, x.shape[0]))
    powers[0] = 1e-3
    for n in range(1, 5):
        np.multiply(powers[n - 1], x, powers[n])
    parts = (e * np.arange(1.0, 6.0)) @ powers
    capacity: Column = parts[0] + parts[1] * air + parts[2] * air_water + parts[3] * co
    return capacity


@dataclass(slots=True)
class _Sensible:
    o: Column
    c: Column
    f: Column
    a: Column
    h: Column | float
    p: Column | float


@dataclass(slots=True)
class _Amounts:
    dry: Column
    dry_o: Column
    dry_c: Column
    water: Column
    water_o: Column
    water_c: Column
    water_h: Column | float
    water_a: Column | float
    water_p: Column | float
    pressure: Column | float


def _at(value: Column | float, rows: NDArray[np.intp]) -> Column | float:
    return value[rows] if isinstance(value, np.ndarray) else value


def _condensation(
    k: Constants,
    b: Block,
    out: dict[str, Column],
    u: dict[str, Column],
    s: _Slopes,
    m: _Amounts,
    heat: tuple[_Sensible, Column, Column] | None,
) -> None:
    for key in _OF_CONDENSATION:
        u[key].fill(0.0)
    if b.stack is None:
        return
    rows = np.flatnonzero(b.stack < out["water_dew_point"] + CLOSE_TO_DEW_POINT)
    if not rows.size:
        return
    # Above the dew point the line is drawn at the dew point itself: what may condense there is what
    # a flue a little colder, or a dew point a little higher, would bring.
    flue = np.minimum(b.stack[rows], out["water_dew_point"][rows])
    pressure = _at(m.pressure, rows)
    saturation = saturation_pressure_kernel(flue)
    rest = pressure - saturation
    left = saturation / rest
    dry = m.dry[rows]
    amount = m.water[rows] - dry * left
    slope = _saturation_slope(flue, saturation)
    o, c, f, a, h, p = (None if x is None else x[rows] for x in (s.o, s.c, s.f, s.a, s.h, s.p))
    sub = _Slopes(o, c, f, a, h, p, None if s.o_by_c is None else s.o_by_c[rows])
    by_o = _at(m.water_o, rows) - m.dry_o[rows] * left
    by_c = _at(m.water_c, rows) - m.dry_c[rows] * left
    by_f = -dry * pressure * slope / (rest * rest)
    amount = amount + by_f * (b.stack[rows] - flue)
    by_h, by_a = _at(m.water_h, rows), _at(m.water_a, rows)
    by_p = _at(m.water_p, rows) + dry * saturation / (rest * rest)
    squares = (
        sub.balance(by_o, by_c)
        + _square(by_f, sub.f)
        + _square(by_a, sub.a)
        + _square(by_h, sub.h)
        + _square(by_p, sub.p)
        + np.zeros(rows.shape)
    )
    spread = np.sqrt(squares)
    rectified = np.sqrt(_rectified_mean_square(amount, spread))
    u["condensed_share_of_combustion_water"][rows] = rectified * k.share
    u["condensate_kg_per_kwh_gross"][rows] = rectified * k.condensate
    if heat is None:
        return
    sensible, loss_o, loss_c = heat
    h_fg = heat_of_vaporisation_kernel(flue)
    per_mole = KG_WATER * k.percent * h_fg
    per_mole_f = KG_WATER * k.percent * _heat_of_vaporisation_slope(flue)
    credit = amount * per_mole
    credit_f = by_f * per_mole + np.maximum(amount, 0.0) * per_mole_f
    credit_spread = np.sqrt(
        squares * per_mole * per_mole + _square(credit_f, sub.f) - _square(by_f * per_mole, sub.f)
    )
    z = _ratio(credit, credit_spread)
    mean_square = _rectified_mean_square(credit, credit_spread)
    weight = normal_distribution(z)
    for suffix, extra in (("", 0.0), ("_with_co", 1.0)):
        base_o = -sensible.o[rows] - extra * loss_o[rows]
        base_c = -sensible.c[rows] - extra * loss_c[rows]
        shift_o, shift_c = by_o * per_mole, by_c * per_mole
        covariance = (
            _covariance(sub, base_o, base_c, shift_o, shift_c)
            + _cross(-sensible.f[rows], credit_f, sub.f)
            + _cross(-sensible.a[rows], by_a * per_mole, sub.a)
            + _cross(-_at(sensible.h, rows), by_h * per_mole, sub.h)
            + _cross(-_at(sensible.p, rows), by_p * per_mole, sub.p)
        )
        base = u[f"efficiency_gross{suffix}"][rows]
        variance = base * base + 2.0 * weight * covariance + mean_square
        result = np.sqrt(np.maximum(variance, 0.0))
        u[f"efficiency_gross_condensing{suffix}"][rows] = result
        u[f"efficiency_net_condensing{suffix}"][rows] = result * k.gross_over_net


def _cross(first: Column | float, second: Column | float, spread: Spread) -> Column | float:
    return 0.0 if spread is None else first * second * spread * spread


def _covariance(s: _Slopes, a_o: Column, a_c: Column, b_o: Column, b_c: Column) -> Column | float:
    if s.o_by_c is not None:
        a_c, b_c = a_c + a_o * s.o_by_c, b_c + b_o * s.o_by_c
    return _cross(a_o, b_o, s.o) + _cross(a_c, b_c, s.c)


def _ratio(mean: Column, spread: Column) -> Column:
    certain = np.where(mean > 0.0, np.inf, -np.inf)
    return np.where(spread > 0.0, mean / np.where(spread > 0.0, spread, 1.0), certain)


def _rectified_mean_square(mean: Column, spread: Column) -> Column:
    """Return E[(max(0, G) - max(0, mean))^2] for G normal: the honest square at a kink.

    Far above zero it is the variance, far below it is zero, at the kink half the variance.
    """
    z = np.clip(_ratio(mean, spread), -40.0, 40.0)
    phi = 0.3989422804014327 * np.exp(-0.5 * z * z)
    up = normal_distribution(z)
    # In units of the spread: E[X^2] and E[X] of X = max(0, Z + z).
    second = (1.0 + z * z) * up + z * phi
    first = z * up + phi
    reported = np.maximum(z, 0.0)
    square = second - 2.0 * reported * first + reported * reported
    # For large z the terms cancel; the limit is 1.
    square = np.where(z > 6.0, 1.0, np.maximum(square, 0.0))
    result: Column = np.where(z < -6.0, 0.0, square) * spread * spread
    return result


def _heat_of_vaporisation_slope(t: Column) -> Column:
    return HFG[1] + t * (2.0 * HFG[2] + t * (3.0 * HFG[3] + t * (4.0 * HFG[4] + t * 5.0 * HFG[5])))
