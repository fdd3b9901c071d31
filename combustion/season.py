"""What the seasons do to a burner that was set on air of one temperature.

Cold air is denser: the same fan volume then carries more of it. How much of that reaches the flame
depends on the air-fuel control, a field of the boiler. Where it is not known, both ends are stated.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from combustion.air import STANDARD_PRESSURE
from combustion.fuels import Fuel
from combustion.refusals import AIR, O2, OutOfRange
from combustion.stoichiometry import lambda_from_o2, o2_from_lambda
from combustion.water import saturation_pressure_kernel

Control = Literal["fixed_air", "ratio_governor", "oxygen_trim", "unknown"]


@dataclass(frozen=True, slots=True)
class SeasonPoint:
    """The projected setting at one temperature of the air.

    Attributes
    ----------
    combustion_air_temperature : float
        [degC].
    o2_low, o2_high : float or None
        Projected O2 [% dry]; equal where the control is known, None where the flame would be short
        of air.
    excess_air_low, excess_air_high : float
        Projected excess air [%]; below 0 is short of air.
    co_margin : float or None
        Least O2 above the measured CO edge [% dry]; None where no edge was measured.
    inside : bool or None
        Whether the whole span lies inside the band; None without a band.
    """

    combustion_air_temperature: float
    o2_low: float | None
    o2_high: float | None
    excess_air_low: float
    excess_air_high: float
    co_margin: float | None
    inside: bool | None


@dataclass(frozen=True, slots=True)
class SeasonProjection:
    """The setting over the year.

    Attributes
    ----------
    points : tuple of SeasonPoint
        In the order of the temperatures asked for.
    stays_inside : bool or None
        True when every point is inside the band, False when one is not, None without a band.
    co_margin_note : str
        Why no CO margin is stated; empty where it is.
    assumption : str
        What was assumed of the control.
    """

    points: tuple[SeasonPoint, ...]
    stays_inside: bool | None
    co_margin_note: str
    assumption: str


ASSUMPTIONS: dict[Control, str] = {
    "fixed_air": "fixed air volume: air follows its density, fuel stays",
    "ratio_governor": "ratio governor: both pressure drops stay equal, so the air ratio follows "
    "the square root of the air's density; the supply pressure of the gas is taken out",
    "oxygen_trim": "oxygen trim: O2 is held, as long as the trim has travel left",
    "unknown": "control not known: from oxygen held to fixed air volume",
}


def _dry_air_density(temperature: float, humidity: float, pressure: float) -> float:
    vapour = 0.01 * humidity * float(saturation_pressure_kernel(temperature))
    return (pressure - vapour) / (temperature + 273.15)


def air_ratio_factor(
    control: Literal["fixed_air", "ratio_governor", "oxygen_trim"],
    density_factor: float,
    heating_value_factor: float = 1.0,
    gas_pressure_factor: float = 1.0,
) -> float:
    """Return by how much the air ratio changes.

    Parameters
    ----------
    control : str
        The air-fuel control.
    density_factor : float
        Dry-air density over that at the setting [1].
    heating_value_factor : float
        Heating value of the gas per volume over that at the setting [1]; its air requirement per
        heat and its density are taken to stay.
    gas_pressure_factor : float
        Manifold gas pressure over that at the setting [1]; flow follows its square root.

    Returns
    -------
    float
        Factor [1].

    Notes
    -----
    Source: ideal gas and orifice law, common practice.

    Examples
    --------
    >>> round(air_ratio_factor("ratio_governor", 1.21), 3)
    1.1
    """
    for name, value in (
        ("density_factor", density_factor),
        ("heating_value_factor", heating_value_factor),
        ("gas_pressure_factor", gas_pressure_factor),
    ):
        if not 0.2 <= value <= 5.0:
            raise OutOfRange(name, value, f"{name} must be from 0.2 to 5")
    if control == "oxygen_trim":
        return 1.0
    if control == "ratio_governor":
        return math.sqrt(density_factor) / heating_value_factor
    return density_factor / (heating_value_factor * math.sqrt(gas_pressure_factor))


def project_season(
    fuel: Fuel,
    o2_dry: float,
    combustion_air_temperature: float,
    control: Control,
    air_temperatures: Sequence[float],
    co_dry: float = 0.0,
    band: tuple[float, float] | None = None,
    co_edge_o2: float | None = None,
    relative_humidity: float = 0.0,
    season_humidity: float = 0.0,
    heating_value_factor: float = 1.0,
    gas_pressure_factor: float = 1.0,
    barometric_pressure: float = STANDARD_PRESSURE,
) -> SeasonProjection:
    """Return where a setting wanders over the year's air temperatures.

    Parameters
    ----------
    fuel : Fuel
        What burns.
    o2_dry : float
        O2 as left [% dry].
    combustion_air_temperature : float
        Air temperature at the setting [degC].
    control : str
        ``fixed_air``, ``ratio_governor``, ``oxygen_trim`` or ``unknown``.
    air_temperatures : sequence of float
        Air temperatures of the year [degC], such as its coldest and hottest.
    co_dry : float
        CO as left [ppm dry].
    band : tuple of float or None
        O2 band of the limits [% dry].
    co_edge_o2 : float or None
        O2 at which CO passed its limit in trial points at this firing rate [% dry].
    relative_humidity, season_humidity : float
        Relative humidity at the setting and in the seasons [%].
    heating_value_factor, gas_pressure_factor : float
        See :func:`air_ratio_factor` [1].
    barometric_pressure : float
        Absolute pressure [Pa].

    Returns
    -------
    SeasonProjection
        A point per temperature.

    Raises
    ------
    OutOfRange
        For impossible inputs.

    Notes
    -----
    Fuel temperature, wind and chimney draft are taken to stay. A burner with fixed air, 5 % O2 at
    20 degC, has about 6.8 % at -10 degC.

    Source: ideal gas and orifice law, common practice.

    Examples
    --------
    >>> from combustion.fuels import FUELS
    >>> year = project_season(
    ...     FUELS["natural_gas"], 5.0, 20.0, "fixed_air", [-10.0, 35.0], band=(3.0, 6.0))
    >>> [round(point.o2_low, 1) for point in year.points], year.stays_inside
    ([6.8, 4.1], False)
    """
    if control not in ASSUMPTIONS:
        raise ValueError(f"control must be one of {', '.join(ASSUMPTIONS)}")
    for name, value, allowed in (
        ("o2_dry", o2_dry, O2),
        ("combustion_air_temperature", combustion_air_temperature, AIR),
        *(("air_temperatures", t, AIR) for t in air_temperatures),
    ):
        if not allowed.holds(value):
            raise OutOfRange(name, value, str(allowed.reason))
    start = float(lambda_from_o2(fuel, float(o2_dry), float(co_dry)))
    at_setting = _dry_air_density(
        combustion_air_temperature, relative_humidity, barometric_pressure
    )
    kinds: tuple[Literal["fixed_air", "ratio_governor", "oxygen_trim"], ...] = (
        ("oxygen_trim", "fixed_air") if control == "unknown" else (control,)
    )
    points = []
    for temperature in air_temperatures:
        density = _dry_air_density(temperature, season_humidity, barometric_pressure) / at_setting
        ratios = [
            start * air_ratio_factor(kind, density, heating_value_factor, gas_pressure_factor)
            for kind in kinds
        ]
        low, high = min(ratios), max(ratios)
        o2_low = _o2(fuel, low) if "oxygen_trim" not in kinds or low < start else float(o2_dry)
        o2_high = _o2(fuel, high) if "oxygen_trim" not in kinds or high > start else float(o2_dry)
        inside = None
        if band is not None:
            inside = (
                o2_low is not None
                and o2_high is not None
                and band[0] <= o2_low
                and o2_high <= band[1]
            )
        margin = None if co_edge_o2 is None or o2_low is None else o2_low - co_edge_o2
        points.append(
            SeasonPoint(
                temperature,
                o2_low,
                o2_high,
                100.0 * (low - 1.0),
                100.0 * (high - 1.0),
                margin,
                inside,
            )
        )
    note = "" if co_edge_o2 is not None else "the CO edge was not measured at this firing rate"
    stays = None if band is None else all(point.inside for point in points)
    return SeasonProjection(tuple(points), stays, note, ASSUMPTIONS[control])


def _o2(fuel: Fuel, air_ratio: float) -> float | None:
    return float(o2_from_lambda(fuel, air_ratio)) if air_ratio >= 1.0 else None
