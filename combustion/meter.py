"""Heat input from the gas meter's dial, the oil nozzle or a flow meter."""

from __future__ import annotations

import math
from dataclasses import dataclass

from combustion.refusals import OutOfRange, Range, Value, guarded

CUBIC_FOOT = 0.028316846592
"""[m3]"""

US_GALLON = 3.785411784e-3
"""[m3]"""

BTU = 1055.05585262
"""International Table [J]."""

BASE_60F = 288.70555555555555
"""60 degF [K], the base temperature of US gas."""

BASE_PRESSURE_US = 14.73 * 6894.757293168361
"""14.73 psia [Pa]."""

BASE_PRESSURE_SI = 101_325.0
BASE_TEMPERATURE_SI = 288.15
"""15 degC [K] and 1 atm [Pa], the reference conditions of ISO 13443 (memory)."""

VOLUME = Range(0.0, 1e5, "m^3", "metered volume must be above 0", open_low=True)
SECONDS = Range(0.0, 86_400.0, "s", "timing must be above 0 and at most a day", open_low=True)
GAS_TEMPERATURE = Range(-40.0, 80.0, "degC", "gas temperature must be from -40 to 80 degC")
GAUGE = Range(-10_000.0, 1_000_000.0, "Pa", "gauge pressure must be from -10 kPa to 1 MPa")
FLOW = Range(0.0, 1e6, "m^3/h", "flow must not be negative")


@guarded(volume=VOLUME, seconds=SECONDS)
def flow_from_dial(volume: Value, seconds: Value) -> Value:
    """Return the flow through a meter whose dial was timed.

    Parameters
    ----------
    volume : float or array
        Volume that passed [m^3]: dial size times turns.
    seconds : float or array
        Time that it took [s].

    Returns
    -------
    float or array
        Flow at metering conditions [m^3/h].

    Notes
    -----
    ``3600 * volume / seconds``. One second wrong in 36 is 3 %: time at least a minute.

    Source: definition.

    Examples
    --------
    >>> round(flow_from_dial(CUBIC_FOOT, 36.0) / CUBIC_FOOT, 6)
    100.0
    """
    return 3600.0 * volume / seconds


@guarded(gas_temperature=GAS_TEMPERATURE, gauge_pressure=GAUGE)
def base_volume_factor(
    gas_temperature: Value,
    gauge_pressure: Value,
    barometric_pressure: Value,
    base_temperature: float = BASE_60F,
    base_pressure: float = BASE_PRESSURE_US,
    temperature_compensated: bool = False,
) -> Value:
    """Return the volume at base conditions per volume metered.

    Parameters
    ----------
    gas_temperature : float or array
        Gas temperature at the meter [degC].
    gauge_pressure : float or array
        Gas pressure at the meter above the atmosphere [Pa].
    barometric_pressure : float or array
        Absolute pressure of the atmosphere [Pa].
    base_temperature : float
        Base temperature [K], 60 degF unless given.
    base_pressure : float
        Base pressure [Pa], 14.73 psia unless given.
    temperature_compensated : bool
        Whether the meter's index is compensated to base temperature already.

    Returns
    -------
    float or array
        Factor [1].

    Notes
    -----
    Boyle and Charles: ``(P_atm + P_gauge) / P_base * T_base / T``; compressibility is left out, at
    most 0.3 % below 100 kPa gauge.

    Source: a FERC gas tariff, (P_atm + P_gauge) / 14.73 and 519.67 / (459.67 + degF) (read).

    Examples
    --------
    >>> round(base_volume_factor(15.5555556, 0.0, BASE_PRESSURE_US), 6)
    1.0
    """
    factor = (barometric_pressure + gauge_pressure) / base_pressure
    if temperature_compensated:
        return factor
    return factor * base_temperature / (gas_temperature + 273.15)


@guarded(flow=FLOW)
def input_from_flow(flow: Value, heating_value: float) -> Value:
    """Return the gross heat input of a gas flow.

    Parameters
    ----------
    flow : float or array
        Flow at the conditions that the heating value refers to [m^3/h].
    heating_value : float
        Gross heating value per volume [MJ/m3].

    Returns
    -------
    float or array
        Heat input [kW gross].

    Notes
    -----
    Source: definition.

    Examples
    --------
    >>> round(input_from_flow(100.0, 38.0), 1)
    1055.6
    """
    if not heating_value > 0.0:
        raise OutOfRange("heating_value", heating_value, "heating value must be above 0")
    return flow * heating_value / 3.6


def heating_value_from_btu_per_cubic_foot(btu: float) -> float:
    """Return a heating value per volume in MJ/m3, the base conditions unchanged.

    >>> round(heating_value_from_btu_per_cubic_foot(1020.0), 2)
    38.0
    """
    return btu * BTU * 1e-6 / CUBIC_FOOT


