"""What a person states on the command line about readings: rates, phase, lines, units, dates.

The commands that take a reading file share these options and their words; wrong usage ends with
status 64.
"""

from __future__ import annotations

import os
import re
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import typer

from combustion.quantities import MEASURED
from parsers import PHASES, LineRange, Phase, ReadOptions
from parsers.maps import ColumnMap, map_from_json

USAGE = 64


def usage(message: str) -> typer.Exit:
    """Say what is wrong with the call; the exit to raise."""
    typer.echo(message, err=True)
    return typer.Exit(USAGE)


def maps_folder() -> Path:
    """Return the folder of saved maps: ``FLUEBOOK_MAPS``, else the user's own settings folder."""
    named = os.environ.get("FLUEBOOK_MAPS")
    return Path(named) if named else Path(typer.get_app_dir("fluebook")) / "maps"


def saved_maps() -> tuple[ColumnMap, ...]:
    """Return the saved maps that are whole; a broken one is skipped here and shown by ``list``."""
    found = []
    for path in sorted(maps_folder().glob("*.json")):
        try:
            found.append(map_from_json(path.read_text(encoding="utf-8")))
        except ValueError:
            continue
    return tuple(found)


def phase_stated(text: str | None) -> Phase | None:
    """Return the phase of an option such as ``as-left``; wrong usage where it is none."""
    if text is None:
        return None
    named = text.replace("-", "_").replace(" ", "_").casefold()
    for phase in PHASES:
        if phase == named:
            return phase
    raise usage(f"--phase {text!r}: expected as-found, trial or as-left")


def rates_stated(text: str | None) -> list[float] | None:
    """Return the rates of an option such as ``100,75,50``."""
    if text is None:
        return None
    try:
        return [float(part) for part in re.split(r"[,;\s]+", text.strip()) if part]
    except ValueError as error:
        raise usage(f"--rates {text!r}: expected numbers such as 100,75,50,25") from error


def line_range_stated(text: str) -> LineRange:
    """Return the range of an option such as ``5-8=100,as-left,natural_gas``."""
    match = re.fullmatch(r"\s*(\d+)(?:-(\d+))?\s*=\s*(.*)", text)
    if match is None:
        raise usage(
            f"--lines {text!r}: expected such as 5-8=100,as-left or 5-8=100,as-left,propane"
        )
    first, last = int(match[1]), int(match[2] or match[1])
    made = LineRange(first, last)
    for part in (p.strip() for p in match[3].split(",") if p.strip()):
        if re.fullmatch(r"\d+(\.\d+)?", part):
            made = replace(made, firing_rate=float(part))
        elif part.replace("-", "_").casefold() in PHASES:
            made = replace(made, phase=phase_stated(part))
        else:
            made = replace(made, fuel=part)
    return made


def units_stated(given: list[str]) -> dict[str, str]:
    """Return units by quantity of options such as ``stack_temperature=degF``."""
    units = {}
    for text in given:
        key, _, unit = text.partition("=")
        if key not in MEASURED or not unit:
            raise usage(f"--unit {text!r}: expected QUANTITY=UNIT, such as stack_temperature=degF")
        units[key] = unit
    return units


def zone_stated(text: str | None) -> str | None:
    """Return an offset or an IANA zone that exists; wrong usage where it does not."""
    if text is None:
        return None
    from parsers.times import stated_zone

    try:
        stated_zone(text)
    except (KeyError, ValueError, OSError) as error:
        expected = "a zone such as Europe/Berlin or +01:00"
        raise usage(f"--site-zone {text!r}: expected {expected}") from error
    return text


def options_stated(
    *,
    unit: list[str] | None = None,
    site_zone: str | None = None,
    day_first: bool | None = None,
    decimal: str | None = None,
    map_file: Path | None = None,
    started: str | None = None,
) -> ReadOptions:
    """Return how to read, from the options of a command, with the saved maps at hand."""
    if decimal not in (None, ",", "."):
        raise usage("--decimal: expected , or .")
    try:
        named = None if map_file is None else map_from_json(map_file.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise usage(f"--map {map_file}: {error}") from error
    try:
        start = None if started is None else datetime.fromisoformat(started)
    except ValueError as error:
        raise usage(f"--started {started!r}: expected such as 2026-03-04T09:30") from error
    return ReadOptions(
        started=start,
        site_zone=zone_stated(site_zone),
        day_first=day_first,
        decimal=decimal,
        map=named,
        maps=saved_maps(),
        units=units_stated(unit or []),
    )
