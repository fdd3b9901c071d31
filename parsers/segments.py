"""What a continuous log is cut into, and what may be said before cutting."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from parsers.points import Settled

SegmentKind = Literal["plateau", "ramp", "light_off", "purge", "off", "air"]
RateBasis = Literal["file", "proposed", "two_signals", "confirmed"]

NO_SAMPLE = "no sample was read"
"""Why a stretch is no plateau in which nobody knows what the burner did: points end there."""


@dataclass(frozen=True, slots=True)
class CutOptions:
    """What is known about the instrument and the log.

    ``response_time`` is the time to 90 % of a step [s], None to estimate it from the log;
    ``signals`` the quantities to cut by, None for all that answer the firing rate.
    """

    response_time: float | None = None
    signals: tuple[str, ...] | None = None


@dataclass(frozen=True, slots=True)
class Segment:
    """One stretch of a log, ``start`` to ``end`` in the log's seconds.

    ``values`` are the figures of a plateau, each taken from ``settled_from``; ``firing_rate``
    counts only with the basis beside it. ``why`` says in words what the kind was seen from.
    """

    kind: SegmentKind
    start: float
    end: float
    values: Mapping[str, Settled] = field(default_factory=dict)
    settled_from: Mapping[str, float] = field(default_factory=dict)
    firing_rate: float | None = None
    rate_basis: RateBasis | None = None
    spikes: Mapping[str, int] = field(default_factory=dict)
    why: str = ""

    @property
    def settled(self) -> bool:
        """Return whether every quantity of a plateau has settled."""
        return bool(self.values) and all(v.settled for v in self.values.values())
