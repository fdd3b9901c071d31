"""A book with one site and one boiler, and readings to put into it."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from uuid import UUID

from ingest.identifiers import new_id
from ingest.intake import Intake, Statement
from ingest.models import Boiler, Site, Visit
from ingest.store import Book
from parsers import Reading

CLEAN = b"""O2 [%];CO [ppm];CO2 [%];Stack temperature [degC];Air temperature [degC]
4,5;12;9,3;180;20
5,0;10;9,0;160;20
5,6;9;8,7;140;20
6,4;14;8,2;120;20
"""
"""Four saved snapshots, high fire first."""
RATES = Statement(rates=(100.0, 75.0, 50.0, 25.0), phase="as_left")
DIRTY = CLEAN.replace(b"4,5;12;", b"4,5;900;")
"""The same with CO at high fire far beyond the limit at which a burner is stopped."""


def ticking(start: datetime = datetime(2026, 3, 4, 9, tzinfo=UTC)) -> Callable[[], datetime]:
    """Return a clock that goes on by one second with every look at it."""
    moment = start

    def look() -> datetime:
        nonlocal moment
        moment += timedelta(seconds=1)
        return moment

    return look


def open_book(folder: Path, name: str = "book.db") -> Book:
    """Return a new book with a clock of its own."""
    return Book(folder / name, clock=ticking())


def with_boiler(intake: Intake, **facts: object) -> Boiler:
    """Put a site and a boiler into the book."""
    site = intake.put_site(Site(name="Mill Lane"), "office").document
    boiler = Boiler.model_validate({"site_id": site.id, "name": "B-1", **facts})
    return intake.put_boiler(boiler, "office").document


def with_visit(intake: Intake, boiler: Boiler, **facts: object) -> UUID:
    """Put an open visit of the boiler into the book."""
    document = {
        "id": new_id(),
        "boiler_id": boiler.id,
        "started": datetime(2026, 3, 4, 8, tzinfo=UTC),
        "technician": "T. Hale",
        **facts,
    }
    visit = intake.put_visit(Visit.model_validate(document), "T. Hale").document
    assert visit.id is not None
    return visit.id


def reading(rate: float = 100.0, **values: float) -> Reading:
    """Return one as-left reading."""
    measured = {"o2_dry": 4.5, "co_dry": 12.0, "stack_temperature": 180.0, **values}
    return Reading(values=measured, firing_rate=rate, phase="as_left")
