"""Readings, firing points and visits as files for other programs."""

from ingest.export.cells import guarded, unguarded
from ingest.export.columns import KINDS, Kind, columns_of
from ingest.export.write import EVERYTHING, FORMATS, Format, NotInstalled, write_csv, write_export

__all__ = [
    "EVERYTHING",
    "FORMATS",
    "KINDS",
    "Format",
    "Kind",
    "NotInstalled",
    "columns_of",
    "guarded",
    "unguarded",
    "write_csv",
    "write_export",
]
