"""Fuel saved or lost in a year between two sets of efficiencies at a stated load and price."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from combustion.refusals import OutOfRange


@dataclass(frozen=True, slots=True)
class LoadBand:
    """Hours a year at one firing rate.

    Attributes
    ----------
    hours : float
        Hours a year [h].
    heat_input : float
        Gross heat input before the change [kW].
    efficiency_before, efficiency_after : float
        Same basis, above 0 [%].
    u_efficiency_change : float
        Standard uncertainty of their difference [percentage points].
    """

    hours: float
    heat_input: float
    efficiency_before: float
    efficiency_after: float
    u_efficiency_change: float = 0.0


@dataclass(frozen=True, slots=True)
class YearlySaving:
    """Fuel and money a year; negative where more is burnt than before.

    Attributes
    ----------
    fuel_before, fuel_saved : float
        Gross heat of the fuel [kWh/a].
    money_saved : float
        In the currency of the price [1/a].
    u_fuel_saved, u_money_saved : float
        Standard uncertainties.
    """

    fuel_before: float
    fuel_saved: float
    money_saved: float
    u_fuel_saved: float
    u_money_saved: float


def yearly_saving(bands: Sequence[LoadBand], price_per_kwh_gross: float) -> YearlySaving:
    """Return what the change of efficiency is worth, the useful heat being the same.

    Parameters
    ----------
    bands : sequence of LoadBand
        The load profile; hours sum to at most 8784.
    price_per_kwh_gross : float
        Fuel price per gross heat [currency/kWh].

    Returns
    -------
    YearlySaving
        Summed over the bands.

    Raises
    ------
    OutOfRange
        For negative hours, inputs or price, an efficiency at or below 0 or above 115 %, or more
        hours than a year has.

    Notes
    -----
    Per band ``fuel * (1 - before / after)``. Losses of the jacket and of standstill are not in it.
    The errors of one analyzer are shared by all bands: their contributions add, not their squares.

    Source: heat balance; the worked saving of US DOE Steam Tip Sheet 4 (quoted) has this form.

    Examples
    --------
    >>> saving = yearly_saving([LoadBand(4000.0, 1000.0, 78.2, 83.1)], 0.03)
    >>> round(saving.fuel_saved), round(saving.money_saved)
    (235860, 7076)
    """
    if not price_per_kwh_gross >= 0.0:
        raise OutOfRange("price_per_kwh_gross", price_per_kwh_gross, "a price is not negative")
    if not sum(band.hours for band in bands) <= 8784.0:
        raise OutOfRange("hours", None, "the load profile has more hours than a year")
    before = saved = spread = 0.0
    for band in bands:
        if not (band.hours >= 0.0 and band.heat_input >= 0.0):
            raise OutOfRange("hours", band.hours, "hours and heat input must not be negative")
        for efficiency in (band.efficiency_before, band.efficiency_after):
            if not 0.0 < efficiency <= 115.0:
                raise OutOfRange(
                    "efficiency", efficiency, "efficiency must be above 0 and at most 115 %"
                )
        fuel = band.hours * band.heat_input
        before += fuel
        saved += fuel * (1.0 - band.efficiency_before / band.efficiency_after)
        spread += fuel * band.u_efficiency_change / band.efficiency_after
    if not math.isfinite(saved):
        raise OutOfRange("heat_input", None, "the load profile is not finite")
    return YearlySaving(
        fuel_before=before,
        fuel_saved=saved,
        money_saved=saved * price_per_kwh_gross,
        u_fuel_saved=spread,
        u_money_saved=spread * price_per_kwh_gross,
    )
