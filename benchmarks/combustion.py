"""The combustion core against a plain numpy floor, plain floats and a loop over Cantera.

The floor is what a careful person writes in one sitting: the same formulas, whole columns, one
expression a line, no blocks, no checks of the input. It must agree with the core before it counts.
"""

from __future__ import annotations

import math
import time
import tracemalloc
from collections.abc import Callable

import numpy as np

from combustion.compute import OUTPUTS, compute
from combustion.fuels import FUELS
from combustion.thermo import CP_OVER_R, R
from combustion.uncertainty import Accuracy
from combustion.water import HFG_25, heat_of_vaporisation_kernel

Row = tuple[str, float, float | None, str]
FUEL = FUELS["natural_gas"]
ROWS = 1_000_000


def readings(rows: int, seed: int = 20260) -> dict[str, np.ndarray]:
    """Return random readings over the range that the accuracy tests use."""
    random = np.random.default_rng(seed)
    air = random.uniform(-10.0, 45.0, rows)
    return {
        "o2_dry": random.uniform(0.5, 14.0, rows),
        "co_dry": random.uniform(0.0, 2000.0, rows),
        "no_dry": random.uniform(5.0, 100.0, rows),
        "no2_dry": random.uniform(0.0, 5.0, rows),
        "stack_temperature": np.maximum(random.uniform(30.0, 350.0, rows), air + 1.0),
        "combustion_air_temperature": air,
        "relative_humidity": random.uniform(0.0, 100.0, rows),
        "barometric_pressure": random.uniform(74_000.0, 103_000.0, rows),
    }


def _h(species: str, kelvin: np.ndarray) -> np.ndarray:
    a1, a2, a3, a4, a5 = CP_OVER_R[species]
    t = kelvin
    return R * t * (a1 + t * (a2 / 2 + t * (a3 / 3 + t * (a4 / 4 + t * a5 / 5))))


def _saturation(t: np.ndarray) -> np.ndarray:
    k = t + 273.15
    x = k - 0.23855557567849 / (k - 650.17534844798)
    a = x * x + 1167.0521452767 * x - 724213.16703206
    b = -17.073846940092 * x * x + 12020.824702470 * x - 3232555.0322333
    c = 14.915108613530 * x * x - 4823.2657361591 * x + 405113.40542057
    return 1e6 * (2 * c / (-b + np.sqrt(b * b - 4 * a * c))) ** 4


def _dew_point(p: np.ndarray) -> np.ndarray:
    q = np.sqrt(np.sqrt(p * 1e-6))
    e = q * q - 17.073846940092 * q + 14.915108613530
    f = 1167.0521452767 * q * q + 12020.824702470 * q - 4823.2657361591
    g = -724213.16703206 * q * q - 3232555.0322333 * q + 405113.40542057
    d = 2 * g / (-f - np.sqrt(f * f - 4 * e * g))
    s = 650.17534844798 + d
    inner = s * s - 4 * (-0.23855557567849 + 650.17534844798 * d)
    return 0.5 * (s - np.sqrt(inner)) - 273.15


