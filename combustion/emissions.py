"""Concentrations on other bases, and emission per heat.

Two families stand side by side and are never mixed: the *published* forms, written with 20.9 % and
tabulated fuel factors, and the *exact* ones from the atom balance of the fuel at hand. The keys and
function names tell them apart.
"""

from __future__ import annotations

from combustion.fuels import Fuel
from combustion.refusals import (
    AMBIENT_O2,
    CO,
    O2,
    O2_UNDILUTED,
    PPM,
    Range,
    Value,
    guarded,
)
from combustion.stoichiometry import dry_gas_from_o2

MOLAR_MASS_CO = 28.0101
MOLAR_MASS_NO2 = 46.0055
"""[g/mol]; NOx is always counted as the mass of NO2, whatever the share of NO in it."""

MOLAR_MASS_GAS = {"CO": MOLAR_MASS_CO, "NO": 30.0061, "NO2": MOLAR_MASS_NO2, "SO2": 64.0638}

MOLAR_VOLUME_0C = 22.413970
"""Ideal gas at 0 degC and 101325 Pa [L/mol]: the conditions of every mg/m3 here."""

LB_PER_MMBTU_PER_NG_PER_J = 1055.05585262e6 / 453.59237e9
"""1 ng/J is 0.002326 lb per million Btu (International Table)."""

# 40 CFR 60 App. A-7, Method 19, Table 19-2: dry factor Fd at 68 degF and 29.92 inHg
# [dscf/10^6 Btu]; gases quoted, oil memory.
FD: dict[str, float] = {
    "natural_gas": 8710.0,
    "propane": 8710.0,
    "butane": 8710.0,
    "oil": 9190.0,
}

# lb/dscf per ppm of NOx as NO2: 40 CFR 60 App. A-7, Method 19, Table 19-1 (read); CO by the same
# molar volume.
NOX_LB_PER_DSCF_PPM = 1.194e-7
CO_LB_PER_DSCF_PPM = NOX_LB_PER_DSCF_PPM * MOLAR_MASS_CO / MOLAR_MASS_NO2

SHARE = Range(0.0, 100.0, "%", "share of NO2 must be from 0 to below 100 % of NOx", open_high=True)


@guarded(co_dry=CO, o2_dry=O2_UNDILUTED)
def co_air_free(co_dry: Value, o2_dry: Value) -> Value:
    """Return CO scaled to no excess air, the form that limits refer to.

    Parameters
    ----------
    co_dry : float or array
        CO [ppm dry].
    o2_dry : float or array
        O2 [% dry], 0 to 15.

    Returns
    -------
    float or array
        CO [ppm air-free].

    Raises
    ------
    OutOfRange
        In scalar calls above 15 % O2, where a small error of O2 is blown up beyond use; columns
        get NaN.

    Notes
    -----
    ``CO * 20.9 / (20.9 - O2)``. At 5 % O2 an O2 reading 0.3 too high adds 2 %.

    Source: the trade's standard form (memory); some texts write 21.

    Examples
    --------
    >>> round(co_air_free(76.0, 5.0), 1)
    99.9
    """
    return co_dry * AMBIENT_O2 / (AMBIENT_O2 - o2_dry)


@guarded(co_dry=CO, o2_dry=O2)
def co_air_free_exact(fuel: Fuel, co_dry: Value, o2_dry: Value) -> Value:
    """Return the CO per dry stoichiometric flue gas by the atom balance.

    Parameters
    ----------
    fuel : Fuel
        What burns.
    co_dry : float or array
        CO [ppm dry].
    o2_dry : float or array
        O2 [% dry], 0 to below 20.9.

    Returns
    -------
    float or array
        CO [ppm of the dry gas of complete combustion without excess air].

    Notes
    -----
    ``CO * dry / dry_stoichiometric``; equals :func:`co_air_free` but for the O2 that the CO left
    unused and for 20.939 in place of 20.9.

    Source: element balance.

    Examples
    --------
    >>> from combustion.fuels import FUELS
    >>> round(co_air_free_exact(FUELS["natural_gas"], 76.0, 5.0), 1)
    99.8
    """
    return co_dry * dry_gas_from_o2(fuel, o2_dry, co_dry) / fuel.dry_products


