"""The usual order of the work, and which recorded steps stand out of it.

A step out of order is told, never locked: licensed practice decides. Of a step done twice the last
time counts, because a boiler opened again is isolated, closed and lit again.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, get_args

Step = Literal[
    "fresh_air_check",
    "as_found_points",
    "isolate",
    "service",
    "close_up",
    "refill",
    "vent_air",
    "prove_water",
    "fill_condensate_trap",
    "refit_vent",
    "purge_and_leak_test_gas_train",
    "dry_run",
    "light_off",
    "leak_test_live",
    "adjust",
    "safety_tests",
    "as_left_points",
]
STEPS: tuple[Step, ...] = get_args(Step)
"""In the usual order: common practice."""

STEP_TITLES: dict[Step, str] = {
    "fresh_air_check": "Check the instrument in fresh air",
    "as_found_points": "Take the as-found points with the boiler running",
    "isolate": "Isolate the boiler",
    "service": "Open, inspect, clean, replace",
    "close_up": "Close up",
    "refill": "Refill with water",
    "vent_air": "Bleed the air",
    "prove_water": "Prove water pressure and flow",
    "fill_condensate_trap": "Fill the condensate trap",
    "refit_vent": "Refit the vent",
    "purge_and_leak_test_gas_train": "Purge and leak-test the gas train",
    "dry_run": "Dry run with the gas shut",
    "light_off": "Light off",
    "leak_test_live": "Leak-test live",
    "adjust": "Adjust",
    "safety_tests": "Test the safety devices",
    "as_left_points": "Take the as-left points",
}

_RANK = {step: n for n, step in enumerate(STEPS)}


@dataclass(frozen=True, slots=True)
class OutOfOrder:
    """A step recorded after one that it usually comes before."""

    step: Step
    after: Step


def out_of_order(recorded: Sequence[Step]) -> list[OutOfOrder]:
    """Return the steps that stand behind one they usually come before.

    Parameters
    ----------
    recorded : sequence of Step
        In the order in which the work was done; of a repeated step the last time counts.

    Examples
    --------
    >>> out_of_order(["light_off", "fill_condensate_trap"])
    [OutOfOrder(step='fill_condensate_trap', after='light_off')]
    """
    last = {step: n for n, step in enumerate(recorded)}
    row = sorted(last, key=lambda step: last[step])
    found = []
    furthest: Step | None = None
    for step in row:
        if furthest is not None and _RANK[step] < _RANK[furthest]:
            found.append(OutOfOrder(step, furthest))
        else:
            furthest = step
    return found
