"""Why a computed value is missing, row by row: one bit per fault, one mask per output.

A million rows carry their reasons in four bytes each; the sentences are looked up when somebody
asks for a row.
"""

from __future__ import annotations

from enum import IntFlag
from functools import lru_cache
from types import MappingProxyType

from combustion.refusals import Reason


class Fault(IntFlag):
    """What is wrong with one row of inputs."""

    FUEL = 1
    O2_MISSING = 2
    O2 = 4
    CO2 = 8
    CO_MISSING = 16
    CO = 32
    STACK_MISSING = 64
    STACK = 128
    AIR_MISSING = 256
    AIR = 512
    COLDER = 1024
    HUMIDITY = 2048
    PRESSURE = 4096
    ALTITUDE = 8192
    O2_DILUTED = 16384
    NO_MISSING = 32768
    NO = 65536
    NOX_MISSING = 131072
    NOX = 262144
    NOT_A_NUMBER = 524288


SENTENCES: MappingProxyType[Fault, str] = MappingProxyType(
    {
        Fault.FUEL: "the fuel is missing or not understood",
        Fault.O2_MISSING: "neither O2 nor CO2 was measured",
        Fault.O2: str(Reason.O2),
        Fault.CO2: str(Reason.CO2),
        Fault.CO_MISSING: "CO was not measured",
        Fault.CO: str(Reason.CO),
        Fault.STACK_MISSING: "stack temperature was not measured",
        Fault.STACK: str(Reason.STACK),
        Fault.AIR_MISSING: "combustion air temperature was not measured",
        Fault.AIR: str(Reason.AIR),
        Fault.COLDER: str(Reason.COLDER),
        Fault.HUMIDITY: str(Reason.HUMIDITY),
        Fault.PRESSURE: str(Reason.PRESSURE),
        Fault.ALTITUDE: str(Reason.ALTITUDE),
        Fault.O2_DILUTED: str(Reason.O2_DILUTED),
        Fault.NO_MISSING: "NO was not measured",
        Fault.NO: "NO and NO2 must be from 0 to 100000 ppm",
        Fault.NOX_MISSING: "NOx needs NO and NO2, or NO with a stated share of NO2",
        Fault.NOX: "NOx must be from 0 to 100000 ppm",
        Fault.NOT_A_NUMBER: "an input is not a finite number",
    }
)

_BALANCE = Fault.FUEL | Fault.O2_MISSING | Fault.O2 | Fault.CO2 | Fault.CO
_SCALED = Fault.O2_MISSING | Fault.O2 | Fault.CO2  # needs no fuel where O2 was measured
_PLACE = Fault.HUMIDITY | Fault.PRESSURE | Fault.ALTITUDE
_STACK = Fault.STACK_MISSING | Fault.STACK
_AIR = Fault.AIR_MISSING | Fault.AIR
_HEAT = _BALANCE | _PLACE | _STACK | _AIR | Fault.COLDER
_NO = Fault.NO_MISSING | Fault.NO
_NOX = Fault.NOX_MISSING | Fault.NOX | Fault.NO
_CO = Fault.CO_MISSING | Fault.CO

REFUSED_BY: MappingProxyType[str, Fault] = MappingProxyType(
    {
        "excess_air": _BALANCE,
        "lambda": _BALANCE,
        "co2_dry": _BALANCE,
        "o2_dry": _BALANCE,
        "co2_ultimate": Fault.FUEL,
        "co_air_free": _SCALED | _CO | Fault.O2_DILUTED,
        "co_air_free_exact": _BALANCE | _CO,
        "co_at_3_o2": _SCALED | _CO,
        "no_at_3_o2": _SCALED | _NO,
        "nox_at_3_o2": _SCALED | _NOX,
        "nox_lb_per_mmbtu": _BALANCE | _NOX,
        "nox_ng_per_j": _BALANCE | _NOX,
        "net_stack_temperature": _STACK | _AIR | Fault.COLDER,
        # The dew point needs the temperature of the air only where its humidity is given.
        "water_dew_point": _BALANCE | _PLACE | Fault.AIR,
        "condensed_share_of_combustion_water": _BALANCE
        | _PLACE
        | _STACK
        | Fault.AIR
        | Fault.COLDER,
        "condensate_kg_per_kwh_gross": _BALANCE | _PLACE | _STACK | Fault.AIR | Fault.COLDER,
        "loss_sensible_gross": _HEAT,
        "loss_latent_gross": Fault.FUEL,
        "loss_co_gross": _BALANCE | Fault.CO_MISSING,
        "efficiency_gross": _HEAT,
        "efficiency_net": _HEAT,
        "efficiency_gross_condensing": _HEAT,
        "efficiency_net_condensing": _HEAT,
        "efficiency_gross_with_co": _HEAT | Fault.CO_MISSING,
        "efficiency_net_with_co": _HEAT | Fault.CO_MISSING,
        "efficiency_gross_condensing_with_co": _HEAT | Fault.CO_MISSING,
        "efficiency_net_condensing_with_co": _HEAT | Fault.CO_MISSING,
    }
)
"""Which faults make which output missing; its keys are the outputs, in their order."""


@lru_cache(maxsize=65536)
def reason(key: str, faults: int) -> str | None:
    """Return why an output of a row is missing, or None where it is not.

    >>> reason("co_air_free", Fault.O2_DILUTED)
    'O2 above 15 %: the sample is too diluted to scale CO to no excess air'
    >>> reason("excess_air", Fault.STACK_MISSING) is None
    True
    """
    faults = int(faults)
    found = int(REFUSED_BY[key]) & faults
    if not found:
        return None
    return "; ".join(SENTENCES[fault] for fault in Fault if int(fault) & found)


@lru_cache(maxsize=4096)
def reasons(faults: int) -> tuple[tuple[str, str], ...]:
    """Return every output that the faults make missing, with its reason.

    Few combinations of faults occur in a table, however long: each is spelt out once.

    >>> reasons(0)
    ()
    """
    found = ((key, reason(key, faults)) for key in REFUSED_BY)
    return tuple((key, why) for key, why in found if why is not None)
