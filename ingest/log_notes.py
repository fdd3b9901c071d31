"""What was decided when a continuous log was cut, for the person who looks at it: kept with it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta

from parsers.clock_change import told_twice


def notes_of(
    started: datetime,
    seconds: float,
    marks: Sequence[str],
    percents: Mapping[str, float] | None,
    rates: Sequence[float],
) -> list[str]:
    """Return the notes on a log, each a sentence in English.

    Parameters
    ----------
    started, seconds
        Its first moment and how long it lasts [s].
    marks, percents
        Marks that stand for its firing rates, and the percent they were taken for, if any.
    rates
        Firing rates of the boiler [%].
    """
    out = []
    if marks:
        out.append(_of_marks(marks, percents, rates))
    if told_twice(started) and told_twice(started + timedelta(seconds=seconds)):
        first, second = (f"{started.replace(fold=f):%z}" for f in (0, 1))
        first, second = (f"{z[:3]}:{z[3:]}" for z in (first, second))
        out.append(
            "The whole log lies in the hour that the clock shows twice when it is put back; it is "
            f"taken for the first of the two (UTC{first}). If it was the second, withdraw it and "
            f"hand it over again with the zone {second} stated."
        )
    return out


def _of_marks(
    marks: Sequence[str], percents: Mapping[str, float] | None, rates: Sequence[float]
) -> str:
    shown = ", ".join(marks)
    if percents:
        taken = ", ".join(f"{mark} = {rate:g} %" for mark, rate in percents.items())
        return (
            "The log records its firing rate by marks and not in percent; by the firing rates of "
            f"the boiler they are taken as {taken}."
        )
    if len(rates) < 2:
        return (
            f"The log records its firing rate by marks ({shown}) and not in percent, and no firing "
            "rates of the boiler are known to tell them by: it is cut without them."
        )
    listed = ", ".join(f"{r:g}" for r in sorted(rates))
    return (
        f"The log records its firing rate by marks ({shown}) and not in percent, and the firing "
        f"rates of the boiler ({listed} %) do not settle which they are: it is cut without them."
    )
