"""How far the taking of a file has come, told to whoever asked to be told; nobody has to.

The one who listens says so around the call, in its own context: what takes the file does not know
who that is, and takes it just the same without.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from typing import Literal

Stage = Literal["received", "rows", "cut"]
"""The bytes are there; so many rows were read; so many firing points were found in a log."""

_TOLD: ContextVar[Callable[[Stage, int], None] | None] = ContextVar("how_far", default=None)


@contextmanager
def telling(told: Callable[[Stage, int], None]) -> Iterator[None]:
    """Have everything within told how far it came."""
    token = _TOLD.set(told)
    try:
        yield
    finally:
        _TOLD.reset(token)


def reached(stage: Stage, count: int) -> None:
    """Tell that a stage is done, and of how many."""
    told = _TOLD.get()
    if told is not None:
        told(stage, count)