@guarded(concentration=PPM, o2_dry=O2)
def at_reference_o2(
    concentration: Value, o2_dry: Value, reference_o2: float = 3.0, ambient_o2: float = AMBIENT_O2
) -> Value:
    """Return a concentration scaled to a reference O2.

    Parameters
    ----------
    concentration : float or array
        Any gas but O2 [ppm dry], mg/m3 too.
    o2_dry : float or array
        O2 [% dry], 0 to below 20.9.
    reference_o2 : float
        Reference O2 [% dry].
    ambient_o2 : float
        O2 of ambient air in the rule at hand [% dry]: 20.9, or 21.

    Returns
    -------
    float or array
        Concentration at the reference O2, in the unit given.

    Notes
    -----
    ``C * (20.9 - ref) / (20.9 - O2)``.

    Source: 40 CFR 60.3076(a), there with ref = 7 (read).

    Examples
    --------
    >>> at_reference_o2(100.0, 3.0)
    100.0
    >>> round(at_reference_o2(100.0, 9.0, 3.0), 1)
    150.4
    """
    if not 0.0 <= reference_o2 < ambient_o2:
        raise ValueError(f"reference O2 must be from 0 to below {ambient_o2:g} %")
    return concentration * (ambient_o2 - reference_o2) / (ambient_o2 - o2_dry)


@guarded(no_dry=PPM, no2_dry=PPM)
def nox_from_no_and_no2(no_dry: Value, no2_dry: Value) -> Value:
    """Return NOx as the sum of NO and NO2.

    Parameters
    ----------
    no_dry, no2_dry : float or array
        Concentrations [ppm dry].

    Returns
    -------
    float or array
        NOx [ppm dry].

    Notes
    -----
    Source: definition.

    Examples
    --------
    >>> nox_from_no_and_no2(40.0, 2.0)
    42.0
    """
    return no_dry + no2_dry


@guarded(no_dry=PPM, no2_share_percent=SHARE)
def nox_from_no(no_dry: Value, no2_share_percent: Value) -> Value:
    """Return NOx from NO alone, by an assumed share of NO2 that must be stated and shown.

    Parameters
    ----------
    no_dry : float or array
        NO [ppm dry].
    no2_share_percent : float or array
        Assumed NO2 in NOx [%]; 5 is common practice, condensing and surface burners have more.

    Returns
    -------
    float or array
        NOx [ppm dry].

    Notes
    -----
    ``NO / (1 - share)``. There is no default: an assumption must be made by someone.

    Source: definition; the share is common practice.

    Examples
    --------
    >>> nox_from_no(38.0, 5.0)
    40.0
    """
    return no_dry / (1.0 - 0.01 * no2_share_percent)


@guarded(concentration=PPM)
def mg_per_m3(gas: str, concentration: Value) -> Value:
    """Return mass per volume at 0 degC and 101325 Pa, dry, at the O2 as measured.

    Parameters
    ----------
    gas : str
        ``"CO"``, ``"NO"``, ``"NO2"`` or ``"SO2"``; NOx is counted as ``"NO2"``.
    concentration : float or array
        Concentration [ppm dry].

    Returns
    -------
    float or array
        [mg/m3 dry at 0 degC and 1 atm].

    Notes
    -----
    ``ppm * M / 22.41397``. Source: ideal gas.

    Examples
    --------
    >>> round(mg_per_m3("NO2", 100.0), 1)
    205.3
    """
    return concentration * (MOLAR_MASS_GAS[gas] / MOLAR_VOLUME_0C)


@guarded(concentration=PPM, o2_dry=O2, co_dry=CO)
def ng_per_j_gross(
    fuel: Fuel, gas: str, concentration: Value, o2_dry: Value, co_dry: Value = 0.0
) -> Value:
    """Return the mass emitted per gross heat input by the exact balance.

    Parameters
    ----------
    fuel : Fuel
        What burns.
    gas : str
        ``"CO"``, ``"NO"``, ``"NO2"`` or ``"SO2"``; NOx is counted as ``"NO2"``.
    concentration : float or array
        Concentration of that gas [ppm dry].
    o2_dry : float or array
        O2 [% dry], 0 to below 20.9.
    co_dry : float or array
        CO [ppm dry], for the balance.

    Returns
    -------
    float or array
        [ng/J gross].

    Notes
    -----
    ``ppm * dry gas per unit * M / gross``. Source: element balance.

    Examples
    --------
    >>> from combustion.fuels import FUELS
    >>> round(ng_per_j_gross(FUELS["natural_gas"], "NO2", 30.0, 3.0), 1)
    15.5
    """
    dry = dry_gas_from_o2(fuel, o2_dry, co_dry)
    return concentration * dry * (MOLAR_MASS_GAS[gas] / fuel.gross)


