"""How far an igniter has to turn, and which spacer does it, where washers set its orientation.

A threaded igniter seats deeper with a thinner spacer; each thread pitch taken away is one full turn
in the tightening sense. Which orientation is wanted stands on the boiler's own drawing and comes
in as plan data.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Turn:
    """What is still wanted: degrees in the tightening sense, and the change of spacer for it."""

    degrees: float
    spacer_change: float
    """Change of the spacer's total thickness [m]; negative is thinner."""


def turn_wanted(
    seated_at: float, wanted: float, thread_pitch: float, *, tolerance: float = 0.0
) -> Turn:
    """Return the smallest turn from where the igniter seats to where the drawing wants it.

    Parameters
    ----------
    seated_at, wanted : float
        Orientation [degree], measured in the tightening sense from the drawing's mark.
    thread_pitch : float
        [m]
    tolerance : float
        Half-width of what the drawing allows [degree]; inside it no turn is wanted.

    Examples
    --------
    >>> turn = turn_wanted(300.0, 30.0, 0.0015)
    >>> turn.degrees, round(turn.spacer_change * 1000, 3)
    (90.0, -0.375)
    """
    if not thread_pitch > 0:
        raise ValueError("a thread pitch is above zero")
    degrees = (wanted - seated_at + 180.0) % 360.0 - 180.0
    if abs(degrees) <= tolerance:
        return Turn(0.0, 0.0)
    return Turn(degrees, -thread_pitch * degrees / 360.0)
