"""The whole set for a block of rows of one fuel, in place and without temporaries.

The formulas are those of :mod:`combustion.stoichiometry`, :mod:`combustion.losses` and
:mod:`combustion.condensation`, arranged for arrays: a block stays in the processor's cache, the
four enthalpy polynomials share one set of powers (a small matrix product), and condensation is
computed only for rows below their dew point. Tests hold every output against the plain floats.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from combustion.air import CO2_IN_DRY_AIR, O2_IN_DRY_AIR
from combustion.emissions import LB_PER_MMBTU_PER_NG_PER_J, MOLAR_MASS_NO2
from combustion.fuels import Fuel
from combustion.losses import AIR_ENTHALPY, CO_ENTHALPY, WATER_ENTHALPY
from combustion.refusals import AMBIENT_O2
from combustion.thermo import HEAT_OF_COMBUSTION_CO
from combustion.water import (
    HFG_25,
    MOLAR_MASS_WATER,
    N1,
    N2,
    N3,
    N4,
    N5,
    N6,
    N7,
    N8,
    N9,
    N10,
    heat_of_vaporisation_kernel,
    saturation_pressure_kernel,
)

Column = NDArray[np.float64]

ROWS = 4096
"""Rows per block: the scratch of one block fits the second-level cache."""

KG_WATER = MOLAR_MASS_WATER * 1e-3


class Constants:
    """What one fuel contributes, computed once."""

    def __init__(self, fuel: Fuel) -> None:
        inverse = 1.0 / O2_IN_DRY_AIR
        self.fuel = fuel
        self.dry = fuel.dry_products
        self.by_o2 = 0.01 * inverse
        self.by_co = 0.5e-6 * (inverse - 1.0)
        self.percent = 100.0 / fuel.gross
        self.latent = fuel.water * KG_WATER * HFG_25 * self.percent
        self.gross_over_net = fuel.gross / fuel.net
        self.co_loss = HEAT_OF_COMBUSTION_CO * self.percent
        self.nox = MOLAR_MASS_NO2 / fuel.gross
        self.share = 1.0 / fuel.water if fuel.water else float("nan")
        self.condensate = KG_WATER * 3600.0 / fuel.gross
        rows = (fuel.enthalpy, AIR_ENTHALPY, WATER_ENTHALPY, CO_ENTHALPY)
        self.enthalpy: Column = np.array(rows) * self.percent


_CONSTANTS: dict[Fuel, Constants] = {}


def constants(fuel: Fuel) -> Constants:
    """Return the constants of a fuel, kept for the next block."""
    found = _CONSTANTS.get(fuel)
    if found is None:
        if len(_CONSTANTS) > 256:
            _CONSTANTS.clear()
        found = _CONSTANTS[fuel] = Constants(fuel)
    return found


@dataclass(slots=True)
class Block:
    """Inputs of one block: columns of equal length in canonical units, or None where absent.

    Attributes
    ----------
    o2, co : Column
        O2 [% dry] and CO [ppm dry], without NaN where the balance shall hold.
    no, nox : Column or None
        NO and NOx [ppm dry].
    stack, air : Column or None
        Temperatures [degC].
    humidity : Column or None
        Relative humidity [%]; None is dry air.
    pressure : Column or float
        Absolute pressure [Pa].
    """

    o2: Column
    co: Column
    no: Column | None
    nox: Column | None
    stack: Column | None
    air: Column | None
    humidity: Column | None
    pressure: Column | float


@dataclass(slots=True)
class Between:
    """Intermediate results of a block, kept for the propagation of uncertainty."""

    scratch: Column = field(default_factory=lambda: np.empty((12, ROWS)))
    powers: Column = field(default_factory=lambda: np.empty((5, ROWS)))
    heats: Column = field(default_factory=lambda: np.empty((4, ROWS)))
    below: NDArray[np.intp] = field(default_factory=lambda: np.empty(0, dtype=np.intp))

    def sized(self, rows: int) -> tuple[Column, Column, Column]:
        """Return contiguous scratch for a block of that many rows."""
        if rows == ROWS:
            return self.scratch, self.powers, self.heats
        return (
            self.scratch.reshape(-1)[: 12 * rows].reshape(12, rows),
            self.powers.reshape(-1)[: 5 * rows].reshape(5, rows),
            self.heats.reshape(-1)[: 4 * rows].reshape(4, rows),
        )


def compute_block(c: Constants, b: Block, out: dict[str, Column], between: Between) -> None:
    """Fill the outputs of a block; what cannot be computed is left for the caller to blank.

    ``out`` maps every output key to a slice of the result. Scratch rows, in order: dry gas, CO,
    air, water of the air, water, then free ones.
    """
    add, subtract, multiply, divide = np.add, np.subtract, np.multiply, np.divide
    rows = b.o2.shape[0]
    scratch, powers, heats = between.sized(rows)
    dry, co, air, air_water, water, s, t, v = scratch[:8]
    o2, fuel = b.o2, c.fuel

    # Balance: dry gas, CO, air, all in mol per unit of fuel.
    multiply(o2, -c.by_o2, dry)
    multiply(b.co, c.by_co, s)
    add(dry, s, dry)
    add(dry, 1.0, dry)
    divide(c.dry, dry, dry)
    multiply(b.co, 1e-6, co)
    multiply(co, dry, co)
    multiply(co, 0.5, s)
    subtract(dry, s, air)
    subtract(air, fuel.dry_products_at_no_air, air)
    multiply(air, 1.0 / fuel.air_required, out["lambda"])
    multiply(out["lambda"], 100.0, s)
    subtract(s, 100.0, out["excess_air"])
    multiply(air, CO2_IN_DRY_AIR, s)
    subtract(s, co, s)
    add(s, fuel.carbon, s)
    divide(s, dry, s)
    multiply(s, 100.0, out["co2_dry"])
    out["o2_dry"][:] = o2
    out["co2_ultimate"].fill(fuel.co2_ultimate)
    out["loss_latent_gross"].fill(c.latent)
    multiply(co, c.co_loss, out["loss_co_gross"])
    multiply(co, 1e6 / c.dry, out["co_air_free_exact"])

    # Published scalings by 20.9.
    subtract(AMBIENT_O2, o2, s)
    divide(1.0, s, s)
    multiply(b.co, s, t)
    multiply(t, AMBIENT_O2, out["co_air_free"])
    multiply(t, AMBIENT_O2 - 3.0, out["co_at_3_o2"])
    multiply(s, AMBIENT_O2 - 3.0, s)
    if b.no is None:
        out["no_at_3_o2"].fill(np.nan)
    else:
        multiply(b.no, s, out["no_at_3_o2"])
    if b.nox is None:
        for key in ("nox_at_3_o2", "nox_ng_per_j", "nox_lb_per_mmbtu"):
            out[key].fill(np.nan)
    else:
        multiply(b.nox, s, out["nox_at_3_o2"])
        multiply(b.nox, dry, s)
        multiply(s, c.nox, out["nox_ng_per_j"])
        multiply(out["nox_ng_per_j"], LB_PER_MMBTU_PER_NG_PER_J, out["nox_lb_per_mmbtu"])

    # Water of the air, dew point.
    if b.humidity is None:
        air_water.fill(0.0)
        water.fill(fuel.water)
    elif b.air is None:
        air_water.fill(np.nan)
        water.fill(np.nan)
    else:
        _saturation(b.air, air_water, s, t, v)
        multiply(air_water, b.humidity, air_water)
        multiply(air_water, 0.01, air_water)
        subtract(b.pressure, air_water, s)
        divide(air_water, s, air_water)
        multiply(air_water, air, air_water)
        add(air_water, fuel.water, water)
    dew = out["water_dew_point"]
    add(dry, water, s)
    divide(water, s, s)
    multiply(s, b.pressure, s)
    _dew_point(s, dew, scratch[6], scratch[7], scratch[8], scratch[9])

    share = out["condensed_share_of_combustion_water"]
    per_kwh = out["condensate_kg_per_kwh_gross"]
    share.fill(0.0)
    per_kwh.fill(0.0)
    between.below = np.empty(0, dtype=np.intp)
    credit: Column | None = None
    if b.stack is None:
        share.fill(np.nan)
        per_kwh.fill(np.nan)
    else:
        below = between.below = np.flatnonzero(b.stack < dew)
        if below.size:
            flue = b.stack[below]
            saturation = saturation_pressure_kernel(flue)
            pressure = b.pressure[below] if isinstance(b.pressure, np.ndarray) else b.pressure
            amount = water[below] - dry[below] * saturation / (pressure - saturation)
            share[below] = amount * c.share
            per_kwh[below] = amount * c.condensate
            credit = amount * (KG_WATER * c.percent) * heat_of_vaporisation_kernel(flue)

    if b.stack is None or b.air is None:
        for key in _NEED_BOTH_TEMPERATURES:
            out[key].fill(np.nan)
        return
    _efficiencies(c, b, out, (air, air_water, co), powers, heats, (s, t))
    if credit is not None:
        out["efficiency_gross_condensing"][below] += credit
        out["efficiency_gross_condensing_with_co"][below] += credit
        credit *= c.gross_over_net
        out["efficiency_net_condensing"][below] += credit
        out["efficiency_net_condensing_with_co"][below] += credit


_NEED_BOTH_TEMPERATURES = (
    "net_stack_temperature",
    "loss_sensible_gross",
    "efficiency_gross",
    "efficiency_net",
    "efficiency_gross_condensing",
    "efficiency_net_condensing",
    "efficiency_gross_with_co",
    "efficiency_net_with_co",
    "efficiency_gross_condensing_with_co",
    "efficiency_net_condensing_with_co",
)


def _efficiencies(
    c: Constants,
    b: Block,
    out: dict[str, Column],
    amounts: tuple[Column, Column, Column],
    powers: Column,
    heats: Column,
    free: tuple[Column, Column],
) -> None:
    add, subtract, multiply = np.add, np.subtract, np.multiply
    air, air_water, co = amounts
    s, t = free
    stack, ambient = b.stack, b.air
    if stack is None or ambient is None:
        return
    subtract(stack, ambient, out["net_stack_temperature"])
    # Differences of the powers of temperature, in thousands of kelvin.
    multiply(stack, 1e-3, s)
    add(s, 0.27315, s)
    multiply(ambient, 1e-3, t)
    add(t, 0.27315, t)
    subtract(s, t, powers[0])
    y2, x2 = heats[0], heats[1]
    multiply(s, s, y2)
    multiply(t, t, x2)
    subtract(y2, x2, powers[1])
    multiply(s, y2, s)
    multiply(t, x2, t)
    subtract(s, t, powers[2])
    multiply(s, y2, s)  # fifth powers
    multiply(t, x2, t)
    subtract(s, t, powers[4])
    multiply(y2, y2, s)
    multiply(x2, x2, t)
    subtract(s, t, powers[3])
    np.matmul(c.enthalpy, powers, out=heats)
    sensible = out["loss_sensible_gross"]
    multiply(heats[1], air, s)
    add(heats[0], s, sensible)
    if b.humidity is not None:
        multiply(heats[2], air_water, s)
        add(sensible, s, sensible)
    multiply(heats[3], co, s)
    add(sensible, s, sensible)

    gross, net = out["efficiency_gross"], out["efficiency_net"]
    loss = out["loss_co_gross"]
    subtract(100.0 - c.latent, sensible, gross)
    multiply(sensible, -c.gross_over_net, s)
    add(s, 100.0, net)
    out["efficiency_gross_condensing"][:] = gross
    out["efficiency_net_condensing"][:] = net
    subtract(gross, loss, out["efficiency_gross_with_co"])
    multiply(loss, c.gross_over_net, s)
    subtract(net, s, out["efficiency_net_with_co"])
    out["efficiency_gross_condensing_with_co"][:] = out["efficiency_gross_with_co"]
    out["efficiency_net_condensing_with_co"][:] = out["efficiency_net_with_co"]


def _saturation(temperature: Column, out: Column, a: Column, q: Column, p: Column) -> None:
    """Fill out with the saturation pressure [Pa]; a, q, p are scratch. See combustion.water."""
    add, multiply = np.add, np.multiply
    add(temperature, 273.15 - N10, a)
    np.divide(N9, a, a)
    add(a, temperature, a)
    add(a, 273.15, a)  # theta
    add(a, N1, p)
    multiply(p, a, p)
    add(p, N2, p)  # A
    multiply(a, N6, out)
    add(out, N7, out)
    multiply(out, a, out)
    add(out, N8, out)  # C
    multiply(a, N3, q)
    add(q, N4, q)
    multiply(q, a, q)
    add(q, N5, q)  # B
    multiply(p, out, p)
    multiply(p, 4.0, p)
    multiply(q, q, a)
    np.subtract(a, p, a)
    np.sqrt(a, a)
    np.subtract(a, q, a)
    np.divide(out, a, out)
    multiply(out, out, out)
    multiply(out, out, out)
    multiply(out, 16e6, out)


def _dew_point(p: Column, out: Column, e: Column, f: Column, g: Column, d: Column) -> None:
    """Fill out with the saturation temperature [degC] at p [Pa], which becomes scratch."""
    add, multiply, subtract, sqrt = np.add, np.multiply, np.subtract, np.sqrt
    multiply(p, 1e-6, p)
    sqrt(p, p)
    sqrt(p, p)  # beta
    add(p, N3, e)
    multiply(e, p, e)
    add(e, N6, e)
    multiply(p, N1, f)
    add(f, N4, f)
    multiply(f, p, f)
    add(f, N7, f)
    multiply(p, N2, g)
    add(g, N5, g)
    multiply(g, p, g)
    add(g, N8, g)
    multiply(e, g, e)
    multiply(e, 4.0, e)
    multiply(f, f, d)
    subtract(d, e, d)
    sqrt(d, d)
    add(d, f, d)
    np.divide(g, d, d)
    multiply(d, -2.0, d)  # D
    add(d, N10, e)
    multiply(d, 4.0 * N10, f)
    add(f, 4.0 * N9, f)
    multiply(e, e, g)
    subtract(g, f, g)
    sqrt(g, g)
    subtract(e, g, e)
    multiply(e, 0.5, e)
    subtract(e, 273.15, out)