def _floor(c: dict[str, np.ndarray]) -> dict[str, np.ndarray]:
    o2, co_ppm, no = c["o2_dry"], c["co_dry"], c["no_dry"]
    stack, ambient = c["stack_temperature"], c["combustion_air_temperature"]
    pressure = c["barometric_pressure"]
    x_o2, x_ar, x_co2 = 0.20939, 0.00933, 0.00040
    f = FUEL
    need = f.carbon + f.hydrogen / 4 + f.sulphur - f.oxygen / 2
    fixed = f.carbon + f.sulphur + f.nitrogen / 2 + f.inert - need
    y, z = o2 / 100, co_ppm / 1e6
    dry = (fixed + need / x_o2) / (1 - (y - z / 2) / x_o2 - z / 2)
    co = z * dry
    air = dry - fixed - co / 2
    o2_amount = air * x_o2 - need + co / 2
    co2 = f.carbon + air * x_co2 - co
    n2 = f.nitrogen / 2 + air * (1 - x_o2 - x_ar - x_co2)
    argon = f.inert + air * x_ar
    vapour = c["relative_humidity"] / 100 * _saturation(ambient)
    air_water = air * vapour / (pressure - vapour)
    water = f.hydrogen / 2 + air_water
    dew = _dew_point(pressure * water / (dry + water))
    hot, cold = stack + 273.15, ambient + 273.15
    heat = np.zeros_like(o2)
    gases = {"CO2": co2, "CO": co, "O2": o2_amount, "N2": n2, "Ar": argon, "H2O": water}
    for species, amount in gases.items():
        heat += amount * (_h(species, hot) - _h(species, cold))
    sensible = 100 * heat / f.gross

    latent = np.full_like(o2, 100 * f.hydrogen / 2 * 0.018015268 * HFG_25 / f.gross)
    loss_co = 100 * co * 282.98 / f.gross
    ratio = f.gross / f.net
    gross = 100 - sensible - latent
    net = 100 - sensible * ratio
    flue = np.where(stack < dew, stack, dew)
    saturated = _saturation(flue)
    condensed = np.where(stack < dew, water - dry * saturated / (pressure - saturated), 0.0)
    t = flue
    h_fg = 2500.92194 + t * (
        -2.37929112
        + t * (8.21285385e-4 + t * (-1.96680571e-5 + t * (7.83644996e-8 - t * 2.96991526e-10)))
    )
    credit = 100 * condensed * 0.018015268 * h_fg / f.gross
    scale = 1 / (20.9 - o2)
    nox = no + c["no2_dry"]
    nox_rate = nox * dry * 46.0055 / f.gross
    air_ratio = air * x_o2 / need
    return {
        "excess_air": 100 * (air_ratio - 1),
        "lambda": air_ratio,
        "co2_dry": 100 * co2 / dry,
        "o2_dry": 100 * o2_amount / dry,
        "co2_ultimate": np.full_like(o2, f.co2_ultimate),
        "co_air_free": np.where(o2 <= 15, co_ppm * 20.9 * scale, np.nan),
        "co_air_free_exact": 1e6 * co / (fixed + need / x_o2),
        "co_at_3_o2": co_ppm * 17.9 * scale,
        "no_at_3_o2": no * 17.9 * scale,
        "nox_at_3_o2": nox * 17.9 * scale,
        "nox_lb_per_mmbtu": nox_rate * 1055.05585262e6 / 453.59237e9,
        "nox_ng_per_j": nox_rate,
        "net_stack_temperature": stack - ambient,
        "water_dew_point": dew,
        "condensed_share_of_combustion_water": condensed / (f.hydrogen / 2),
        "condensate_kg_per_kwh_gross": condensed * 0.018015268 * 3600 / f.gross,
        "loss_sensible_gross": sensible,
        "loss_latent_gross": latent,
        "loss_co_gross": loss_co,
        "efficiency_gross": gross,
        "efficiency_net": net,
        "efficiency_gross_condensing": gross + credit,
        "efficiency_net_condensing": net + credit * ratio,
        "efficiency_gross_with_co": gross - loss_co,
        "efficiency_net_with_co": net - loss_co * ratio,
        "efficiency_gross_condensing_with_co": gross + credit - loss_co,
        "efficiency_net_condensing_with_co": net + (credit - loss_co) * ratio,
    }


def _best(work: Callable[[], object], times: int) -> float:
    found = []
    for _ in range(times):
        start = time.perf_counter()
        work()
        found.append(time.perf_counter() - start)
    return min(found)


def _peak(work: Callable[[], object]) -> int:
    tracemalloc.start()
    kept = work()
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    del kept
    return peak


def _plain_enthalpy(a: tuple[float, ...], t: float) -> float:
    return R * t * (a[0] + t * (a[1] / 2 + t * (a[2] / 3 + t * (a[3] / 4 + t * a[4] / 5))))


def _plain_saturation(t: float) -> float:
    k = t + 273.15
    x = k - 0.23855557567849 / (k - 650.17534844798)
    a = x * x + 1167.0521452767 * x - 724213.16703206
    b = -17.073846940092 * x * x + 12020.824702470 * x - 3232555.0322333
    c = 14.915108613530 * x * x - 4823.2657361591 * x + 405113.40542057
    return 1e6 * (2 * c / (-b + math.sqrt(b * b - 4 * a * c))) ** 4


def _plain_dew_point(p: float) -> float:
    q = (p * 1e-6) ** 0.25
    e = q * q - 17.073846940092 * q + 14.915108613530
    f = 1167.0521452767 * q * q + 12020.824702470 * q - 4823.2657361591
    g = -724213.16703206 * q * q - 3232555.0322333 * q + 405113.40542057
    d = 2 * g / (-f - math.sqrt(f * f - 4 * e * g))
    s = 650.17534844798 + d
    return 0.5 * (s - math.sqrt(s * s - 4 * (-0.23855557567849 + 650.17534844798 * d))) - 273.15


