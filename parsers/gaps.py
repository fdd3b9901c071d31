"""What nobody read of a log is no part of its stays: gaps are taken out of its stretches."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from parsers.segments import NO_SAMPLE, Segment

Floats = NDArray[np.float64]

LONGEST_GAP = 120.0
"""Seconds without a sample over which nobody knows that the burner stayed (common practice).

Three response times of the instrument, or five times what lies between two samples, where more.
"""


_WITHOUT_FLAME = ("off", "purge")


def without_gaps(segments: Sequence[Segment], times: Floats, longest: float) -> list[Segment]:
    """Return the stretches as their parts with samples, and ramps for what lies between them.

    More than ``longest`` [s] without a sample are a gap, whichever stretch the search put there.
    Stretches without flame stay as they are: no point goes on over them.
    """
    at = np.flatnonzero(np.diff(times) > longest)
    begins, ends = times[at], times[at + 1]
    out: list[Segment] = []
    for s in segments:
        start = s.start
        first = np.searchsorted(ends, s.start, side="right")
        last = np.searchsorted(begins, s.end, side="left")
        for n in range(first, last if s.kind not in _WITHOUT_FLAME else first):
            begin, end = max(float(begins[n]), s.start), min(float(ends[n]), s.end)
            if begin > start:
                out.append(replace(s, start=start, end=begin))
            if out and out[-1].why == NO_SAMPLE and out[-1].end == begin:
                out[-1] = replace(out[-1], end=end)
            else:
                out.append(Segment("ramp", begin, end, why=NO_SAMPLE))
            start = end
        if s.end > start:
            out.append(replace(s, start=start))
    return out
