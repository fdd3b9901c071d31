"""Columns of readings in, every computed column out, with uncertainty and reasons.

The one function, :func:`compute`, splits the rows into blocks of one fuel, finds impossible
inputs, runs :mod:`combustion.kernel` on each block and, with accuracies,
:mod:`combustion.propagation`. A bad row loses only the outputs that it spoils.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from combustion import refusals
from combustion.air import CO2_IN_DRY_AIR, STANDARD_PRESSURE, pressure_at_altitude
from combustion.faults import REFUSED_BY, Fault, reasons
from combustion.fuels import FUELS, Fuel
from combustion.kernel import ROWS, Between, Block, Column, compute_block, constants
from combustion.propagation import Derivative, propagate_block, spread_key
from combustion.refusals import OutOfRange, Range
from combustion.stoichiometry import o2_behind_co2
from combustion.uncertainty import Accuracy

INPUTS: tuple[str, ...] = (
    "o2_dry",
    "co2_dry",
    "co_dry",
    "no_dry",
    "no2_dry",
    "nox_dry",
    "stack_temperature",
    "combustion_air_temperature",
    "relative_humidity",
    "barometric_pressure",
    "altitude",
)
"""Glossary keys of the columns that are understood, in canonical units."""

OUTPUTS: tuple[str, ...] = tuple(REFUSED_BY)
"""Glossary keys of the columns that are computed, in their order."""

CONVENTIONS: Mapping[str, str] = {
    "sensible_loss": "enthalpy of the wet products from flue to combustion-air temperature, air "
    "moisture included, all water as vapour",
    "latent_loss": "combustion water times h_fg at 25 degC; air moisture carries none",
    "co_loss": "a term of its own; efficiency_* leave it out, efficiency_*_with_co subtract it",
    "condensation": "equilibrium at the flue temperature; credit is the condensed amount, air "
    "moisture included, times h_fg at the flue temperature; the share is over combustion water",
    "heating_values": "gross by ISO 6976:2016 at 25 degC; net is gross less combustion water times "
    "h_fg at 25 degC",
    "dry_air": "20.939 % O2, 0.933 % Ar, 0.040 % CO2, rest N2 (CIPM-2007)",
    "measured_o2": "taken as read, not rescaled for an instrument spanned at 20.9 %",
    "co_air_free": "CO * 20.9 / (20.9 - O2), missing above 15 % O2",
    "reference_o2": "C * (20.9 - 3) / (20.9 - O2)",
    "uncertainty": "standard, coverage factor 1; inputs without a stated accuracy count as exact, "
    "the fuel as stated",
    "nox": "as NO2, on gross heat, exact by the atom balance of the fuel",
    "not_measured": "CO taken as 0 in the balance, air as dry, pressure as the standard "
    "atmosphere at the altitude, else 101325 Pa",
}


@dataclass(frozen=True, slots=True)
class Computed:
    """All computed columns.

    Attributes
    ----------
    values : dict of str to Column
        By output key, NaN where refused.
    u : dict of str to Column
        Standard uncertainty by output key; empty without accuracies.
    faults : array of uint32
        Bits of :class:`combustion.faults.Fault` per row.
    """

    values: dict[str, Column]
    u: dict[str, Column]
    faults: NDArray[np.uint32]

    def refused(self, row: int) -> dict[str, str]:
        """Return the outputs of a row that are missing, each with its reason."""
        return dict(reasons(int(self.faults[row])))


# Input, range, bit when missing (0: may be missing), bit when impossible.
_CHECKS: tuple[tuple[str, Range, Fault, Fault], ...] = (
    ("co_dry", refusals.CO, Fault.CO_MISSING, Fault.CO),
    ("no_dry", refusals.PPM, Fault.NO_MISSING, Fault.NO),
    ("no2_dry", refusals.PPM, Fault(0), Fault.NO),
    ("nox_dry", refusals.PPM, Fault(0), Fault.NOX),
    ("stack_temperature", refusals.STACK, Fault.STACK_MISSING, Fault.STACK),
    ("combustion_air_temperature", refusals.AIR, Fault.AIR_MISSING, Fault.AIR),
    ("relative_humidity", refusals.HUMIDITY, Fault(0), Fault.HUMIDITY),
    ("barometric_pressure", refusals.PRESSURE, Fault(0), Fault.PRESSURE),
    ("altitude", refusals.ALTITUDE, Fault(0), Fault.ALTITUDE),
)


def compute(
    columns: Mapping[str, ArrayLike],
    fuel: Fuel | Sequence[Fuel],
    fuel_index: NDArray[np.integer[Any]] | None = None,
    accuracies: Mapping[str, Accuracy] | None = None,
    no2_share_percent: float | None = None,
    spreads: Mapping[str, ArrayLike] | None = None,
) -> Computed:
    """Return every computed column for columns of readings.

    Parameters
    ----------
    columns : Mapping of str to array
        Keys of ``INPUTS`` in canonical units, NaN where missing; all of one length. Other keys are
        not looked at.
    fuel : Fuel or sequence of Fuel
        The fuel of all rows, or the fuels that ``fuel_index`` points into.
    fuel_index : array of int or None
        Which fuel each row burns; -1 where it is not known.
    accuracies : Mapping of str to Accuracy or None
        By input key; with it, standard uncertainties are computed too.
    no2_share_percent : float or None
        Assumed NO2 in NOx [%] for rows with NO alone; None refuses their NOx.
    spreads : Mapping of str to array or None
        Standard uncertainty row by row by input key, in canonical units; NaN leaves the row to
        ``accuracies``.

    Returns
    -------
    Computed
        ``OUTPUTS`` as columns, with NaN and a reason where refused.

    Raises
    ------
    ValueError
        For columns of different lengths, or an impossible share of NO2.

    Notes
    -----
    ``CONVENTIONS`` says by what conventions. O2 is used where both O2 and CO2 are given.

    Examples
    --------
    >>> from combustion.fuels import FUELS
    >>> done = compute(
    ...     {"o2_dry": [5.0, 22.0], "stack_temperature": [180.0, 180.0],
    ...      "combustion_air_temperature": [20.0, 20.0]}, FUELS["natural_gas"])
    >>> done.values["efficiency_gross"].round(2)
    array([82.87,   nan])
    >>> done.refused(1)["excess_air"]
    'O2 must be at least 0 and below the 20.9 % of ambient air'
    """
    given = {
        key: np.ascontiguousarray(columns[key], dtype=np.float64)
        for key in INPUTS
        if columns.get(key) is not None
    }
    for key, own in (spreads or {}).items():
        if key in given:
            given[spread_key(key)] = np.ascontiguousarray(own, dtype=np.float64)
    lengths = {column.shape for column in given.values()}
    if len(lengths) > 1 or any(len(shape) != 1 for shape in lengths):
        raise ValueError(f"columns must be one-dimensional and of one length, not {lengths}")
    if no2_share_percent is not None and not 0.0 <= no2_share_percent < 100.0:
        raise ValueError("share of NO2 must be from 0 to below 100 % of NOx")
    rows = lengths.pop()[0] if lengths else 0
    fuels: tuple[Fuel, ...] = (fuel,) if isinstance(fuel, Fuel) else tuple(fuel)
    values = {key: np.empty(rows) for key in OUTPUTS}
    spread = {key: np.empty(rows) for key in OUTPUTS} if accuracies or spreads else {}
    done = Computed(values, spread, np.zeros(rows, dtype=np.uint32))
    run = _Run(done, dict(accuracies or {}), no2_share_percent, Between())
    with np.errstate(all="ignore"):
        for start in range(0, rows, ROWS):
            part = slice(start, min(start + ROWS, rows))
            if fuel_index is None:
                run.block(fuels[0], {k: v[part] for k, v in given.items()}, part)
                continue
            index = np.asarray(fuel_index[part])
            present = np.unique(index)
            if present.size == 1 and 0 <= present[0] < len(fuels):
                run.block(fuels[present[0]], {k: v[part] for k, v in given.items()}, part)
                continue
            for one in present:
                at = start + np.flatnonzero(index == one)
                rows_of_one = {k: v[at] for k, v in given.items()}
                known = 0 <= one < len(fuels)
                run.block(fuels[one] if known else ANY_FUEL, rows_of_one, at, known)
    return done


ANY_FUEL = FUELS["methane"]
"""Stands in where the fuel is not known; nothing that depends on it leaves this module."""

Where = slice | NDArray[np.intp]


@dataclass(slots=True)
class _Run:
    done: Computed
    accuracies: dict[str, Accuracy]
    no2_share_percent: float | None
    between: Between

    def block(self, fuel: Fuel, given: dict[str, Column], where: Where, known: bool = True) -> None:
        """Compute the rows of one fuel; the result goes straight to its place where it can.

        Where the fuel is not known, what depends on it is blanked; CO air-free does not.
        """
        rows = next(iter(given.values())).shape[0]
        if isinstance(where, slice):
            out = {k: v[where] for k, v in self.done.values.items()}
            u = {k: v[where] for k, v in self.done.u.items()}
        else:
            out = {k: np.empty(rows) for k in OUTPUTS}
            u = {k: np.empty(rows) for k in self.done.u}
        faults = self._compute(fuel, given, rows, out, u, known)
        if faults is not None:
            self.done.faults[where] = faults
        if not isinstance(where, slice):
            for key in OUTPUTS:
                self.done.values[key][where] = out[key]
                if u:
                    self.done.u[key][where] = u[key]

    def _compute(
        self,
        fuel: Fuel,
        given: dict[str, Column],
        rows: int,
        out: dict[str, Column],
        u: dict[str, Column],
        known: bool,
    ) -> NDArray[np.uint32] | None:
        faults = np.zeros(rows, dtype=np.uint32)
        if not known:
            faults |= np.uint32(Fault.FUEL)
            given = {k: v for k, v in given.items() if k != "co2_dry"}
        clean = {
            key
            for key, allowed, missing, impossible in _CHECKS
            if _check(given.get(key), allowed, missing, impossible, faults)
        }
        o2, by_co2 = self._o2(fuel, given, faults, rows)
        co = given.get("co_dry")
        if co is None:
            co = np.zeros(rows)
        elif "co_dry" not in clean:
            co = np.where(np.isnan(co), 0.0, co)
        stack, air = given.get("stack_temperature"), given.get("combustion_air_temperature")
        if stack is not None and air is not None:
            colder = stack < air
            if colder.any():
                faults[colder] |= np.uint32(Fault.COLDER)
        humidity = given.get("relative_humidity")
        if humidity is not None:
            if "relative_humidity" not in clean:
                humidity = np.where(np.isnan(humidity), 0.0, humidity)
            if air is None:
                faults[humidity > 0.0] |= np.uint32(Fault.AIR)
            elif "combustion_air_temperature" not in clean:
                # No temperature, no moisture: the dew point of that row is unknown, not dry.
                faults[np.isnan(air) & (humidity > 0.0)] |= np.uint32(Fault.AIR)
        nox, nox_by_no, nox_by_no2 = self._nox(given, faults, clean)
        block = Block(
            o2, co, given.get("no_dry"), nox, stack, air, humidity, _pressure(given, rows)
        )
        fixed = constants(fuel)
        compute_block(fixed, block, out, self.between)
        if u:
            chain = Derivative(given, by_co2, nox_by_no, nox_by_no2)
            propagate_block(fixed, block, out, u, self.accuracies, chain, self.between)
        if o2.max(initial=0.0) > refusals.O2_UNDILUTED.high:
            faults[o2 > refusals.O2_UNDILUTED.high] |= np.uint32(Fault.O2_DILUTED)
        bad = np.flatnonzero(faults)
        if not bad.size:
            return None
        _blank(faults, bad, out, u)
        return faults

    def _o2(
        self, fuel: Fuel, given: dict[str, Column], faults: NDArray[np.uint32], rows: int
    ) -> tuple[Column, NDArray[np.bool_] | None]:
        o2, co2 = given.get("o2_dry"), given.get("co2_dry")
        if co2 is None or (o2 is not None and not np.isnan(o2.max(initial=0.0))):
            if o2 is None:
                faults |= np.uint32(Fault.O2_MISSING)
                return np.full(rows, np.nan), None
            _check(o2, refusals.O2, Fault.O2_MISSING, Fault.O2, faults)
            return o2, None
        o2 = np.full(rows, np.nan) if o2 is None else o2
        by_co2 = np.isnan(o2) & ~np.isnan(co2)
        _check(np.where(by_co2, 0.0, o2), refusals.O2, Fault.O2_MISSING, Fault.O2, faults)
        found = o2_behind_co2(fuel, co2, _filled(given.get("co_dry", np.zeros(rows)), 0.0))
        possible = (co2 > 100.0 * CO2_IN_DRY_AIR) & (found > -1e-9)
        found = np.where(possible, np.maximum(found, 0.0), np.nan)
        faults[by_co2 & ~refusals.O2.holds(found)] |= np.uint32(Fault.CO2)
        return np.where(by_co2, found, o2), by_co2

    def _nox(
        self, given: dict[str, Column], faults: NDArray[np.uint32], clean: set[str]
    ) -> tuple[Column | None, Column | float, Column | float]:
        """Return NOx and its derivatives by NO and by NO2."""
        no, no2, nox = given.get("no_dry"), given.get("no2_dry"), given.get("nox_dry")
        share = self.no2_share_percent
        factor = np.nan if share is None else 1.0 / (1.0 - 0.01 * share)
        by_no: Column | float = 0.0
        by_no2: Column | float = 0.0
        if no is None and nox is None:
            faults |= np.uint32(Fault.NOX_MISSING)
            return None, 0.0, 0.0
        if no is None:
            result = nox
        else:
            if no2 is None:
                result, by_no = no * factor, factor
            elif nox is None and "no_dry" in clean and "no2_dry" in clean:
                return no + no2, 1.0, 1.0
            else:
                alone = np.isnan(no2)
                result = np.where(alone, no * factor, no + no2)
                by_no = np.where(alone, factor, 1.0)
                by_no2 = np.where(alone, 0.0, 1.0)
            if nox is not None:
                measured = ~np.isnan(nox)
                result = np.where(measured, nox, result)
                by_no = np.where(measured, 0.0, by_no)
                by_no2 = np.where(measured, 0.0, by_no2)
        if result is not None and np.isnan(result.max(initial=0.0)):
            faults[np.isnan(result)] |= np.uint32(Fault.NOX_MISSING)
        return result, by_no, by_no2


def _filled(column: Column, value: float) -> Column:
    if np.isnan(column.max(initial=-np.inf)):
        return np.where(np.isnan(column), value, column)
    return column


def _check(
    column: Column | None,
    allowed: Range,
    missing: Fault,
    impossible: Fault,
    faults: NDArray[np.uint32],
) -> bool:
    """Mark missing and impossible rows; return whether every row has a value that is possible."""
    if column is None:
        if missing:
            faults |= np.uint32(missing)
        return False
    # Two reductions tell a clean block; NaN makes either comparison false.
    low, high = column.min(initial=np.inf), column.max(initial=-np.inf)
    top = high < allowed.high if allowed.open_high else high <= allowed.high
    if top and low >= allowed.low:
        return True
    nothing = np.isnan(column)
    faults[nothing] |= np.uint32(missing)
    faults[~allowed.holds(column) & ~nothing] |= np.uint32(impossible)
    return False


def _pressure(given: dict[str, Column], rows: int) -> Column | float:
    pressure, altitude = given.get("barometric_pressure"), given.get("altitude")
    if altitude is None:
        return STANDARD_PRESSURE if pressure is None else _filled(pressure, STANDARD_PRESSURE)
    if rows == 1 and pressure is None:
        try:
            found = pressure_at_altitude(float(altitude[0]))
        except OutOfRange:
            return STANDARD_PRESSURE
        return STANDARD_PRESSURE if np.isnan(found) else float(found)
    by_altitude: Column = _filled(pressure_at_altitude(altitude), STANDARD_PRESSURE)
    if pressure is None:
        return by_altitude
    return np.where(np.isnan(pressure), by_altitude, pressure)


def _blank(
    faults: NDArray[np.uint32],
    bad: NDArray[np.intp],
    out: dict[str, Column],
    u: dict[str, Column],
) -> None:
    found = faults[bad]
    if bad.size == faults.size and (found == found[0]).all():
        spoilt = [key for key, mask in REFUSED_BY.items() if int(mask) & int(found[0])]
        for key in spoilt:
            out[key].fill(np.nan)
            if u:
                u[key].fill(np.nan)
        return
    for key, mask in REFUSED_BY.items():
        at = bad[(found & np.uint32(mask)) != 0]
        if at.size:
            out[key][at] = np.nan
            if u:
                u[key][at] = np.nan
