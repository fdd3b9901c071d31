"""``fluebook read FILE --cut``: the proposed cut of a continuous log as a table.

Nothing is stored and nothing judged: it shows what would be asked about. The same cut, made
correctable, is on the visit's page once the log is handed over there.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import timedelta

from rich.markup import escape
from rich.table import Table

from combustion.quantities import QUANTITIES
from ingest.log_notes import notes_of
from parsers import ReadResult
from parsers.cut_points import (
    JUDGED_BASES,
    burners_of,
    log_of_readings,
    proposed_phases,
    why_no_log,
)
from parsers.plateaus import propose_cut
from parsers.segments import CutOptions, Segment

_FIGURES = ("o2_dry", "co2_dry", "co_dry", "stack_temperature")


def cut_table(
    result: ReadResult,
    rates: Sequence[float] = (),
    percents: Mapping[str, float] | None = None,
    *,
    response_time: float | None = None,
) -> tuple[Table | None, str]:
    """Return the table of a log's cut, None where it is no log, and what is to be said about it.

    Parameters
    ----------
    result : ReadResult
        The log as it was read.
    rates : sequence of float, optional
        The rates that the boiler is tested at [%].
    percents : mapping of str to float, optional
        Percent of the marks by which the log records its firing rate, as it was read.
    response_time : float, optional
        Of the instrument, to 90 % of a step [s]; estimated where it is not stated.
    """
    started, times, columns, timed = log_of_readings(result.readings)
    if started is None or len(timed) < 2:
        why, start_helps = why_no_log(result.warnings)
        step = (
            "State when it started: --started 2026-03-04T09:30."
            if start_helps
            else "Export the log with its times."
        )
        return None, f"{why}, so it cannot be cut as a continuous log. {step}"
    burners = burners_of(timed)
    if len(burners) > 1:
        said = f"it is of several burners: {', '.join(burners)}"
        return None, f"{said}. Cut a log of each burner on its own."
    segments = propose_cut(times, columns, rates, options=CutOptions(response_time=response_time))
    phases = proposed_phases(segments)
    plateaus = [s for s in segments if s.kind == "plateau"]
    keys = [k for k in _FIGURES if any(k in s.values for s in plateaus)]
    table = Table(title=f"{escape(result.name)}: proposed cut", title_justify="left")
    for title in ("from", "to", "what"):
        table.add_column(title)
    table.add_column("rate %", justify="right")
    table.add_column("rate known from")
    table.add_column("phase")
    for key in keys:
        table.add_column(f"{QUANTITIES[key].label}\n{QUANTITIES[key].unit}", justify="right")
    table.add_column("settled")
    table.add_column("seen from")
    for s in segments:
        begin, end = (started + timedelta(seconds=t) for t in (s.start, s.end))
        table.add_row(
            f"{begin:%H:%M:%S}",
            f"{end:%H:%M:%S}",
            s.kind.replace("_", "-"),
            _rate(s),
            (s.rate_basis or "").replace("_", " "),
            phases.get(s.start, "").replace("_", " "),
            *(_figure(s, key) for key in keys),
            "" if s.kind != "plateau" else "yes" if s.settled else "no",
            escape(s.why),
        )
    notes = notes_of(started, float(times[-1]), result.rate_marks, percents, rates)
    return table, " ".join((_said(plateaus, len(segments), bool(phases)), *notes))


def _rate(s: Segment) -> str:
    if s.firing_rate is None:
        return "?" if s.kind == "plateau" else ""
    return f"{s.firing_rate:g}" + ("" if s.rate_basis in JUDGED_BASES else "?")


def _figure(s: Segment, key: str) -> str:
    value = s.values.get(key)
    if value is None:
        return ""
    text = f"{value.mean:.{QUANTITIES[key].decimals}f}"
    return text if value.settled else f"~{text}"


def _said(plateaus: Sequence[Segment], stretches: int, phased: bool) -> str:
    if not stretches:
        return "Nothing to cut by: too few samples, or no quantity that answers the firing rate."
    if not plateaus:
        return "No plateau was found, and nothing is guessed."
    open_ones = sum(s.rate_basis not in JUDGED_BASES for s in plateaus)
    said = f"{len(plateaus)} plateaus."
    if open_ones:
        said += f" The firing rate of {open_ones} is not sure: a person has to confirm or name it."
    if not phased:
        said += " The log shows no adjustment: whether as found or as left has to be stated."
    return said
