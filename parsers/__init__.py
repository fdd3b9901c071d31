"""Bytes and text into readings of one schema: dialects, headings, units, tickets, learned maps."""

from parsers.document import read_json
from parsers.errors import (
    AmbiguousInput,
    EmptyInput,
    MapDoesNotFit,
    NotAnAnalyzerFile,
    PointsUnclear,
    Problem,
    ReadError,
    TooLarge,
    UnitsMissing,
)
from parsers.model import (
    PHASES,
    Bound,
    Column,
    LineCount,
    NotRead,
    Phase,
    Reading,
    ReadResult,
    ReadWarning,
)
from parsers.options import ReadOptions
from parsers.points import (
    FiringPoint,
    LineRange,
    PointKey,
    Settled,
    assign,
    firing_points,
    refuse_unclear,
)
from parsers.reader import read

__all__ = [
    "PHASES",
    "AmbiguousInput",
    "Bound",
    "Column",
    "EmptyInput",
    "FiringPoint",
    "LineCount",
    "LineRange",
    "MapDoesNotFit",
    "NotAnAnalyzerFile",
    "NotRead",
    "Phase",
    "PointKey",
    "PointsUnclear",
    "Problem",
    "ReadError",
    "ReadOptions",
    "ReadResult",
    "ReadWarning",
    "Reading",
    "Settled",
    "TooLarge",
    "UnitsMissing",
    "assign",
    "firing_points",
    "read",
    "read_json",
    "refuse_unclear",
]
