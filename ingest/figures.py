"""The figures behind a finding's sentence, unrounded.

A sentence is written with rounded numbers, in canonical units. Whoever says it in other units
starts from these, so that it reads the same wherever it stands.
"""

from __future__ import annotations

from collections.abc import Sequence

from combustion.quantities import QUANTITIES
from ingest.judgement import Flag
from parsers.points import FiringPoint

Figures = tuple[tuple[float, str], ...]
"""Numbers, each with the unit that a sentence has it in."""


def figures_of(flag: Flag, points: Sequence[FiringPoint]) -> Figures:
    """Return the numbers that a flag's sentence may say: its own, and its points' means.

    >>> figures_of(Flag("1", "stack_high", "fix", "", "", unit="degC", value=260.4, high=250.0), ())
    ((260.4, 'degC'), (250.0, 'degC'))
    """
    own = [(n, flag.unit) for n in (flag.value, flag.low, flag.high) if n is not None and flag.unit]
    read = [
        (settled.mean, QUANTITIES[key].unit)
        for point in points
        if point.key.phase == flag.phase and point.key.firing_rate in flag.firing_rates
        for key, settled in point.values.items()
    ]
    return (*own, *read)