@guarded(rate=Range(0.0, 1e9, "ng/J", "an emission rate must not be negative"))
def lb_per_mmbtu(rate: Value) -> Value:
    """Return an emission rate in pounds per million Btu.

    Parameters
    ----------
    rate : float or array
        [ng/J].

    Returns
    -------
    float or array
        [lb/MMBtu], on the same heating value as the rate.

    Notes
    -----
    Source: definition of the International Table Btu and of the pound.

    Examples
    --------
    >>> round(lb_per_mmbtu(43.0), 3)
    0.1
    """
    return rate * LB_PER_MMBTU_PER_NG_PER_J


@guarded(rate=Range(0.0, 1e9, "ng/J", "an emission rate must not be negative"))
def mg_per_kwh(rate: Value) -> Value:
    """Return an emission rate in milligrams per kilowatt hour.

    Parameters
    ----------
    rate : float or array
        [ng/J].

    Returns
    -------
    float or array
        [mg/kWh], on the same heating value as the rate; net is gross times gross over net.

    Notes
    -----
    Source: 1 kWh = 3.6 MJ.

    Examples
    --------
    >>> mg_per_kwh(10.0)
    36.0
    """
    return rate * 3.6


@guarded(nox_dry=PPM, o2_dry=O2)
def nox_lb_per_mmbtu_by_f_factor(nox_dry: Value, o2_dry: Value, fd: float) -> Value:
    """Return the NOx rate by the published dry fuel factor.

    Parameters
    ----------
    nox_dry : float or array
        NOx [ppm dry].
    o2_dry : float or array
        O2 [% dry], 0 to below 20.9.
    fd : float
        Dry factor [dscf/MMBtu], a value of ``FD``.

    Returns
    -------
    float or array
        NOx as NO2 [lb/MMBtu gross].

    Notes
    -----
    ``C * Fd * 20.9 / (20.9 - O2)``, C = 1.194e-7 lb/dscf per ppm.

    Source: 40 CFR 60 App. A-7, Method 19 (read); Fd quoted.

    Examples
    --------
    >>> round(nox_lb_per_mmbtu_by_f_factor(30.0, 3.0, FD["natural_gas"]), 4)
    0.0364
    """
    return nox_dry * NOX_LB_PER_DSCF_PPM * fd * AMBIENT_O2 / (AMBIENT_O2 - o2_dry)


@guarded(co_dry=CO, o2_dry=O2)
def co_lb_per_mmbtu_by_f_factor(co_dry: Value, o2_dry: Value, fd: float) -> Value:
    """Return the CO rate by the published dry fuel factor.

    Parameters
    ----------
    co_dry : float or array
        CO [ppm dry].
    o2_dry : float or array
        O2 [% dry], 0 to below 20.9.
    fd : float
        Dry factor [dscf/MMBtu], a value of ``FD``.

    Returns
    -------
    float or array
        CO [lb/MMBtu gross].

    Notes
    -----
    As for NOx, the mass per ppm scaled by the molar masses.

    Source: 40 CFR 60 App. A-7, Method 19 (read for the form).

    Examples
    --------
    >>> round(co_lb_per_mmbtu_by_f_factor(50.0, 3.0, FD["natural_gas"]), 4)
    0.037
    """
    return co_dry * CO_LB_PER_DSCF_PPM * fd * AMBIENT_O2 / (AMBIENT_O2 - o2_dry)


def fd_from_ultimate_analysis(
    carbon: float, hydrogen: float, sulphur: float, nitrogen: float, oxygen: float, gross: float
) -> float:
    """Return the dry fuel factor from an ultimate analysis.

    Parameters
    ----------
    carbon, hydrogen, sulphur, nitrogen, oxygen : float
        Shares [mass %].
    gross : float
        Gross heating value [Btu/lb].

    Returns
    -------
    float
        Fd [dscf/MMBtu].

    Notes
    -----
    ``1e6 (3.64 H + 1.53 C + 0.57 S + 0.14 N - 0.46 O) / gross``.

    Source: 40 CFR 60 App. A-7, Method 19, equation 19-13 (quoted).

    Examples
    --------
    >>> round(fd_from_ultimate_analysis(74.87, 25.13, 0.0, 0.0, 0.0, 23_880.0))
    8627
    """
    volume = 3.64 * hydrogen + 1.53 * carbon + 0.57 * sulphur + 0.14 * nitrogen - 0.46 * oxygen
    return 1e6 * volume / gross
