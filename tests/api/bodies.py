"""Bodies of readings for the tests of lists, corrections and exports."""

from __future__ import annotations

from typing import Any


def reading_body(rate: float = 100.0, phase: str = "as_left", **values: Any) -> dict[str, Any]:
    """Return a body with one reading; ``values`` beside or in place of three common ones."""
    measured = {"o2_dry": 4.5, "co_dry": 12, "stack_temperature": "180 degC", **values}
    return {"readings": [{"values": measured, "firing_rate": rate, "phase": phase}]}
