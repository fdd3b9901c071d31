"""Bringing in what an office already has: its list of boilers, and past years' visits."""

from ingest.bring.boilers import BroughtBoiler, read_boilers
from ingest.bring.table import ImportProblem, ImportRefused, holds_readings
from ingest.bring.visits import BroughtVisit, read_visits
from ingest.bring.write import Brought, bring_boilers, bring_visits

__all__ = [
    "Brought",
    "BroughtBoiler",
    "BroughtVisit",
    "ImportProblem",
    "ImportRefused",
    "bring_boilers",
    "bring_visits",
    "holds_readings",
    "read_boilers",
    "read_visits",
]