def _plain_floats(visit: dict[str, list[float]]) -> list[tuple[float, ...]]:
    """Twelve readings in plain Python: the floor again, one reading at a time, no checks."""
    f = FUEL
    x_o2, x_ar, x_co2 = 0.20939, 0.00933, 0.00040
    need = f.carbon + f.hydrogen / 4 + f.sulphur - f.oxygen / 2
    fixed = f.carbon + f.sulphur + f.nitrogen / 2 + f.inert - need
    gross_heat, ratio, made = f.gross, f.gross / f.net, f.hydrogen / 2
    latent = 100 * made * 0.018015268 * HFG_25 / gross_heat
    ultimate = f.co2_ultimate
    results = []
    for o2, co_ppm, no, no2, stack, ambient, humidity, pressure in zip(
        *(visit[key] for key in visit), strict=True
    ):
        y, z = o2 / 100, co_ppm / 1e6
        dry = (fixed + need / x_o2) / (1 - (y - z / 2) / x_o2 - z / 2)
        co = z * dry
        air = dry - fixed - co / 2
        co2 = f.carbon + air * x_co2 - co
        vapour = humidity / 100 * _plain_saturation(ambient)
        water = made + air * vapour / (pressure - vapour)
        dew = _plain_dew_point(pressure * water / (dry + water))
        hot, cold = stack + 273.15, ambient + 273.15
        heat = 0.0
        for species, amount in (
            ("CO2", co2),
            ("CO", co),
            ("O2", air * x_o2 - need + co / 2),
            ("N2", f.nitrogen / 2 + air * (1 - x_o2 - x_ar - x_co2)),
            ("Ar", f.inert + air * x_ar),
            ("H2O", water),
        ):
            a = CP_OVER_R[species]
            heat += amount * (_plain_enthalpy(a, hot) - _plain_enthalpy(a, cold))
        sensible = 100 * heat / gross_heat
        loss_co = 100 * co * 282.98 / gross_heat
        gross, net = 100 - sensible - latent, 100 - sensible * ratio
        condensed = credit = 0.0
        if stack < dew:
            saturated = _plain_saturation(stack)
            condensed = water - dry * saturated / (pressure - saturated)
            credit = condensed * 0.018015268 * heat_of_vaporisation_kernel(stack)
            credit *= 100 / gross_heat
        scale = 1 / (20.9 - o2)
        nox = no + no2
        rate = nox * dry * 46.0055 / gross_heat
        air_ratio = air * x_o2 / need
        results.append(
            (
                100 * (air_ratio - 1),
                air_ratio,
                100 * co2 / dry,
                o2,
                ultimate,
                co_ppm * 20.9 * scale if o2 <= 15 else math.nan,
                1e6 * co / (fixed + need / x_o2),
                co_ppm * 17.9 * scale,
                no * 17.9 * scale,
                nox * 17.9 * scale,
                rate * 1055.05585262e6 / 453.59237e9,
                rate,
                stack - ambient,
                dew,
                condensed / made,
                condensed * 0.018015268 * 3600 / gross_heat,
                sensible,
                latent,
                loss_co,
                gross,
                net,
                gross + credit,
                net + credit * ratio,
                gross - loss_co,
                net - loss_co * ratio,
                gross + credit - loss_co,
                net + (credit - loss_co) * ratio,
            )
        )
    return results


