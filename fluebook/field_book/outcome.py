"""What became of sending or fetching, told so that a person knows what is left to do."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

Whose = Literal["mine", "office"]


@dataclass(frozen=True, slots=True)
class Conflict:
    """One thing that both sides changed; ``differences`` names each place with both values.

    Attributes
    ----------
    kind : str
        ``site``, ``boiler``, ``job``, ``visit``, ``map``, ``limits``, ``reading`` or ``cut``.
    id : str
        By which a person says whose stands; of a reading, the first version's id in this book, of
        a cut, its log's.
    """

    kind: str
    id: str
    name: str
    differences: Mapping[str, tuple[Any, Any]]


@dataclass(slots=True)
class Outcome:
    """What was sent or fetched, what stands in conflict, and what could not be and why.

    ``stays`` names what this book holds that never goes up, or the office's that never comes down.
    """

    done: list[str] = field(default_factory=list)
    same: int = 0
    conflicts: list[Conflict] = field(default_factory=list)
    refused: list[str] = field(default_factory=list)
    stays: list[str] = field(default_factory=list)

    @property
    def left(self) -> int:
        """Return how many things are left that a person has to look at."""
        return len(self.conflicts) + len(self.refused)

    @property
    def clean(self) -> bool:
        """Return whether nothing is left that a person has to look at."""
        return not self.left


def differences(mine: Any, office: Any, at: str = "") -> dict[str, tuple[Any, Any]]:
    """Return each place, as a JSON pointer, at which two documents differ, with both values.

    >>> differences({"a": 1, "b": [1, 2]}, {"a": 1, "b": [1, 3], "c": "x"})
    {'/b/1': (2, 3), '/c': (None, 'x')}
    """
    if isinstance(mine, dict) and isinstance(office, dict):
        found: dict[str, tuple[Any, Any]] = {}
        for key in [*mine, *(k for k in office if k not in mine)]:
            found |= differences(mine.get(key), office.get(key), f"{at}/{key}")
        return found
    if isinstance(mine, list) and isinstance(office, list) and len(mine) == len(office):
        found = {}
        for n, (one, other) in enumerate(zip(mine, office, strict=True)):
            found |= differences(one, other, f"{at}/{n}")
        return found
    return {} if mine == office else {at or "/": (mine, office)}


def conflict_lines(conflict: Conflict) -> Iterator[str]:
    """Yield a conflict in words: each place with both versions."""
    yield f"{conflict.name} was changed here and at the office since both had it the same:"
    for place, (mine, office) in conflict.differences.items():
        yield f"  {place}: here {_shown(mine)}, office {_shown(office)}"
    yield f"  say whose stands: --mine {conflict.id} or --theirs {conflict.id}"


def _shown(value: Any) -> str:
    return "nothing" if value is None else json.dumps(value, ensure_ascii=False)
