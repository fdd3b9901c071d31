"""Options that more than one command takes, each stated once: its name, its words, its setting."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

BookFile = Annotated[
    Path, typer.Option("--book", envvar="FLUEBOOK_BOOK", help="The book, one SQLite file.")
]
Answering = Annotated[str | None, typer.Option(help="Who answers for it; the login name.")]
PlansFolder = Annotated[
    Path | None, typer.Option(envvar="FLUEBOOK_PLANS", help="Folder of the office's plans.")
]
ShownUnits = Annotated[str, typer.Option(envvar="FLUEBOOK_UNITS", help="si or us.")]
Company = Annotated[str, typer.Option(envvar="FLUEBOOK_COMPANY", help="At its head.")]
Port = Annotated[int, typer.Option(min=0, max=65535, help="0 takes a free one.")]
MapName = Annotated[str, typer.Argument(help="Name of the map.")]

# What is stated about readings, and how their file is to be read.

Rates = Annotated[str | None, typer.Option(help="Firing rates in file order: 100,75,50.")]
Phase = Annotated[str | None, typer.Option(help="as-found, trial or as-left.")]
Fuel = Annotated[str | None, typer.Option(help="Fuel of all readings.")]
Lines = Annotated[
    list[str] | None, typer.Option(help="Lines to rate, phase, fuel: 5-8=100,as-left.")
]
Unit = Annotated[
    list[str] | None, typer.Option(help="Unit of a column without one: stack_temperature=degF.")
]
SiteZone = Annotated[
    str | None, typer.Option(help="Zone of times without offset, such as Europe/Berlin.")
]
DayFirst = Annotated[
    bool | None, typer.Option("--day-first/--month-first", help="03/04: 3 April, or 4 March.")
]
Decimal = Annotated[str | None, typer.Option(help="Decimal mark, comma or point.")]
MapFile = Annotated[Path | None, typer.Option("--map", help="A taught map (Table Schema, JSON).")]

# Likewise for readings in a folder, some of which may state their own.

FolderRates = Annotated[str | None, typer.Option(help="Of readings that state none: 100,75,50,25.")]
FolderPhase = Annotated[str | None, typer.Option(help="Likewise: as-found, trial or as-left.")]