@dataclass(frozen=True, slots=True)
class MeteredInput:
    """Heat input found at the meter, with standard uncertainty.

    Attributes
    ----------
    flow, base_flow : float
        Flow at the meter and at base conditions [m^3/h].
    fuel_input, u : float
        Gross heat input and its standard uncertainty [kW].
    percent_of_rated, u_percent_of_rated : float or None
        The same against the rated input [%].
    """

    flow: float
    base_flow: float
    fuel_input: float
    u: float
    percent_of_rated: float | None
    u_percent_of_rated: float | None


def metered_input(
    volume: float,
    seconds: float,
    heating_value: float,
    factor: float = 1.0,
    rated_input: float | None = None,
    u_volume: float = 0.0,
    u_seconds: float = 0.3,
    u_heating_value: float = 0.0,
    u_factor: float = 0.0,
) -> MeteredInput:
    """Return the firing rate from a timed dial, with its uncertainty.

    Parameters
    ----------
    volume : float
        Volume that passed [m^3].
    seconds : float
        Time that it took [s].
    heating_value : float
        Gross, per volume at base conditions [MJ/m3].
    factor : float
        From :func:`base_volume_factor` [1]; 1 for a meter that corrects both.
    rated_input : float or None
        Rated gross input [kW].
    u_volume, u_seconds, u_heating_value, u_factor : float
        Standard uncertainties in the units above; two thumbs on a stopwatch are about 0.3 s.

    Returns
    -------
    MeteredInput
        Relative uncertainties combined in squares, as for any product.

    Notes
    -----
    Source: JCGM 100:2008, 5.1.6 (memory).

    Examples
    --------
    >>> m = metered_input(10 * CUBIC_FOOT, 36.0, 38.0, rated_input=300.0)
    >>> round(m.fuel_input), round(m.percent_of_rated)
    (299, 100)
    """
    flow = float(flow_from_dial(float(volume), float(seconds)))
    heat = float(input_from_flow(flow * factor, heating_value))
    relative = math.sqrt(
        (u_volume / volume) ** 2
        + (u_seconds / seconds) ** 2
        + (u_heating_value / heating_value) ** 2
        + (u_factor / factor) ** 2
    )
    percent = u_percent = None
    if rated_input is not None:
        if not rated_input > 0.0:
            raise OutOfRange("rated_input", rated_input, "rated input must be above 0")
        percent = 100.0 * heat / rated_input
        u_percent = percent * relative
    return MeteredInput(flow, flow * factor, heat, heat * relative, percent, u_percent)


def input_from_oil_flow(flow: float, density: float, gross: float) -> float:
    """Return the gross heat input of an oil flow.

    Parameters
    ----------
    flow : float
        Supply less return flow [L/h].
    density : float
        Density at the flow meter [kg/L], about 0.85 for No. 2 oil.
    gross : float
        Gross heating value [MJ/kg].

    Returns
    -------
    float
        Heat input [kW gross].

    Notes
    -----
    Source: definition.

    Examples
    --------
    >>> round(input_from_oil_flow(10.0, 0.85, 45.26), 1)
    106.9
    """
    if flow < 0.0 or not 0.5 <= density <= 1.2 or not gross > 0.0:
        raise OutOfRange("flow", flow, "oil flow, density (0.5 to 1.2 kg/L) or heat is impossible")
    return flow * density * gross / 3.6


def oil_flow_from_nozzle(
    rated_flow: float, pump_pressure: float, rated_pressure: float = 689_475.7293168361
) -> float:
    """Return the flow through a pressure-atomising nozzle.

    Parameters
    ----------
    rated_flow : float
        Flow stamped on the nozzle at the rated pressure, any unit of flow.
    pump_pressure : float
        Pressure at the nozzle above the chamber [Pa].
    rated_pressure : float
        Pressure of the stamped flow [Pa], 100 psi unless given.

    Returns
    -------
    float
        Flow, in the unit of ``rated_flow``.

    Notes
    -----
    ``rated * sqrt(pressure / rated pressure)``; warm oil, wear and a return line change it.

    Source: orifice law, common practice.

    Examples
    --------
    >>> round(oil_flow_from_nozzle(1.0, 140 * 6894.757293168361), 3)
    1.183
    """
    if not (rated_flow > 0.0 and pump_pressure > 0.0 and rated_pressure > 0.0):
        raise OutOfRange("pump_pressure", pump_pressure, "nozzle flow and pressure must be above 0")
    return rated_flow * math.sqrt(pump_pressure / rated_pressure)