def _cantera_seconds_per_row(columns: dict[str, np.ndarray], rows: int) -> tuple[float, float]:
    """Time the full set in a loop that asks Cantera for gas enthalpies and for water, row by row.

    Also return how far its gross condensing efficiency stands from ours, in points.
    """
    import cantera as ct

    names = ("O2", "N2", "Ar", "CO2", "CO", "H2O")
    wanted = [s for s in ct.Species.list_from_file("nasa_gas.yaml") if s.name in names]
    gas = ct.Solution(thermo="ideal-gas", species=wanted)
    liquid = ct.Water()
    ours = compute({k: v[:rows] for k, v in columns.items()}, FUEL).values
    apart = 0.0
    liquid.TQ = 298.15, 1.0
    h_fg = liquid.enthalpy_mole
    liquid.TQ = 298.15, 0.0
    latent = FUEL.water * (h_fg - liquid.enthalpy_mole) / 1e6
    start = time.perf_counter()
    for i in range(rows):
        o2, co = columns["o2_dry"][i] / 100, columns["co_dry"][i] / 1e6
        stack, cold = columns["stack_temperature"][i], columns["combustion_air_temperature"][i]
        pressure = columns["barometric_pressure"][i]
        dry = FUEL.dry_products / (1 - (o2 - co / 2) / 0.20939 - co / 2)
        air = dry - FUEL.dry_products_at_no_air - co * dry / 2
        liquid.TQ = max(cold + 273.15, 273.16), 1.0
        vapour = columns["relative_humidity"][i] / 100 * liquid.P
        water = FUEL.water + air * vapour / (pressure - vapour)
        liquid.PQ = max(pressure * water / (dry + water), 620.0), 1.0
        dew = liquid.T - 273.15
        amounts = {
            "O2": o2 * dry,
            "N2": air * 0.78088 + FUEL.nitrogen / 2,
            "Ar": air * 0.00933,
            "CO2": FUEL.carbon + air * 0.0004 - co * dry,
            "CO": co * dry,
            "H2O": water,
        }
        gas.TPX = stack + 273.15, pressure, amounts
        hot = gas.enthalpy_mole
        gas.TP = cold + 273.15, pressure
        sensible = (hot - gas.enthalpy_mole) * (dry + water) / 1e6
        condensed = credit = 0.0
        if stack < dew:
            liquid.TQ = stack + 273.15, 1.0
            saturation, steam = liquid.P, liquid.enthalpy_mole
            liquid.TQ = stack + 273.15, 0.0
            condensed = water - dry * saturation / (pressure - saturation)
            credit = condensed * (steam - liquid.enthalpy_mole) / 1e6
        gross = 100 - 100 * (sensible + latent - credit) / FUEL.gross
        if cold > 0.0:  # Cantera's water knows no supercooled state
            apart = max(apart, abs(gross - ours["efficiency_gross_condensing"][i]))
    return (time.perf_counter() - start) / rows, apart


def run() -> list[Row]:
    """Return the ratios; the floor must agree with the core to 1e-8 first."""
    small = readings(5_000, seed=7)
    ours, floor = compute(small, FUEL).values, _floor(small)
    for key in OUTPUTS:
        np.testing.assert_allclose(ours[key], floor[key], rtol=1e-6, atol=1e-6, err_msg=key)
    few = readings(12, seed=3)
    visit = {key: column.tolist() for key, column in few.items()}
    plain_values = np.array(_plain_floats(visit)).T
    for key, column in zip(OUTPUTS, plain_values, strict=True):
        np.testing.assert_allclose(compute(few, FUEL).values[key], column, rtol=1e-6, atol=1e-6)
    columns = readings(ROWS)
    accuracies = {
        "o2_dry": Accuracy(absolute=0.2),
        "co_dry": Accuracy(absolute=5.0, percent=10.0, coverage=0.0),
        "no_dry": Accuracy(absolute=5.0, percent=5.0),
        "no2_dry": Accuracy(absolute=5.0, percent=5.0),
        "stack_temperature": Accuracy(absolute=2.0, percent=1.0),
        "combustion_air_temperature": Accuracy(absolute=1.0),
        "relative_humidity": Accuracy(absolute=3.0),
        "barometric_pressure": Accuracy(absolute=200.0),
    }
    work: dict[str, Callable[[], object]] = {
        "floor": lambda: _floor(columns),
        "core": lambda: compute(columns, FUEL),
        "u": lambda: compute(columns, FUEL, accuracies=accuracies),
    }
    best = dict.fromkeys(work, float("inf"))
    for _ in range(4):  # in turns, so that a busy machine burdens all alike
        for name, job in work.items():
            best[name] = min(best[name], _best(job, 1))
    plain = _best(lambda: _plain_floats(visit), 300)
    twelve = _best(lambda: compute(few, FUEL), 300)
    output = len(OUTPUTS) * ROWS * 8
    peak = _peak(lambda: compute(columns, FUEL))
    cantera, apart = _cantera_seconds_per_row(columns, 2_000)
    return [
        ("1e6 rows, plain numpy floor", best["floor"], None, "s"),
        ("1e6 rows, full set", best["core"], None, "s"),
        ("1e6 rows, full set over the floor", best["core"] / best["floor"], 1.2, "x"),
        ("1e6 rows, with uncertainty over the floor", best["u"] / best["floor"], 8.0, "x"),
        ("1e6 rows, peak memory over the output", peak / output, 3.0, "x"),
        ("12 readings, full set", twelve * 1e6, None, "us"),
        ("12 readings over plain Python floats", twelve / plain, 3.0, "x"),
        ("a loop over Cantera, a row", cantera * 1e6, None, "us"),
        ("times faster than that loop, as its inverse", best["core"] / ROWS / cantera, 0.01, "x"),
        ("gross condensing efficiency, core less that loop, above 0 degC", apart, 0.05, "points"),
    ]
